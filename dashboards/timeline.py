"""Picture of how an instrument stood over time: states, runs of its checks, and work on it."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from speclake_dashboards import theme

from speclake.specs.verdicts import Outcome

FIT, UNFIT, UNKNOWN = "fit", "unfit", "unknown"
ROW_HEIGHT, STRIP_HALF, MOST_HEIGHT = 46, 0.16, 900
RUN_SIZE = 10
MOST_TICKS = 5
"""Dates along the axis: more would run into one another on a phone."""
MARKERS = {
    Outcome.PASS: "circle",
    Outcome.FAIL: "diamond",
    Outcome.UNDECIDED: "circle_dot",
    Outcome.NOT_MEASURABLE: "circle_x",
}
LOOKS: dict[str, dict[str, Any]] = {
    FIT: {"fill_color": theme.ACCENT, "fill_alpha": 0.28, "line_color": theme.ACCENT},
    UNFIT: {
        "fill_color": theme.FORBIDDEN, "fill_alpha": 0.16, "line_color": theme.FORBIDDEN,
        "hatch_pattern": "right_diagonal_line", "hatch_color": theme.FORBIDDEN,
        "hatch_alpha": 0.9, "hatch_scale": 7,
    },
    UNKNOWN: {
        "fill_color": theme.PAPER, "fill_alpha": 1.0, "line_color": theme.QUIET_INK,
        "line_dash": [3, 3],
    },
}  # fmt: skip
LOOK_WORDS = {FIT: "filled", UNFIT: "hatched", UNKNOWN: "empty with a broken edge"}


@dataclass(frozen=True)
class Strip:
    """A stretch of time in one state, with the reason in words."""

    since: datetime
    until: datetime
    state: str
    reason: str


@dataclass(frozen=True)
class Run:
    """One run of a check: when, what it said, and the measurement behind it."""

    when: datetime
    outcome: Outcome
    text: str
    key: str = ""


@dataclass(frozen=True)
class Row:
    """One line of the picture: a configuration with its states, or a check with its runs."""

    name: str
    strips: tuple[Strip, ...] = ()
    runs: tuple[Run, ...] = ()


@dataclass(frozen=True)
class Work:
    """An entry of the instrument's log, drawn with its number through all lines."""

    number: int
    when: datetime
    text: str


@dataclass(frozen=True)
class Timeline:
    """What the picture shows from `start` to `stop`, from top to bottom."""

    rows: tuple[Row, ...]
    start: datetime
    stop: datetime
    works: tuple[Work, ...] = ()


def clipped(strips: Sequence[Strip], start: datetime, stop: datetime) -> tuple[Strip, ...]:
    """Strips inside a span, those outside left out and the others cut at its ends."""
    return tuple(
        Strip(max(each.since, start), min(each.until, stop), each.state, each.reason)
        for each in strips
        if each.since < stop and each.until > start
    )


def picture(shown: Timeline) -> Any:
    """Bokeh figure of a timeline: one line of about 46 pixels each."""
    from bokeh.models import Range1d
    from bokeh.plotting import figure

    count = len(shown.rows)
    drawn: Any = figure(
        height=min(ROW_HEIGHT * count + 70, MOST_HEIGHT),
        sizing_mode="stretch_width",
        x_axis_type="datetime",
        x_range=Range1d(start=_ms(shown.start), end=_ms(shown.stop)),
        y_range=Range1d(start=-0.5, end=count - 0.3),
        tools="xpan,xbox_zoom,xwheel_zoom,reset,save",
        active_scroll=None,
        active_drag="xbox_zoom",
    )
    theme.quiet(drawn)
    drawn.xaxis.ticker.desired_num_ticks = MOST_TICKS
    drawn.yaxis.visible = False
    drawn.ygrid.visible = False
    strips, runs = [], []
    for number, row in enumerate(shown.rows):
        height = count - 1 - number
        strips += _strips(drawn, row, height)
        runs += _runs(drawn, row, height)
        _name(drawn, row, height)
    _works(drawn, shown.works, count)
    speaking(drawn, strips, [("", "@reason")])
    speaking(drawn, runs, [("", "@text")])
    return drawn


def speaking(drawn: Any, renderers: list[Any], tips: list[tuple[str, str]]) -> None:
    """Tell of what lies under the pointer, and open the measurement behind it on a click.

    Only what has a column ``key`` can be opened.
    """
    from bokeh.models import HoverTool, OpenURL, TapTool

    hover = HoverTool(renderers=renderers, tooltips=tips, visible=False)
    hover.formatters = {"@when": "datetime"}
    drawn.add_tools(hover)
    opened = [each for each in renderers if "key" in each.data_source.data]
    if opened:
        callback = OpenURL(url="measurement?id=@key", same_tab=True)
        drawn.add_tools(TapTool(renderers=opened, callback=callback, visible=False))


def _strips(drawn: Any, row: Row, height: float) -> list[Any]:
    boxes = []
    for state, look in LOOKS.items():
        held = [each for each in row.strips if each.state == state]
        if not held:
            continue
        boxes.append(
            drawn.quad(
                left="left", right="right", bottom="bottom", top="top", name=state, **look,
                source={
                    "left": [_ms(each.since) for each in held],
                    "right": [_ms(each.until) for each in held],
                    "bottom": [height - STRIP_HALF] * len(held),
                    "top": [height + STRIP_HALF] * len(held),
                    "reason": [f"{each.state}: {each.reason}" for each in held],
                },
            )
        )  # fmt: skip
    return boxes


def _runs(drawn: Any, row: Row, height: float) -> list[Any]:
    marks = []
    for outcome in dict.fromkeys(run.outcome for run in row.runs):
        held = [run for run in row.runs if run.outcome is outcome]
        mark = theme.mark_of(outcome)
        is_filled = outcome in (Outcome.PASS, Outcome.FAIL)
        points = drawn.scatter(
            x="when", y="height", marker=MARKERS.get(outcome, "circle"), name=f"runs: {outcome}",
            size=RUN_SIZE + (4 if outcome is Outcome.FAIL else 0), line_color=mark.colour,
            fill_color=mark.colour if is_filled else theme.PAPER,
            source={
                "when": [_ms(run.when) for run in held],
                "height": [height] * len(held),
                "text": [run.text for run in held],
                "key": [run.key for run in held],
            },
        )  # fmt: skip
        points.nonselection_glyph = points.glyph
        marks.append(points)
    return marks


def _name(drawn: Any, row: Row, height: float) -> None:
    """Name of a line above it, so that no room is lost beside the picture on a phone."""
    from bokeh.models.annotations import Label

    drawn.add_layout(
        Label(
            x=4, x_units="screen", y=height + STRIP_HALF + 0.04, text=row.name,
            text_color=theme.INK, text_font_size="12px",
            text_font_style="bold" if row.strips else "normal",
        )
    )  # fmt: skip


def _works(drawn: Any, works: Sequence[Work], count: int) -> None:
    from bokeh.models.annotations import Label, Span

    for work in works:
        drawn.add_layout(
            Span(
                location=_ms(work.when), dimension="height", line_color=theme.QUIET_INK,
                line_dash=[2, 3], line_width=1.2, name="work",
            )
        )  # fmt: skip
        drawn.add_layout(
            Label(
                x=_ms(work.when), y=count - 0.55, text=f" {work.number}",
                text_color=theme.QUIET_INK, text_font_size="12px", text_font_style="bold",
            )
        )  # fmt: skip


def _ms(when: datetime) -> float:
    return when.timestamp() * 1000
