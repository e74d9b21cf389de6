"""Pictures of spectra: single curves, many lines, or the density of a crowd.

Up to 20 spectra are drawn at full resolution, up to 1,000 as lines of their lowest and highest
points, more as a density with the outermost values and the chosen spectra as lines on top. The
lines of one Bokeh glyph appear in a thirtieth of the time that one HoloViews element with as many
lines takes, so these pictures are Bokeh figures.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from speclake_dashboards import theme
from speclake_dashboards.density import DensityPicture
from speclake_dashboards.limits import Limit, draw_limits
from speclake_dashboards.matching import Units

from speclake.judging.pictures.decimation import extremes, in_view
from speclake.judging.pictures.looks import AXIS_WORDS, VALUE_WORDS
from speclake.specs.verdicts import Outcome
from speclake.spectrum import SpectrumSet

MOST_CURVES = 20
MOST_LINES = 1000
COLUMNS = 600
"""Columns of the lines of many spectra: two points each, about one a pixel."""


@dataclass(frozen=True)
class Caption:
    """What a picture says of one spectrum: a short name, the rest, and its outcome if judged."""

    name: str
    detail: str = ""
    outcome: str | None = None


Span = tuple[float, float, float, float]
"""Start and stop on the axis, lowest and highest value."""


def span_of(sets: Sequence[SpectrumSet], limits: Sequence[Limit] = ()) -> Span:
    """Part of the plane that holds all spectra and the limits within their stretch of the axis."""
    start = min(float(s.axis.values[0]) for s in sets)
    stop = max(float(s.axis.values[-1]) for s in sets)
    held = [s.values[np.isfinite(s.values)] for s in sets]
    ends = [end for values in held if values.size for end in (values.min(), values.max())]
    ends += [
        value for limit in limits if limit.stop >= start and limit.start <= stop
        for value, _ in limit.sides
    ]  # fmt: skip
    return _padded(start, stop, float(min(ends, default=0.0)), float(max(ends, default=1.0)))


def span_near(sets: Sequence[SpectrumSet], limits: Sequence[Limit]) -> Span | None:
    """Part of the plane around the limits that holds them and all values in their stretches.

    None where no limit lies within the spectra. Nothing in the stretch of a limit is cut off, so
    that a spectrum which fails is seen however far it fails.
    """
    found = []
    for limit in limits:
        held = [_stretch_values(each, limit) for each in sets]
        values = np.concatenate([*held, []])
        if values.size:
            found.append((limit, float(values.min()), float(values.max())))
    if not found:
        return None
    start = min(limit.start for limit, _, _ in found)
    stop = max(limit.stop for limit, _, _ in found)
    beside = 0.2 * (stop - start) or 0.02 * abs(start)
    ends = [value for limit, _, _ in found for value, _ in limit.sides]
    low = min([*ends, *(least for _, least, _ in found)])
    high = max([*ends, *(most for _, _, most in found)])
    margin = 0.25 * ((high - low) or abs(high) or 1.0)
    return start - beside, stop + beside, low - margin, high + margin


def _stretch_values(spectra: SpectrumSet, limit: Limit) -> Any:
    """Finite values of spectra in the stretch of a limit, those beside it where it is a point."""
    positions = spectra.axis.values
    if limit.stop < positions[0] or limit.start > positions[-1]:
        return np.empty(0)
    values = spectra.values[:, in_view(positions, limit.start, limit.stop)]
    return values[np.isfinite(values)]


def _padded(start: float, stop: float, low: float, high: float) -> Span:
    if start == stop:
        start, stop = start - 1.0, stop + 1.0
    height = (high - low) or abs(high) or 1.0
    return start, stop, low - 0.06 * height, high + 0.06 * height


def frame(span: Span, units: Units, of: str = "") -> Any:
    """Empty Bokeh figure over a span, with its axes named."""
    from bokeh.models import Range1d
    from bokeh.plotting import figure

    start, stop, low, high = span
    counted = f" in {units.medium}" if units.medium and units.axis_unit in ("nm", "um") else ""
    picture = figure(
        height=480,
        sizing_mode="stretch_width",
        x_range=Range1d(start=start, end=stop),
        y_range=Range1d(start=low, end=high),
        x_axis_label=AXIS_WORDS[units.axis_unit].replace(" (", f"{counted} ("),
        y_axis_label=f"{of}{VALUE_WORDS[units.unit]}",
        tools="pan,box_zoom,wheel_zoom,reset,save",
        active_scroll=None,
        active_drag="box_zoom",
    )
    theme.quiet(picture)
    return picture


def curves(
    sets: Sequence[SpectrumSet],
    captions: Mapping[str, Caption],
    limits: Sequence[Limit] = (),
    *,
    of: str = "",
    view: Span | None = None,
) -> Any:
    """Bokeh figure of up to `MOST_LINES` spectra in one pair of units, with limits.

    Parameters
    ----------
    sets : all in the same axis unit and value unit.
    captions : by measurement identifier.
    of : what the values are, before their quantity, such as ``difference in ``.
    view : what is seen at first; None shows all.

    Raises
    ------
    ValueError
        There is no spectrum, or more than a picture of lines can hold.
    """
    count = sum(len(s) for s in sets)
    if not 0 < count <= MOST_LINES:
        raise ValueError(f"{count} spectra; a picture of lines holds 1 to {MOST_LINES}")
    span = view or span_of(sets, limits)
    axis = sets[0].axis
    picture = frame(span, Units(axis.unit, axis.medium, sets[0].unit), of)
    draw_limits(picture, limits, span)
    if count <= MOST_CURVES:
        _single_curves(picture, sets, captions)
    else:
        add_lines(picture, sets, captions)
    return picture


def stroke_of(index: int) -> tuple[str, str]:
    """Colour and stroke of one of the single curves: both differ from those of its neighbours."""
    colours = theme.LINE_COLOURS
    return (
        colours[index % len(colours)],
        theme.LINE_STROKES[(index + index // len(colours)) % len(theme.LINE_STROKES)],
    )


def _single_curves(
    picture: Any, sets: Sequence[SpectrumSet], captions: Mapping[str, Caption]
) -> None:
    rows = [(s.axis.values, s.values[i], key) for s in sets for i, key in enumerate(s.keys)]
    renderers = []
    for index, (positions, values, key) in enumerate(rows):
        colour, stroke = stroke_of(index)
        source = _constant(captions[key], key, positions.size)
        source |= {"x": positions, "y": values}
        line = picture.line(
            x="x", y="y", source=source, line_color=colour, line_dash=stroke,
            line_width=2.2 if stroke == "dotted" else 1.7, name=key,
        )  # fmt: skip
        line.nonselection_glyph = line.glyph
        renderers.append(line)
    _speaking(picture, renderers, "@x{0.0[000]}", "@y{0.000[00]}")


def _constant(caption: Caption, key: str, size: int) -> dict[str, Any]:
    mark = theme.mark_of(caption.outcome)
    return {
        "name": [caption.name] * size,
        "detail": [caption.detail] * size,
        "outcome": [mark.word] * size,
        "key": [key] * size,
    }


def add_lines(
    picture: Any,
    sets: Sequence[SpectrumSet],
    captions: Mapping[str, Caption],
    *,
    bold: bool = False,
) -> Any:
    """Lines of the extremes of many spectra, drawn by outcome, in one glyph of a figure."""
    keys = [key for s in sets for key in s.keys]
    marks = [theme.mark_of(captions[key].outcome) for key in keys]
    xs, ys = line_points(sets, float(picture.x_range.start), float(picture.x_range.end))
    judged_well = theme.MARKS[Outcome.PASS]
    lines = picture.multi_line(
        xs="xs", ys="ys", line_color="colour", line_dash="stroke", line_alpha=0.9 if bold else 0.6,
        line_width="width", name="spectra",
        source={
            "xs": xs, "ys": ys, "key": keys,
            "name": [captions[key].name for key in keys],
            "detail": [captions[key].detail for key in keys],
            "outcome": [mark.word for mark in marks],
            "colour": [mark.colour for mark in marks],
            "stroke": [mark.stroke for mark in marks],
            "width": [0.8 if m in (judged_well, theme.NO_VERDICT) else 1.6 for m in marks],
        },
    )  # fmt: skip
    lines.nonselection_glyph = lines.glyph
    _speaking(picture, [lines], "$x{0.0[000]}", "$y{0.000[00]}")
    return lines


def line_points(
    sets: Sequence[SpectrumSet], start: float, stop: float, columns: int = COLUMNS
) -> tuple[list[Any], list[Any]]:
    """Points of the lines of many spectra for a stretch of the axis, a list each for x and y."""
    xs: list[Any] = []
    ys: list[Any] = []
    for each in sets:
        part = in_view(each.axis.values, start, stop)
        x, y = extremes(each.axis.values[part], each.values[:, part], columns)
        xs.extend(x)
        ys.extend(y)
    return xs, ys


def _speaking(picture: Any, renderers: list[Any], x: str, y: str) -> None:
    """Name a spectrum under the pointer, and open its measurement on a click."""
    from bokeh.models import HoverTool, OpenURL, TapTool

    tips = [("", "@name"), ("", "@detail"), ("verdict", "@outcome"), ("at", x), ("value", y)]
    picture.add_tools(
        HoverTool(renderers=renderers, tooltips=tips, line_policy="nearest"),
        TapTool(renderers=renderers, callback=OpenURL(url="measurement?id=@key", same_tab=True)),
    )


# from a pale to a dark tone of one hue, so that more always reads as darker
_PALE, _DARK = np.array([213, 231, 229]), np.array([5, 45, 55])
_TONES = ["#{:02x}{:02x}{:02x}".format(*(_PALE + (_DARK - _PALE) * i // 63)) for i in range(64)]


def crowd(
    density: DensityPicture,
    units: Units,
    chosen: Sequence[SpectrumSet],
    captions: Mapping[str, Caption],
    limits: Sequence[Limit] = (),
) -> Any:
    """Bokeh figure of a density, its outermost values, and the chosen spectra as lines on top."""
    from bokeh.models.annotations import ColorBar
    from bokeh.models.mappers import LogColorMapper

    ends = [float(np.nanmin(density.lowest)), float(np.nanmax(density.highest))]
    ends += [value for limit in limits for value, _ in limit.sides]
    span = _padded(density.start, density.stop, min(ends), max(ends))
    picture = frame(span, units)
    mapper = LogColorMapper(
        palette=_TONES, low=1, high=max(int(density.counts.max()), 2), low_color="#ffffff00"
    )
    image = picture.image(
        image="image", x="x", y="y", dw="width", dh="height", source=image_data(density),
        color_mapper=mapper, name="density", level="image",
    )  # fmt: skip
    image.nonselection_glyph = image.glyph
    for name, values in (("lowest", density.lowest), ("highest", density.highest)):
        picture.line(density.columns, values, line_color=theme.ACCENT, line_width=1.2, name=name)
    draw_limits(picture, limits, span)
    if chosen:
        add_lines(picture, chosen, captions, bold=True)
    bar = ColorBar(
        color_mapper=mapper,
        title="spectra",
        width=10,
        location=(0, 0),
        major_label_text_color=theme.INK,
    )
    picture.add_layout(bar, "right")
    return picture


def image_data(density: DensityPicture) -> dict[str, list[Any]]:
    """Columns of the image of a density."""
    return {
        "image": [density.counts.astype(np.float32)],
        "x": [density.start],
        "y": [density.low],
        "width": [density.stop - density.start],
        "height": [density.high - density.low],
    }
