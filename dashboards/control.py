"""Picture of a control chart, with the limits of the specification set apart from its own."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from speclake_dashboards import theme
from speclake_dashboards.digits import SpecLimits, fixed, point_text

POINT, OUT = "#1c5d99", "#a83c06"
USUAL_BASE_POINTS = 20
"""Limits from fewer points are provisional; 20 to 25 is common practice."""
MOST_TICKS = 5


LABEL_ROOM = 0.05
"""Height of a label beside the frame, as a part of the frame's height."""


@dataclass(frozen=True)
class Level:
    """A level line: where it is, its words beside the frame and in full, and its look."""

    value: float
    short: str
    words: str
    stroke: str
    is_spec: bool = False

    @property
    def colour(self) -> str:
        """Colour of the line."""
        return theme.FORBIDDEN if self.is_spec else theme.ACCENT


@dataclass(frozen=True)
class ChartPicture:
    """What a control chart shows, in the unit of its requirement.

    Parameters
    ----------
    values : one a point, in order of time; NaN where a point has none.
    out : of each point in words why it is out of control, empty where it is not.
    names, times, keys : of each point: what it is, when, and the measurement that a click opens.
    base : how many points set the limits.
    base_end : how many points there are up to the last of those.
    decimals : of every number of the chart.
    lower, centre, upper : None where there are too few points for them.
    spec : limits of the specification.
    """

    values: Sequence[float]
    out: Sequence[str]
    names: Sequence[str]
    times: Sequence[str]
    keys: Sequence[str]
    base: int
    base_end: int
    decimals: int
    unit: str
    lower: float | None
    centre: float | None
    upper: float | None
    spec: SpecLimits

    @property
    def is_provisional(self) -> bool:
        """Whether there are limits, from fewer points than is usual."""
        return self.lower is not None and self.base < USUAL_BASE_POINTS

    @property
    def outside(self) -> list[str]:
        """Of each point in words which limit of the specification it lies beyond, or nothing."""
        return [self.spec.outside(value) for value in self.values]

    @property
    def texts(self) -> list[str]:
        """Value of each point as text."""
        return [point_text(value, self.decimals, self.spec) for value in self.values]

    def number(self, value: float | None) -> str:
        """Text of a centre or a control limit."""
        return fixed(value, self.decimals)


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
    if any(shown.outside):
        rejected = _points(shown, [bool(why) for why in shown.outside], "outside the specification")
        marks.append(
            rejected.opts(
                marker="square", size=22, fill_alpha=0, line_color=theme.FORBIDDEN, line_width=2
            )
        )
    parts = [
        *_forbidden(shown, low, high),
        *_lines(shown),
        *_end_of_base(shown, low),
        path,
        *marks,
    ]
    return hv.Overlay(parts).opts(
        hv.opts.Overlay(
            responsive=True,
            height=460,
            show_legend=False,
            toolbar="above",
            xlabel=_span(shown),
            ylabel=shown.unit,
            xlim=(0.2, _right_end(shown)),
            ylim=(low, high),
            xticks=_ticks(shown),
            hooks=[_finisher(shown, low, high)],
            active_tools=["box_zoom"],
        ),
        hv.opts.Scatter(tools=_tools(), nonselection_alpha=1.0),
    )


def _points(shown: ChartPicture, chosen: Sequence[bool], label: str) -> Any:
    import holoviews as hv

    texts = shown.texts
    why = [
        "; ".join(filter(None, pair)) or "within the control limits"
        for pair in zip(shown.out, shown.outside, strict=True)
    ]
    held = [i for i, is_chosen in enumerate(chosen) if is_chosen]
    columns = {
        "point": [i + 1 for i in held],
        "value": [shown.values[i] for i in held],
        "name": [shown.names[i] for i in held],
        "time": [shown.times[i] for i in held],
        "text": [f"{texts[i]} {shown.unit}" for i in held],
        "out": [why[i] for i in held],
        "key": [shown.keys[i] for i in held],
    }
    return hv.Scatter(
        columns, "point", ["value", "name", "time", "text", "out", "key"], label=label
    )


