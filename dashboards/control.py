"""Picture of a control chart, with the limits of the specification set apart from its own."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from speclake_dashboards import theme

POINT, OUT = "#1c5d99", "#a83c06"
MOST_TICKS = 5


@dataclass(frozen=True)
class ChartPicture:
    """What a control chart shows, in the unit of its requirement.

    Parameters
    ----------
    values : one a point, in order of time; NaN where a point has none.
    out : of each point in words why it is out of control, empty where it is not.
    names, times, keys : of each point: what it is, when, and the measurement that a click opens.
    base : how many points set the limits; they are the first ones.
    lower, centre, upper : None where there are too few points for them.
    spec_low, spec_high : limits of the specification.
    """

    values: Sequence[float]
    out: Sequence[str]
    names: Sequence[str]
    times: Sequence[str]
    keys: Sequence[str]
    base: int
    unit: str
    lower: float | None
    centre: float | None
    upper: float | None
    spec_low: float | None
    spec_high: float | None


def picture(shown: ChartPicture) -> Any:
    """HoloViews overlay of a control chart."""
    import holoviews as hv

    numbers = np.arange(1, len(shown.values) + 1)
    low, high = _height(shown)
    path = hv.Curve((numbers, shown.values), "point", "value").opts(
        color=POINT, line_width=1, alpha=0.5
    )
    inside = _points(shown, [not why for why in shown.out], "within the control limits")
    outside = _points(shown, [bool(why) for why in shown.out], "out of control")
    marks = [
        inside.opts(color=POINT, marker="circle", size=8),
        outside.opts(color=OUT, marker="diamond", size=16, line_color="white"),
    ]
    parts = [
        *_forbidden(shown, low, high),
        *_lines(shown, high - low),
        *_end_of_base(shown, low),
        path,
        *marks,
    ]
    return hv.Overlay(parts).opts(
        hv.opts.Overlay(
            responsive=True,
            height=460,
            show_legend=False,
            xlabel=_span(shown),
            ylabel=shown.unit,
            xlim=(0.2, _right_end(shown)),
            ylim=(low, high),
            xticks=_ticks(shown),
            hooks=[_finish],
            active_tools=["box_zoom"],
        ),
        hv.opts.Scatter(tools=_tools(), nonselection_alpha=1.0),
    )


def _points(shown: ChartPicture, chosen: Sequence[bool], label: str) -> Any:
    import holoviews as hv

    held = [i for i, is_chosen in enumerate(chosen) if is_chosen]
    columns = {
        "point": [i + 1 for i in held],
        "value": [shown.values[i] for i in held],
        "name": [shown.names[i] for i in held],
        "time": [shown.times[i] for i in held],
        "out": [shown.out[i] or "within the control limits" for i in held],
        "key": [shown.keys[i] for i in held],
    }
    return hv.Scatter(columns, "point", ["value", "name", "time", "out", "key"], label=label)


def _tools() -> list[Any]:
    from bokeh.models import HoverTool, OpenURL, TapTool

    tips = [("", "@name"), ("", "@time"), ("value", "@value{0.000[000]}"), ("", "@out")]
    return [
        HoverTool(tooltips=tips),
        TapTool(callback=OpenURL(url="measurement?id=@key", same_tab=True)),
    ]


def _lines(shown: ChartPicture, height: float) -> list[Any]:
    """Level lines with their words, each on the side where it meets no other."""
    import holoviews as hv

    drawn = []
    for value, words, is_spec, baseline in _levels(shown, height):
        colour = theme.FORBIDDEN if is_spec else theme.ACCENT
        stroke = "dotdash" if is_spec else "solid" if value == shown.centre else "dashed"
        drawn.append(hv.HLine(value).opts(color=colour, line_dash=stroke, line_width=1.6))
        text = hv.Labels([(_right_end(shown), value, words)], ["x", "y"], "text")
        drawn.append(
            text.opts(
                text_color=colour,
                text_font_size="12px",
                text_align="right",
                text_baseline=baseline,
            )
        )
    return drawn


def _levels(shown: ChartPicture, height: float) -> list[tuple[float, str, bool, str]]:
    """Value, words, whether of the specification, and the side of the words, of each line."""
    lower, centre, upper = shown.lower, shown.centre, shown.upper
    named = {
        "upper": f"upper control limit {theme.number(upper)}",
        "centre": f"centre {theme.number(centre)}",
    }
    if upper is not None and lower is not None and upper - lower < 0.2 * height:
        # no room between the limits
        named = {"upper": f"{named['upper']}, {named['centre']}", "centre": ""}
    levels = (
        (upper, named["upper"], False, "bottom"),
        (centre, named["centre"], False, "bottom"),
        (lower, f"lower control limit {theme.number(lower)}", False, "top"),
        (shown.spec_low, f"spec limit: at least {theme.number(shown.spec_low)}", True, "top"),
        (shown.spec_high, f"spec limit: at most {theme.number(shown.spec_high)}", True, "bottom"),
    )
    return [
        (value, words, is_spec, side) for value, words, is_spec, side in levels if value is not None
    ]


def _end_of_base(shown: ChartPicture, low: float) -> list[Any]:
    """Where the points that set the limits end and those that are only held against them begin."""
    import holoviews as hv

    if shown.lower is None or shown.base >= len(shown.values):
        return []
    end = shown.base + 0.5
    is_late = end > len(shown.values) / 2
    words = "limits set before this line "
    text = hv.Labels([(end, low, words if is_late else f" {words}")], ["x", "y"], "text")
    return [
        hv.VLine(end).opts(color=theme.QUIET_INK, line_dash="dotted", line_width=1.2),
        text.opts(
            text_color=theme.QUIET_INK,
            text_font_size="12px",
            text_align="right" if is_late else "left",
            text_baseline="bottom",
        ),
    ]


def _forbidden(shown: ChartPicture, low: float, high: float) -> list[Any]:
    """Hatched sides beyond the limits of the specification."""
    import holoviews as hv

    # beyond the frame, so that the side stays hatched when a person zooms out
    far, wide = 5.0 * (high - low), len(shown.values) + 10
    boxes = []
    for value, end in ((shown.spec_low, -far), (shown.spec_high, far)):
        if value is not None:
            ends = sorted((value, value + end))
            boxes.append((-wide, ends[0], 2 * wide, ends[1]))
    if not boxes:
        return []
    return [
        hv.Rectangles(boxes).opts(
            alpha=0.05, color=theme.FORBIDDEN, line_color=None, hooks=[_hatch]
        )
    ]


def _hatch(plot: Any, _element: Any) -> None:
    plot.handles["glyph"].update(
        hatch_pattern="right_diagonal_line",
        hatch_color=theme.FORBIDDEN,
        hatch_alpha=0.25,
        hatch_scale=12,
    )


def _finish(plot: Any, _element: Any) -> None:
    theme.quiet(plot.state)


def _right_end(shown: ChartPicture) -> float:
    """Right end of the frame, with room for the words at the lines."""
    return 1.16 * len(shown.values) + 0.8


def _height(shown: ChartPicture) -> tuple[float, float]:
    lines = (shown.lower, shown.centre, shown.upper, shown.spec_low, shown.spec_high)
    held = [value for value in (*shown.values, *lines) if value is not None and np.isfinite(value)]
    low, high = (min(held), max(held)) if held else (0.0, 1.0)
    margin = 0.12 * ((high - low) or abs(high) or 1.0)
    return low - margin, high + margin


def _ticks(shown: ChartPicture) -> list[tuple[int, str]]:
    """Month and day at a few points: more would run into one another on a phone."""
    step = max(-(-len(shown.times) // MOST_TICKS), 1)
    return [(i + 1, shown.times[i][5:10]) for i in range(0, len(shown.times), step)]


def _span(shown: ChartPicture) -> str:
    if not shown.times:
        return "in order of time"
    return f"in order of time, {shown.times[0][:10]} to {shown.times[-1][:10]}"
