"""How every page looks: colours, marks, the frame around a page, and the look of a plot."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from functools import cache
from importlib.resources import files
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from speclake_dashboards.address import link

from speclake.judging.pictures import looks
from speclake.specs.verdicts import Outcome

PAGES = {
    "search": "Search",
    "overlay": "Overlay",
    "lot": "Lots",
    "chart": "Control chart",
    "bench": "Bench",
    "instruments": "Instruments",
    "specs": "Specifications",
    "intake": "Intake",
}
"""Address of each page in the navigation bar and the word that stands there."""

# an edge between a stop and a pass band
ICON = (
    "data:image/svg+xml,%3Csvg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 32 32'%3E"
    "%3Crect width='32' height='32' rx='7' fill='%230a6a66'/%3E%3Cpath d='M4 24h8c4 0 3-16 7-16h9'"
    " fill='none' stroke='white' stroke-width='3' stroke-linecap='round'/%3E%3C/svg%3E"
)
INVENTED = "All data on this page are invented."

INK, QUIET_INK, RULE = looks.INK, looks.QUIET_INK, looks.RULE
PAPER, ACCENT, FORBIDDEN = looks.PAPER, looks.ACCENT, looks.FORBIDDEN

# eight hues that stay apart in the three common colour vision deficiencies (after Okabe and Ito,
# Color Universal Design, 2008), dark enough for a line on white; strokes tell them apart as well
LINE_COLOURS = (
    "#0072b2",
    "#c2500a",
    "#00806a",
    "#8a4f8c",
    "#946a00",
    "#2d2d2d",
    "#3d8fc4",
    "#b03060",
)
LINE_COLOUR_WORDS = (
    "blue", "orange", "green", "purple", "ochre", "black", "light blue", "crimson",
)  # fmt: skip
LONG_DASHES = "14 4"
"""Lengths of stroke and gap; the name ``dotdash`` would look as ``dashdot`` does."""
LINE_STROKES = ("solid", "dashed", "dotted", "dashdot", LONG_DASHES)
STROKE_WORDS = {
    "solid": "solid",
    "dashed": "dashes",
    "dotted": "dots",
    "dashdot": "dashes and dots",
    LONG_DASHES: "long dashes",
}


@dataclass(frozen=True)
class Mark:
    """How an outcome is shown: a word, a colour and a shape that says the same without colour."""

    word: str
    colour: str
    shape: str
    """Inside of an SVG of 16 × 16 units, drawn in the current colour."""
    stroke: str
    """Stroke of a line in a plot."""

    @property
    def line(self) -> tuple[str, str]:
        """Colour and stroke of a line in a plot."""
        return self.colour, self.stroke


MARKS = {
    Outcome.PASS: Mark(
        "pass", "#1c5d99", '<circle cx="8" cy="8" r="6" fill="currentColor"/>', "solid"
    ),
    Outcome.FAIL: Mark(
        "fail", "#a83c06", '<path d="M8 1 15 8 8 15 1 8Z" fill="currentColor"/>', "dashed"
    ),
    Outcome.UNDECIDED: Mark(
        "undecided", "#745600",
        '<circle cx="8" cy="8" r="6" fill="none" stroke="currentColor" stroke-width="2"/>'
        '<path d="M8 2a6 6 0 0 1 0 12Z" fill="currentColor"/>', "dashdot",
    ),
    Outcome.NOT_MEASURABLE: Mark(
        "not measurable", "#545e69",
        '<circle cx="8" cy="8" r="6" fill="none" stroke="currentColor" stroke-width="2"/>'
        '<path d="M3.8 12.2 12.2 3.8" stroke="currentColor" stroke-width="2"/>', "dotted",
    ),
    Outcome.INCOMPLETE: Mark(
        "incomplete", "#674488",
        '<path d="M8 2a6 6 0 1 1-6 6" fill="none" stroke="currentColor" stroke-width="2.4"/>',
        LONG_DASHES,
    ),
    Outcome.LAPSED: Mark(
        "lapsed", "#6b5d4f",
        '<circle cx="8" cy="8" r="6" fill="none" stroke="currentColor" stroke-width="2"'
        ' stroke-dasharray="2 2.7"/>', "solid",
    ),
}  # fmt: skip
NO_VERDICT = Mark(
    "not judged", "#545e69", '<path d="M3 8h10" stroke="currentColor" stroke-width="2"/>', "solid"
)


def mark_of(outcome: object) -> Mark:
    """Mark of an outcome, whether given as `Outcome`, as its word, or absent."""
    return MARKS[Outcome(str(outcome))] if outcome else NO_VERDICT


def badge(outcome: object, text: str | None = None) -> Markup:
    """Shape and word of an outcome."""
    mark = mark_of(outcome)
    return Markup(
        '<span class="mark" style="color:{}"><svg viewBox="0 0 16 16" aria-hidden="true">{}</svg>'
        "{}</span>"
    ).format(mark.colour, Markup(mark.shape), text or mark.word)


_DASHES = {
    "solid": "none",
    "dashed": "6",
    "dotted": "2 4",
    "dotdash": "2 4 6 4",
    "dashdot": "6 4 2 4",
    LONG_DASHES: LONG_DASHES,
}


def swatch(colour: str, stroke: str) -> Markup:
    """Short piece of a line as it looks in a picture."""
    return Markup(
        '<svg class="swatch" viewBox="0 0 48 10" aria-hidden="true"><path d="M0 5h48" fill="none"'
        ' stroke="{}" stroke-width="3" stroke-dasharray="{}"/></svg>'
    ).format(colour, _DASHES[stroke])


def line_words(colour: str, stroke: str) -> str:
    """Look of a line in words."""
    named = dict(zip(LINE_COLOURS, LINE_COLOUR_WORDS, strict=True))
    return ", ".join(filter(None, (named.get(colour), STROKE_WORDS[stroke])))


def moment(value: datetime | None, zone: tzinfo | None = None) -> str:
    """Time as a person reads it, in the archive's zone, which is named."""
    if value is None:
        return "unknown"
    local = value.astimezone(zone or UTC)
    return f"{local:%Y-%m-%d %H:%M:%S} {local.tzname()}"


