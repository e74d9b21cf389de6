"""The page of one measurement: everything that is known of it, and how it is known."""

import re
from collections.abc import Iterable, Sequence
from datetime import tzinfo
from typing import TYPE_CHECKING, Any

from markupsafe import Markup
from speclake_dashboards import (
    corrected,
    curves,
    findings,
    indoubt,
    standing,
    theme,
    verdict_picture,
)
from speclake_dashboards.address import Address, BadAddress, link
from speclake_dashboards.cautions import cautions
from speclake_dashboards.conflicts import conflicts
from speclake_dashboards.deskwork import ReviewDesk
from speclake_dashboards.limits import HATCH_WORDS, Drawable, limits_of
from speclake_dashboards.matching import units_of
from speclake_dashboards.query import name_of
from speclake_dashboards.theme import View, moment, number, render
from speclake_dashboards.verdicts import (
    outcomes_by_spec,
    revisions,
    whose_sentence,
    why_not_judged,
)

from speclake.api.eventwords import details_told
from speclake.measurement import PART_FIELDS, SETUP_FIELDS, Link, Measurement
from speclake.specs.verdicts import Outcome, Verdict

if TYPE_CHECKING:
    from speclake.api import Archive
    from speclake.api.explaining import Explanation
    from speclake.specs.model import Specification

FIELD_WORDS = {
    "order_number": "order",
    "coating_run": "coating run",
    "fixture_position": "place in the fixture",
    "substrate_thickness_mm": "substrate thickness (mm)",
    "x_mm": "x (mm)",
    "y_mm": "y (mm)",
    "angle_deg": "angle of incidence (°)",
    "zero_line_applied": "zero line applied",
}
_OFFSET = re.compile(r"\d(Z|[+-]\d\d:?\d\d)$", re.IGNORECASE)
STATE_FIELDS = ("correction", "bounces", "zero_line_applied", "smoothed", "clipped")


def page(archive: "Archive", address: Address) -> View:
    """Facts, picture, verdicts, findings and events of the measurement that the address names."""
    address.only({"id", "spec", "requirement"})
    key = address.ids("id")
    if len(key) != 1:
        raise BadAddress("The address names no measurement: expected one entry 'id'.")
    archive.refresh()
    found = archive.measurement(key[0])
    rows = archive.find(ids=(found.measurement_id,), withdrawn="show", superseded="show")
    row = rows.row(0, named=True)
    explanations = archive.explain(found.measurement_id)
    specifications = archive.specifications_for(found.measurement_id)
    asked = {each.unit for spec in specifications for each in spec.requirements}
    notes = findings.notes(archive.findings([found.measurement_id]).to_dicts(), found.axis_unit)
    head = render(
        "measurement_head.html",
        row=row,
        found=found,
        verdicts=_verdicts(archive, explanations),
        outcomes=outcomes_by_spec(archive, [key[0]]).get(key[0], []),
        why=why_not_judged(archive, [row])[key[0]],
        conflicts=conflicts(archive).get(key[0], []) if row["in_conflict"] else [],
        cautions=cautions(
            [row],
            judged_in=asked | {each.verdict.unit for each in explanations},
            checks={each.check for each in notes},
        ),
        overlay_part=_part_link(found),
        states=standing.at_scan(archive, found),
        in_doubt=indoubt.about(archive, found.measurement_id),
        state_badge=standing.state_badge,
        reports=archive.reports_on(key).to_dicts(),
    )
    said = render("findings.html", notes=notes, lettered=any(each.letter for each in notes))
    below = render("measurement_facts.html", found=found, **_facts(archive, found, row))
    pieces = (
        head,
        *_closer(archive, found, address),
        said,
        *_picture(archive, found, row, specifications, notes),
        *corrected.pieces(archive, found.measurement_id),
        below,
        *_review(archive, row, is_local=address.is_local),
    )
    return View(name_of(row), pieces, "measurement")


def _review(archive: "Archive", row: dict[str, Any], *, is_local: bool) -> list[Any]:
    """Where the measurement is put aside, or released."""
    key = [row["measurement_id"]]
    return ReviewDesk(archive, key, key, is_local=is_local).pieces


def _verdicts(archive: "Archive", explanations: "Sequence[Explanation]") -> list[dict[str, Any]]:
    """Each verdict in a sentence with its picture; that of the worst one is open if it failed."""
    by_version = revisions(archive)
    concessions = archive.concessions([each.verdict.measurement_id for each in explanations])
    return [
        {
            "outcome": each.verdict.outcome,
            "sentence": whose_sentence(each.sentence, each.verdict, by_version),
            "concession": concessions.said(each.verdict),
            "drawing": verdict_picture.drawing(each.picture) if each.picture else None,
            "no_picture": each.no_picture,
            "is_open": number == 0 and each.verdict.outcome is not Outcome.PASS,
            "closer": link("measurement", _closer_entries(each.verdict)),
        }
        for number, each in enumerate(explanations)
    ]


def _closer_entries(verdict: Verdict) -> dict[str, str]:
    return {
        "id": verdict.measurement_id, "spec": verdict.spec, "requirement": verdict.requirement,
    }  # fmt: skip


