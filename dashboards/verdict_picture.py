"""The picture of a verdict on a page: live where it is looked at closely, else as a drawing."""

from typing import Any

from markupsafe import Markup
from speclake_dashboards import theme

from speclake.judging.pictures import Picture, svg_of
from speclake.judging.pictures.looks import CURVE
from speclake.judging.pictures.scene import FoundMark, LimitMark, Line, Scale, ScaleLimit, Span

HATCH = {
    "hatch_pattern": "right_diagonal_line", "hatch_color": theme.FORBIDDEN, "hatch_alpha": 0.55,
    "hatch_scale": 8, "fill_alpha": 0.04, "fill_color": theme.FORBIDDEN, "line_color": None,
}  # fmt: skip
GUARD = {
    "fill_color": theme.FORBIDDEN, "fill_alpha": 0.1, "line_color": theme.FORBIDDEN,
    "line_dash": "dotted", "line_width": 1,
}  # fmt: skip
STRIP = 0.035
"""Width of the hatched strip along a limit, as a part of what is seen."""
NARROW = 0.02
"""Half the length of a limit at one position, as a part of what is seen."""
CURVE_HEIGHT, SCALE_HEIGHT = 380, 140
SCALE_HALF = 0.35
"""Half the height of limits and bands on the scale, whose own height is two."""


def drawing(picture: Picture) -> Markup:
    """The picture as SVG that belongs into a page, as wide as there is room."""
    # its only texts are escaped where they are put in
    return Markup(svg_of(picture))


def figures(picture: Picture) -> Any:
    """Bokeh layout of a picture: the curve, and below it the scale."""
    from bokeh.layouts import column

    return column(curve_figure(picture), scale_figure(picture.scale), sizing_mode="stretch_width")


def curve_figure(picture: Picture) -> Any:
    """Bokeh figure of the curve near the window, with what is marked there."""
    from bokeh.plotting import figure

    shown = figure(
        height=CURVE_HEIGHT,
        sizing_mode="stretch_width",
        x_range=_range(picture.across),
        y_range=_range(picture.up),
        x_axis_label=picture.axis_label,
        y_axis_label=picture.value_label,
        tools="pan,box_zoom,wheel_zoom,reset,save",
        active_scroll=None,
        active_drag="box_zoom",
    )
    theme.quiet(shown)
    _windows(shown, picture)
    for limit in picture.limits:
        _limit(shown, limit, picture)
    for line in reversed(picture.lines):
        _line(shown, line)
    if picture.found is not None:
        _found(shown, picture.found)
    return shown


def _range(ends: Span) -> Any:
    from bokeh.models import Range1d

    return Range1d(start=ends[0], end=ends[1])


def _windows(shown: Any, picture: Picture) -> None:
    from bokeh.models.annotations import BoxAnnotation
    from bokeh.models.annotations import Span as Rule

    for low, high in picture.windows:
        if high > low:
            shown.add_layout(
                BoxAnnotation(
                    left=low,
                    right=high,
                    fill_color=theme.ACCENT,
                    fill_alpha=0.08,
                    line_color=theme.ACCENT,
                    line_dash="dotted",
                    level="underlay",
                    name="window",
                )
            )
        else:
            shown.add_layout(
                Rule(
                    location=low,
                    dimension="height",
                    line_color=theme.ACCENT,
                    line_dash="dotted",
                    name="window",
                )
            )
    for level in picture.levels:
        shown.add_layout(
            Rule(location=level, dimension="width", line_color=theme.QUIET_INK, line_dash="dotted")
        )


def _limit(shown: Any, limit: LimitMark, picture: Picture) -> None:
    (left, right), (bottom, top) = picture.across, picture.up
    if limit.along == "position":
        at = limit.points[0][0]
        far = at + limit.side * STRIP * (right - left)
        x, y = [at, at], [bottom, top]
        corners = ([at, at, far, far], [bottom, top, top, bottom])
        guard = None if limit.guard is None else (limit.guard, (bottom, top))
    else:
        x, y = _wide_enough(limit, 2 * NARROW * (right - left))
        down = limit.side * STRIP * (top - bottom)
        corners = ([*x, *reversed(x)], [*y, *(each + down for each in reversed(y))])
        guard = None if limit.guard is None else ((x[0], x[-1]), limit.guard)
    if guard is not None:
        _box(shown, *guard)
    shown.patch(*corners, name="forbidden side", level="underlay", **HATCH)
    shown.line(
        x, y, line_color=theme.FORBIDDEN, line_width=2, name="limit",
        line_dash="solid" if limit.is_pointwise else "dashed",
    )  # fmt: skip


def _wide_enough(limit: LimitMark, least: float) -> tuple[list[float], list[float]]:
    x, y = ([point[axis] for point in limit.points] for axis in (0, 1))
    if x[-1] - x[0] < least:  # a limit at one position is to be seen
        middle = (x[0] + x[-1]) / 2
        x = [middle - least / 2, middle + least / 2]
        y = [y[0], y[-1]]
    return x, y