def number(value: float | None, digits: int = 6) -> str:
    """Number for a table, with a true minus sign."""
    if value is None or value != value:
        return "–"
    return f"{value:.{digits}g}".replace("-", "−")


def sentence(text: str) -> str:
    """Text that begins with a capital and ends with one full stop."""
    return f"{text[:1].upper()}{text[1:].rstrip('.')}."


@cache
def _environment() -> Environment:
    # what users wrote reaches a page through these templates only, and is escaped there
    environment = Environment(
        loader=PackageLoader("speclake_dashboards"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals.update(badge=badge, line_words=line_words, link=link, swatch=swatch)
    environment.filters.update(number=number, sentence=sentence)
    return environment


def render(template: str, **facts: Any) -> Markup:
    """Text of a template with the facts put in, each escaped."""
    return Markup(_environment().get_template(template).render(**facts))


@cache
def style() -> str:
    """The style sheet, which goes into each page and each live part of one."""
    return files("speclake_dashboards").joinpath("style.css").read_text("utf-8")


@dataclass(frozen=True)
class View:
    """What a page shows.

    Parameters
    ----------
    title : heading and title of the page.
    pieces : text as `Markup` and live Panel objects, from top to bottom.
    page : address of the page in the navigation bar.
    """

    title: str
    pieces: tuple[Any, ...]
    page: str


def framed(view: View, archive_name: str, *, invented: bool) -> Any:
    """Panel template of a view: navigation bar, banner, heading, and the pieces below."""
    import panel as pn

    live: Mapping[str, Any] = {
        f"live{i}": piece for i, piece in enumerate(view.pieces) if not isinstance(piece, str)
    }
    pieces = [f"live{i}" if f"live{i}" in live else piece for i, piece in enumerate(view.pieces)]
    source, _, _ = _environment().loader.get_source(_environment(), "frame.html")  # type: ignore[union-attr]  # set above
    template = pn.Template(source, items=dict(live))
    facts = {
        "app_favicon": ICON,
        "apple_icon": ICON,
        "heading": Markup.escape(view.title),
        "archive_name": Markup.escape(archive_name),
        "banner": INVENTED if invented else "",
        "pages": PAGES,
        "here": view.page,
        "style": style(),
        "pieces": pieces,
        "live": live,
    }
    for name, fact in facts.items():
        template.add_variable(name, fact)
    return template


FONT = '16px/1.5 system-ui, "Segoe UI", "Noto Sans", "Liberation Sans", sans-serif'
"""Font of live parts, which a style of Bokeh would else set."""


def live_text(text: Markup) -> Any:
    """Panel object whose text can change while the page is open."""
    import panel as pn

    # a plain string: Panel would escape the markup of an object that knows how to show itself
    pane: Any = pn.pane.HTML
    return pane(
        str(text), stylesheets=[style()], sizing_mode="stretch_width", margin=0,
        styles={"font": FONT},
    )  # fmt: skip


def live_picture(picture: Any) -> Any:
    """Panel object of a Bokeh figure or a HoloViews element, on a sheet of its own."""
    import panel as pn

    return pn.Column(
        pn.panel(picture, sizing_mode="stretch_width", margin=0),
        sizing_mode="stretch_width",
        margin=0,
        styles={
            "background": PAPER,
            "border": f"1px solid {RULE}",
            "border-radius": "13px",
            "padding": "10px",
        },
    )


def quiet(figure: Any) -> None:
    """Give a Bokeh figure the look of the pages."""
    figure.output_backend = "canvas"
    figure.toolbar.logo = None
    figure.toolbar.autohide = False
    figure.background_fill_color = figure.border_fill_color = PAPER
    figure.outline_line_color = None
    for axis in (*figure.xaxis, *figure.yaxis):
        axis.axis_line_color = axis.major_tick_line_color = QUIET_INK
        axis.minor_tick_line_color = None
        axis.major_label_text_color = axis.axis_label_text_color = INK
        axis.major_label_text_font_size = axis.axis_label_text_font_size = "13px"
        axis.axis_label_text_font_style = "normal"
    for grid in (*figure.xgrid, *figure.ygrid):
        grid.grid_line_color = RULE
        grid.grid_line_alpha = 0.7