def _closer(archive: "Archive", found: Measurement, address: Address) -> tuple[Any, ...]:
    """Live picture of the one verdict that the address asks for; nothing where it asks for none."""
    requirement, spec = address.text("requirement"), address.text("spec")
    if requirement is None and spec is None:
        return ()
    each = archive.explain(found.measurement_id, requirement=requirement, spec=spec)[0]
    text = render(
        "measurement_closer.html",
        each=each,
        whole=link("measurement", {"id": found.measurement_id}),
    )
    if each.picture is None:
        return (text,)
    return (text, theme.live_picture(verdict_picture.figures(each.picture)))


def _picture(
    archive: "Archive",
    found: Measurement,
    row: dict[str, Any],
    specifications: "Sequence[Specification]",
    notes: Sequence[findings.Note],
) -> tuple[Any, ...]:
    sets = archive.spectra([found.measurement_id])
    if not sets:
        return (render("message.html", text="The archive has no values for this measurement."),)
    drawable = limits_of(specifications, units_of(sets))
    caption = curves.Caption(name_of(row), found.product or "", row["outcome"])
    figure = curves.curves(sets, {found.measurement_id: caption}, drawable.limits)
    span = curves.span_of(sets, drawable.limits)
    findings.draw(figure, notes, (span[0], span[1]))
    return (theme.live_picture(figure), _legend(drawable))


def _legend(drawable: Drawable) -> Markup:
    marked = dict.fromkeys((limit.words, limit.pattern) for limit in drawable.limits)
    return render(
        "limits.html",
        limits=[(words, HATCH_WORDS[pattern % len(HATCH_WORDS)]) for words, pattern in marked],
        remarks=drawable.remarks,
    )


def _part_link(found: Measurement) -> str | None:
    """Overlay of all measurements of the same part, None where it has no name."""
    part = {"lot": found.lot, "sample": found.sample, "serial": found.serial}
    return link("overlay", part) if found.sample or found.serial else None


def _facts(archive: "Archive", found: Measurement, row: dict[str, Any]) -> dict[str, Any]:
    zone = archive.settings.zone
    setup = [name for name in SETUP_FIELDS if name not in (*STATE_FIELDS, "comment")]
    return {
        "part": _fields(found, PART_FIELDS),
        "setup": _fields(found, setup),
        "state": _fields(found, STATE_FIELDS),
        "ranges": [_range(each, found.axis_unit) for each in found.ranges],
        "times": _times(found, zone),
        "links": [_link(each) for each in found.links],
        "events": [
            {
                "when": moment(event.at, zone),
                "who": event.who,
                "kind": str(event.kind),
                "why": event.why,
                "details": details_told(event),
            }
            for event in archive.events(found.measurement_id)
        ],
        "source": _source(found),
        "row": row,
    }


def _fields(found: Measurement, names: Iterable[str]) -> dict[str, Any]:
    """Word, value and origin of each known field, and the words of those that nobody stated."""
    words = {name: FIELD_WORDS.get(name, name.replace("_", " ")) for name in names}
    values = {name: getattr(found, name) for name in words}
    return {
        "known": [
            (words[name], _said(value), found.origin.get(name, ""))
            for name, value in values.items()
            if value is not None
        ],
        "unknown": [words[name] for name, value in values.items() if value is None],
    }


def _said(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return number(value, 10) if isinstance(value, float) else str(value)


def _range(each: Any, unit: str) -> str:
    words = [f"{number(each.start)} to {number(each.stop)} {unit}"]
    for value, word in (
        (each.bandwidth_nm, "bandwidth {} nm"),
        (each.interval_nm, "interval {} nm"),
        (each.response_s, "response {} s"),
    ):
        if value is not None:
            words.append(word.format(number(value)))
    return ", ".join([*words, *([f"detector {each.detector}"] if each.detector else [])])


def _times(found: Measurement, zone: tzinfo | None) -> list[tuple[str, str]]:
    scanned = moment(found.scanned_at, zone)
    if found.scanned_text:
        scanned += f" (read as {found.scanned_text}, {_zone_words(found.scanned_text, zone)})"
    return [
        ("scanned", scanned),
        ("saved", moment(found.saved_at, zone)),
        ("arrived", moment(found.arrived_at, zone)),
        ("trusted", f"{moment(found.trusted_at, zone)}: {found.trusted_time}"),
    ]


def _zone_words(text: str, zone: tzinfo | None) -> str:
    """Where the time zone of a scan time comes from, in words."""
    if _OFFSET.search(text):
        return "with the zone that the header or its format states"
    return f"with the zone of the settings, {zone}" if zone else "with no zone stated"


def _link(each: Link) -> dict[str, str | None]:
    return {
        "kind": str(each.kind),
        "target": each.target,
        "address": None if each.by_name else link("measurement", {"id": each.target}),
        "evidence": each.evidence,
    }


def _source(found: Measurement) -> list[tuple[str, str]]:
    reader = f"{found.importer} {found.importer_version}"
    if found.format:
        reader += f", format {found.format}"
    return [
        ("file", found.file),
        ("place in it", found.place or "the whole file"),
        ("read by", reader),
        ("values", f"{found.quantity} in {found.unit}, {found.points} points"),
        ("axis", f"{number(found.axis_first)} to {number(found.axis_last)} {found.axis_unit}"
                 f"{', in ' + found.medium if found.medium else ', nobody said air or vacuum'}"),
        ("listed", found.scan_direction),
        ("identifier", found.measurement_id),
        ("SHA-256 of the scan", found.scan_sha256),
    ]  # fmt: skip