def _box(shown: Any, across: Span, up: Span) -> None:
    shown.quad(
        left=across[0], right=across[1], bottom=up[0], top=up[1], name="guard band",
        level="underlay", **GUARD,
    )  # fmt: skip


def _line(shown: Any, line: Line) -> None:
    colour, width = (CURVE, 1.8) if line.is_chief else (theme.QUIET_INK, 0.8)
    drawn = shown.line(
        line.positions, line.values, line_color=colour, line_width=width, name="spectrum"
    )
    if line.is_chief:
        _speaking(shown, drawn)


def _speaking(shown: Any, drawn: Any) -> None:
    from bokeh.models import HoverTool

    tips = [("at", "@x{0.0[000]}"), ("value", "@y{0.000[00]}")]
    shown.add_tools(HoverTool(renderers=[drawn], tooltips=tips, line_policy="nearest"))


def _found(shown: Any, found: FoundMark) -> None:
    low, high = found.position
    middle = (low + high) / 2
    if found.reach is not None:
        ends = list(found.reach)
        upright = found.along == "value"
        _bar(shown, ([middle] * 2, ends) if upright else (ends, [found.value] * 2), upright)
    if high > low:
        shown.line([low, high], [found.value] * 2, line_color=theme.INK, line_width=1.6,
                   name="found")  # fmt: skip
    _dot(shown, middle, found.value)


def _bar(shown: Any, ends: tuple[list[float], list[float]], upright: bool) -> None:
    shown.line(*ends, line_color=theme.INK, line_width=1.6, name="value ± U")
    shown.scatter(
        *ends, marker="dash", size=12, angle=0.0 if upright else 1.5707963, line_color=theme.INK,
        line_width=1.6,
    )  # fmt: skip


def _dot(shown: Any, x: float, y: float) -> None:
    shown.scatter(
        [x], [y], marker="circle", size=10, fill_color=theme.INK, line_color=theme.PAPER,
        name="value",
    )  # fmt: skip


def scale_figure(scale: Scale) -> Any:
    """Bokeh figure of the number against its limits, in the unit of the requirement."""
    from bokeh.plotting import figure

    shown = figure(
        height=SCALE_HEIGHT,
        sizing_mode="stretch_width",
        x_range=_range(scale.ends),
        y_range=_range((-1.0, 1.0)),
        x_axis_label=f"{scale.unit}{f' ({scale.legend})' if scale.legend else ''}",
        tools="",
        toolbar_location=None,
    )
    theme.quiet(shown)
    shown.yaxis.visible = False
    shown.ygrid.visible = False
    for limit in scale.limits:
        _scale_limit(shown, scale, limit)
    if scale.value is not None:
        if scale.reach is not None:
            _bar(shown, (list(scale.reach), [0.0, 0.0]), upright=False)
        if scale.bound != "exact":
            _arrow(shown, scale)
        _dot(shown, scale.value, 0.0)
        bound = "" if scale.bound == "exact" else f"{scale.bound} "
        _text(shown, scale.value, -SCALE_HALF - 0.55, f"found {bound}{scale.text}", "center")
    return shown


def _scale_limit(shown: Any, scale: Scale, limit: ScaleLimit) -> None:
    if limit.guard is not None:
        _box(shown, limit.guard, (-SCALE_HALF, SCALE_HALF))
    beyond = scale.ends[0] if limit.side < 0 else scale.ends[1]
    left, right = sorted((limit.value, beyond))
    shown.quad(
        left=left, right=right, bottom=-SCALE_HALF, top=SCALE_HALF, name="forbidden side", **HATCH
    )
    ends = [-SCALE_HALF - 0.1, SCALE_HALF + 0.1]
    shown.line([limit.value] * 2, ends, line_color=theme.FORBIDDEN, line_width=2, name="limit")
    align = "right" if limit.side < 0 else "left"
    _text(shown, limit.value, SCALE_HALF + 0.15, limit.text, align)


def _text(shown: Any, x: float, y: float, text: str, align: str) -> None:
    shown.text(
        [x], [y], [text], text_color=theme.INK, text_font_size="13px", text_align=align,
    )  # fmt: skip


def _arrow(shown: Any, scale: Scale) -> None:
    """Line to where the true value may lie, with a head on it."""
    assert scale.value is not None  # the caller looked
    side = 1 if scale.bound == "at least" else -1
    tip = scale.value + side * 0.08 * (scale.ends[1] - scale.ends[0])
    shown.line([scale.value, tip], [0, 0], line_color=theme.INK, line_width=1.6)
    shown.scatter(
        [tip], [0.0], marker="triangle", size=9, angle=-side * 1.5707963, fill_color=theme.INK,
        line_color=None,
    )  # fmt: skip
