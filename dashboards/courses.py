"""Picture of numbers over time: noise by region, steps at change-overs, errors of a check."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from speclake_dashboards import theme
from speclake_dashboards.curves import stroke_of
from speclake_dashboards.timeline import MOST_TICKS, Work, speaking

MOST_POINTS = 1000
"""Points of one course that a picture draws; of more, the newest."""


@dataclass(frozen=True)
class Point:
    """One number: when, how much with its expanded uncertainty, and the measurement behind it."""

    when: datetime
    value: float
    uncertainty: float | None = None
    key: str = ""


@dataclass(frozen=True)
class Course:
    """One number over time, oldest first."""

    name: str
    points: tuple[Point, ...]


@dataclass(frozen=True)
class Phase:
    """A stretch of a control chart with limits of its own; None where there are too few points."""

    since: datetime
    until: datetime
    centre: float | None
    lower: float | None
    upper: float | None


@dataclass(frozen=True)
class Courses:
    """What a picture of numbers over time shows.

    Parameters
    ----------
    low, high : limits that the numbers must keep; None where there are none.
    phases : of a control chart, oldest first.
    out : measurements whose points lie beyond a control limit.
    joined : how plainly points are joined by a line, from 0 to 1.
    is_logarithmic : numbers of very different size, all above 0.
    """

    courses: tuple[Course, ...]
    words: str
    unit: str
    works: tuple[Work, ...] = ()
    low: float | None = None
    high: float | None = None
    is_logarithmic: bool = False
    phases: tuple[Phase, ...] = ()
    out: frozenset[str] = frozenset()
    joined: float = 0.7


def shortened(courses: Sequence[Course]) -> tuple[Course, ...]:
    """Courses with their newest points, `MOST_POINTS` of each."""
    return tuple(Course(each.name, each.points[-MOST_POINTS:]) for each in courses)


def picture(shown: Courses) -> Any:
    """Bokeh figure of numbers over time, each course in a colour and a stroke of its own."""
    from bokeh.models.annotations import Span
    from bokeh.plotting import figure

    drawn: Any = figure(
        height=340,
        sizing_mode="stretch_width",
        x_axis_type="datetime",
        y_axis_type="log" if shown.is_logarithmic else "linear",
        y_axis_label=f"{shown.words} ({shown.unit})",
        tools="pan,box_zoom,wheel_zoom,reset,save",
        active_scroll=None,
        active_drag="box_zoom",
    )
    theme.quiet(drawn)
    drawn.xaxis.ticker.desired_num_ticks = MOST_TICKS
    drawn_points = []
    for number, course in enumerate(shown.courses):
        drawn_points.append(_course(drawn, course, shown, *stroke_of(number)))
        _out(drawn, [point for point in course.points if point.key in shown.out])
    for phase in shown.phases:
        _phase(drawn, phase)
    for limit in (shown.low, shown.high):
        if limit is not None:
            drawn.add_layout(
                Span(
                    location=limit, dimension="width", line_color=theme.FORBIDDEN,
                    line_dash="dashdot", line_width=1.6, name="limit",
                )
            )  # fmt: skip
    _include(drawn, shown)
    speaking(drawn, drawn_points, [("", "@name"), ("", "@when{%F}"), ("", "@text")])
    for work in shown.works:
        drawn.add_layout(
            Span(
                location=_ms(work.when), dimension="height",
                line_color=theme.QUIET_INK, line_dash=[2, 3], line_width=1.2, name="work",
            )
        )  # fmt: skip
    return drawn


def _course(drawn: Any, course: Course, shown: Courses, colour: str, stroke: str) -> Any:
    times = [_ms(point.when) for point in course.points]
    values = [point.value for point in course.points]
    drawn.line(
        times, values, line_color=colour, line_dash=stroke, line_width=1.2, line_alpha=shown.joined
    )
    bars = [p for p in course.points if p.uncertainty]
    if bars:
        drawn.segment(
            x0=[_ms(p.when) for p in bars],
            x1=[_ms(p.when) for p in bars],
            y0=[p.value - (p.uncertainty or 0.0) for p in bars],
            y1=[p.value + (p.uncertainty or 0.0) for p in bars],
            line_color=colour, line_alpha=0.6, name="value ± U",
        )  # fmt: skip
    points = drawn.scatter(
        x="when", y="value", marker="circle", size=6, color=colour, name=course.name,
        source={
            "when": times,
            "value": values,
            "name": [course.name] * len(values),
            "text": [_said(point, shown.unit) for point in course.points],
            "key": [point.key for point in course.points],
        },
    )  # fmt: skip
    points.nonselection_glyph = points.glyph
    return points


def _phase(drawn: Any, phase: Phase) -> None:
    ends = [_ms(phase.since), _ms(phase.until)]
    for level, stroke in (
        (phase.centre, "solid"),
        (phase.lower, "dashed"),
        (phase.upper, "dashed"),
    ):
        if level is not None:
            drawn.line(
                ends, [level, level], line_color=theme.ACCENT, line_dash=stroke, line_width=1.6,
                name="control limit" if stroke == "dashed" else "centre",
            )  # fmt: skip


def _out(drawn: Any, points: Sequence[Point]) -> None:
    """Frame the points beyond a control limit, as the control charts do with a diamond."""
    if points:
        drawn.scatter(
            [_ms(point.when) for point in points], [point.value for point in points],
            marker="diamond", size=18, fill_alpha=0, line_color=theme.mark_of("fail").colour,
            line_width=2, name="out of control",
        )  # fmt: skip


def _ms(when: datetime) -> float:
    return when.timestamp() * 1000


def _said(point: Point, unit: str) -> str:
    known = f" ± {theme.number(point.uncertainty, 2)}" if point.uncertainty else ""
    return f"{theme.number(point.value, 4)}{known} {unit}"


def _include(drawn: Any, shown: Courses) -> None:
    """See to it that limits are in sight also where all points keep far from them."""
    from bokeh.models import Range1d

    ends = [limit for limit in (shown.low, shown.high) if limit is not None]
    if not ends or shown.is_logarithmic:
        return
    ends += [
        point.value + sign * (point.uncertainty or 0.0)
        for course in shown.courses for point in course.points for sign in (-1, 1)
    ]  # fmt: skip
    margin = 0.08 * ((max(ends) - min(ends)) or 1.0)
    drawn.y_range = Range1d(start=min(ends) - margin, end=max(ends) + margin)