def _tools() -> list[Any]:
    from bokeh.models import HoverTool, OpenURL, TapTool

    tips = [("", "@name"), ("", "@time"), ("value", "@text"), ("", "@out")]
    return [
        HoverTool(tooltips=tips),
        TapTool(callback=OpenURL(url="measurement?id=@key", same_tab=True)),
    ]


def levels(shown: ChartPicture) -> list[Level]:
    """Lines of a chart from the top of the table: the process first, then the specification."""
    spec = shown.spec
    control = (
        (shown.upper, "upper", "upper control limit", "dashed"),
        (shown.centre, "centre", "centre", "solid"),
        (shown.lower, "lower", "lower control limit", "dashed"),
    )
    found = [
        Level(value, f"{short} {shown.number(value)}", f"{words} {shown.number(value)}", stroke)
        for value, short, words, stroke in control
        if value is not None
    ]
    for value, text, words in (
        (spec.low, spec.low_text, "at least"),
        (spec.high, spec.high_text, "at most"),
    ):
        if value is not None:
            whose = f" ({spec.spec})" if spec.spec else ""
            words = f"limit of the specification{whose}: {words} {text}"
            found.append(Level(value, f"spec {text}", words, "dotdash", is_spec=True))
    return found


def _lines(shown: ChartPicture) -> list[Any]:
    """Level lines; their words stand beside the frame."""
    import holoviews as hv

    return [
        hv.HLine(each.value).opts(
            color=each.colour,
            line_dash=each.stroke,
            line_width=1.6,
            alpha=0.45 if shown.is_provisional and not each.is_spec else 1.0,
        )
        for each in levels(shown)
    ]


def spread(values: Sequence[float], room: float) -> list[float]:
    """Positions near some values, in the same order, with at least `room` between any two."""
    order = sorted(range(len(values)), key=lambda i: values[i])
    groups: list[list[int]] = []

    def middle(group: list[int]) -> float:
        return sum(values[i] for i in group) / len(group)

    for i in order:
        groups.append([i])
        while len(groups) > 1:
            below, above = groups[-2:]
            if middle(above) - middle(below) >= room * (len(above) + len(below)) / 2:
                break
            groups[-2:] = [below + above]
    found = [0.0] * len(values)
    for group in groups:
        for place, i in enumerate(group):
            found[i] = middle(group) + room * (place - (len(group) - 1) / 2)
    return found


def _end_of_base(shown: ChartPicture, low: float) -> list[Any]:
    """Where the points that set the limits end and those that are only held against them begin."""
    import holoviews as hv

    if shown.lower is None or shown.base_end >= len(shown.values):
        return []
    end = shown.base_end + 0.5
    is_late = end > len(shown.values) / 2
    words = "base ends "
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
    for value, end in ((shown.spec.low, -far), (shown.spec.high, far)):
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


def _finisher(shown: ChartPicture, low: float, high: float) -> Any:
    """Hook that gives the chart its look, and each line its words beside the frame."""

    def finish(plot: Any, _element: Any) -> None:
        from bokeh.models import FixedTicker, LinearAxis

        theme.quiet(plot.state)
        named = levels(shown)
        places = spread([each.value for each in named], LABEL_ROOM * (high - low))
        words = {place: each.short for place, each in zip(places, named, strict=True)}
        made: Any = LinearAxis  # its types know neither this ticker nor plain words
        axis = made(
            ticker=FixedTicker(ticks=list(words)),
            major_label_overrides=words,
            major_label_text_color=theme.INK,
            major_label_text_font_size="12px",
            major_tick_line_color=None,
            axis_line_color=None,
            name="lines",
        )
        plot.state.add_layout(axis, "right")

    return finish


def _right_end(shown: ChartPicture) -> float:
    return len(shown.values) + 0.8


def _height(shown: ChartPicture) -> tuple[float, float]:
    lines = (shown.lower, shown.centre, shown.upper, shown.spec.low, shown.spec.high)
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
