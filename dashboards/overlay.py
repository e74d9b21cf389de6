"""The overlay page: chosen spectra in one picture, with the limits they are judged by."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, cast, get_args

from markupsafe import Markup
from speclake_dashboards import crowd, curves, theme, zoom
from speclake_dashboards.address import Address, BadAddress, link
from speclake_dashboards.background import work_apart
from speclake_dashboards.border import caught
from speclake_dashboards.cautions import TOLD_BY, cautions
from speclake_dashboards.limits import HATCH_WORDS, Drawable, limits_of
from speclake_dashboards.matching import Matched, Units, difference, in_units, units_of
from speclake_dashboards.query import ENTRIES, asked, in_words, name_of
from speclake_dashboards.theme import View, moment, render

from speclake.specs.model import Specification
from speclake.specs.verdicts import SEVERITY, Outcome
from speclake.units import AxisUnit, ValueUnit

if TYPE_CHECKING:
    import polars

    from speclake.api import Archive

MOST_SPECTRA = 100_000
MOST_CHOSEN = 100
"""Failed spectra drawn as lines over a density."""
LISTED = 50
"""Spectra listed one by one beside the picture."""
MOST_KINDS = 12
"""Products, orders and customers whose specifications are drawn."""


@dataclass(frozen=True)
class Request:
    """What the address asks for; `entries` name the spectra, for links that keep them."""

    entries: Mapping[str, Any]
    minus: str | None
    axis_unit: AxisUnit | None
    unit: ValueUnit | None
    is_whole: bool = False
    """Whether the view begins with the whole spectrum even where there are limits."""


def page(archive: "Archive", address: Address) -> View:
    """Picture, text and table of the spectra that the address names, one by one or by a query."""
    address.only(ENTRIES | {"ids", "minus", "axis", "unit", "view"})
    request = request_of(address)
    ids = address.ids()
    if not request.entries:
        return View("Overlay", (render("overlay_empty.html", asked=False),), "overlay")
    archive.refresh()
    query: dict[str, Any] = {"ids": ids, "withdrawn": "show", "superseded": "show"}
    if not ids:
        query = asked(address, archive.settings.zone)
    table = archive.find(**query, sort="trusted_at", descending=True, limit=MOST_SPECTRA)
    held = set(table["measurement_id"]) if ids else set()
    remarks = [f"The archive holds no measurement {key}." for key in ids if key not in held]
    if table.height == 0:
        return View("Overlay", (render("overlay_empty.html", asked=True),), "overlay")
    draw = _crowd if table.height > curves.MOST_LINES else _lines
    return View("Overlay", draw(archive, table, request, remarks), "overlay")


def request_of(address: Address) -> Request:
    """What an address asks for.

    Raises
    ------
    speclake_dashboards.address.BadAddress
        It asks for something impossible.
    """
    minus = address.ids("minus")
    if len(minus) > 1:
        raise BadAddress("The address names more than one spectrum to take the difference to.")
    axis = address.choice("axis", ["", *get_args(AxisUnit)], "")
    unit = address.choice("unit", ["", *get_args(ValueUnit)], "")
    ids = address.ids()
    return Request(
        entries={"ids": ids} if ids else address.entries(ENTRIES),
        minus=minus[0] if minus else None,
        axis_unit=cast(AxisUnit, axis) if axis else None,
        unit=cast(ValueUnit, unit) if unit else None,
        is_whole=address.choice("view", ("limits", "whole"), "limits") == "whole",
    )


def captions_of(table: "polars.DataFrame", zone: Any) -> dict[str, curves.Caption]:
    """What the picture says of each row of a table of measurements."""
    return {
        row["measurement_id"]: curves.Caption(
            name=name_of(row),
            detail=", ".join(
                filter(None, (row["product"], row["lot"], moment(row["trusted_at"], zone)))
            ),
            outcome=row["outcome"],
        )
        for row in table.iter_rows(named=True)
    }


def _lines(
    archive: "Archive", table: "polars.DataFrame", request: Request, remarks: list[str]
) -> tuple[Any, ...]:
    """Form, picture with a line for each spectrum, and text."""
    captions = captions_of(table, archive.settings.zone)
    sets = archive.spectra(table["measurement_id"].to_list())
    units = units_of(sets, request.axis_unit, request.unit)
    matched = in_units(sets, units)
    drawable = Drawable(())
    if request.minus is None:
        drawable = limits_of(specifications_for(archive, table), units)
    else:
        matched = _difference(matched, request.minus)
    keys = [key for each in matched.sets for key in each.keys]
    remarks = [*remarks, *matched.remarks, *drawable.remarks]
    accepted = archive.accepted(keys[:LISTED])
    text = _text(archive, table, keys, units, drawable, remarks, accepted)
    form = _form(request, captions)
    if not keys:
        return (form, text)
    of = "difference in " if request.minus else ""
    near = curves.span_near(matched.sets, drawable.limits)
    view = None if request.is_whole else near
    figure = curves.curves(matched.sets, captions, drawable.limits, of=of, view=view)
    if len(keys) > curves.MOST_CURVES:
        zoom.follow_lines(figure, matched.sets)
    switch = () if near is None else (_switch(request),)
    return (form, *switch, theme.live_picture(figure), text)


def _switch(request: Request) -> Markup:
    """Link between the view near the limits and that of the whole spectrum."""
    kept = {
        **request.entries,
        "minus": request.minus,
        "axis": request.axis_unit,
        "unit": request.unit,
        "view": None if request.is_whole else "whole",
    }
    return render("overlay_view.html", is_near=not request.is_whole, other=link("overlay", kept))


def _difference(matched: Matched, minus: str) -> Matched:
    try:
        taken = difference(matched.sets, minus)
    except KeyError as error:
        raise BadAddress(
            f"The difference is asked to {minus}, which is not among the spectra drawn."
        ) from error
    return Matched(taken.sets, matched.remarks + taken.remarks)


def _crowd(
    archive: "Archive", table: "polars.DataFrame", request: Request, remarks: list[str]
) -> tuple[Any, ...]:
    """Form at once; picture and text as soon as all spectra are read."""
    import panel as pn

    if request.minus is not None:
        raise BadAddress(f"A difference is drawn for up to {curves.MOST_LINES:,} spectra.")
    waiting = theme.live_text(render("overlay_waiting.html", count=table.height))
    place = pn.Column(waiting, sizing_mode="stretch_width", margin=0)

    def draw() -> tuple[Any, ...]:
        picture, text = crowd_picture(archive, table, request, remarks)
        return (*([picture] if picture else []), text)

    def show(pieces: tuple[Any, ...]) -> None:
        place[:] = [
            theme.live_text(piece) if isinstance(piece, Markup) else theme.live_picture(piece)
            for piece in pieces
        ]

    document = pn.state.curdoc
    pn.state.onload(
        lambda: work_apart(document, lambda: caught(draw, lambda message: (message,)), show)
    )
    return (_form(request, {}), place)


def crowd_picture(
    archive: "Archive", table: "polars.DataFrame", request: Request, remarks: Sequence[str] = ()
) -> tuple[Any, Markup]:
    """Density of more spectra than lines can show, failed ones on top as lines; and its text."""
    units = crowd.units_for(archive, table, request.axis_unit, request.unit)
    drawable = limits_of(specifications_for(archive, table), units)
    seen = crowd.crowd_of(archive, table, units)
    said = [*remarks, *seen.remarks, *drawable.remarks]
    text = _text(archive, table, (), units, drawable, said)
    if seen.picture is None:
        return None, text
    failed = table.filter(table["outcome"] == str(Outcome.FAIL)).head(MOST_CHOSEN)
    chosen = in_units(archive.spectra(failed["measurement_id"].to_list()), units).sets
    captions = captions_of(failed, archive.settings.zone)
    figure = curves.crowd(seen.picture, units, chosen, captions, drawable.limits)
    if seen.kept:
        zoom.follow_density(figure, seen.kept)
    return figure, text


def specifications_for(archive: "Archive", table: "polars.DataFrame") -> list[Specification]:
    """Specifications that the spectra of a table are judged by, each once."""
    kinds = table.unique(("product", "order_number", "customer"), keep="first", maintain_order=True)
    found: dict[str, Specification] = {}
    for key in kinds["measurement_id"].head(MOST_KINDS):
        for specification in archive.specifications_for(key):
            found.setdefault(specification.version, specification)
    return list(found.values())


def _form(request: Request, captions: Mapping[str, curves.Caption]) -> Markup:
    return render(
        "overlay_form.html",
        entries={
            name: ",".join(value) if isinstance(value, tuple) else value
            for name, value in request.entries.items()
        },
        request=request,
        names=[(key, caption.name) for key, caption in list(captions.items())[:LISTED]],
        axes=get_args(AxisUnit),
        units=get_args(ValueUnit),
        phrases=in_words({n: v for n, v in request.entries.items() if n != "ids"}),
    )


def _text(
    archive: "Archive",
    table: "polars.DataFrame",
    drawn: Sequence[str],
    units: Units,
    drawable: Drawable,
    remarks: Sequence[str],
    accepted: Mapping[str, str] = MappingProxyType({}),
) -> Markup:
    """The picture in words and as a table, for those who cannot see it."""
    counts = Counter(table["outcome"].to_list())
    marked = dict.fromkeys((limit.words, limit.pattern) for limit in drawable.limits)
    is_single = len(drawn) <= curves.MOST_CURVES
    strokes = {key: curves.stroke_of(i) for i, key in enumerate(drawn)} if is_single else {}
    return render(
        "overlay_text.html",
        count=table.height,
        most=MOST_SPECTRA,
        outcomes=[(o, counts[o]) for o in (*SEVERITY, None) if counts[o]],
        units=units,
        limits=[(words, HATCH_WORDS[pattern % len(HATCH_WORDS)]) for words, pattern in marked],
        remarks=remarks,
        rows=_listed(table, drawn, strokes, accepted, archive.settings.zone),
        listed=LISTED,
        is_crowd=table.height > curves.MOST_LINES,
        cautions=cautions(
            table.unique(TOLD_BY).iter_rows(named=True), units.unit, drawable.judged_in
        ),
    )


def _listed(
    table: "polars.DataFrame",
    drawn: Sequence[str],
    strokes: Mapping[str, tuple[str, str]],
    accepted: Mapping[str, str],
    zone: tzinfo | None,
) -> list[dict[str, Any]]:
    """Rows of the list beside the picture, in the order of drawing."""
    by_key = {row["measurement_id"]: row for row in table.head(1000).iter_rows(named=True)}
    return [
        {
            "row": by_key[key],
            "name": name_of(by_key[key]),
            "when": moment(by_key[key]["trusted_at"], zone),
            "accepted": accepted.get(key, ""),
            "stroke": strokes.get(key) or theme.mark_of(by_key[key]["outcome"]).line,
        }
        for key in drawn[:LISTED]
    ]
