"""The bench page: for each instrument the last scan, its verdict, and what the part still lacks."""

from collections.abc import Mapping, Sequence
from datetime import tzinfo
from typing import TYPE_CHECKING, Any

from markupsafe import Markup
from speclake_dashboards import findings, indoubt, standing
from speclake_dashboards.address import Address, link
from speclake_dashboards.cautions import TOLD_BY, cautions
from speclake_dashboards.conflicts import conflicts
from speclake_dashboards.live import as_of_now, renewed
from speclake_dashboards.query import NAMED_BY, name_of
from speclake_dashboards.theme import View, moment, render
from speclake_dashboards.verdicts import Explained, explained_by_measurement, reasons_once

from speclake.api.concessions import today_in
from speclake.api.parts import ids_behind
from speclake.checks import Check
from speclake.errors import NotFound
from speclake.specs.verdicts import Outcome

if TYPE_CHECKING:
    from speclake.api import Archive
    from speclake.api.bench import BenchView
    from speclake.api.parts import PartReport

PERIOD_MS = 1_000
OF_STATE = frozenset({str(Check.UNFIT), str(Check.STATE_UNKNOWN)})


def page(archive: "Archive", address: Address) -> View:
    """Large text that renews itself, of all instruments or of the one that the address names."""
    address.only({"instrument"})
    instrument = address.text("instrument")

    def told() -> Markup:
        # a concession may end with the day
        question = ("bench", instrument, today_in(archive.settings.zone))
        return as_of_now(archive, question, lambda: _benches(archive, instrument))

    now = renewed(told, PERIOD_MS)
    return View(f"Bench: {instrument}" if instrument else "Bench", (now,), "bench")


def _benches(archive: "Archive", instrument: str | None) -> Markup:
    views = archive.bench()
    if instrument is not None:
        names = [view.instrument for view in views]
        views = [view for view in views if view.instrument == instrument]
        if not views:
            known = ", ".join(repr(name) for name in names) or "none yet"
            raise NotFound(f"No scan of an instrument {instrument!r} has come in; known: {known}.")
    zone = archive.settings.zone
    said = explained_by_measurement(archive, [view.measurement.measurement_id for view in views])
    disputed = conflicts(archive)
    rows = [{name: getattr(view.measurement, name) for name in TOLD_BY} for view in views]
    benches = [
        _bench(archive, view, said, zone)
        | {"conflicts": disputed.get(view.measurement.measurement_id, [])}
        for view in views
    ]
    checks = {note.check for each in benches for note in each["notes"]}
    return render(
        "bench.html",
        benches=benches,
        state_badge=standing.state_badge,
        cautions=cautions(rows, judged_in=_units(views), checks=checks),
    )


def _units(views: "list[BenchView]") -> set[str]:
    """Units of the verdicts that are shown: of the parts, and so of their scans."""
    specs = [each.specification for view in views if view.part for each in view.part.specs]
    return {each.unit for spec in specs for each in spec.requirements}


def _bench(
    archive: "Archive",
    view: "BenchView",
    all_said: Mapping[str, list[Explained]],
    zone: tzinfo | None,
) -> dict[str, Any]:
    found = view.measurement
    said = all_said.get(found.measurement_id, [])
    notes = findings.notes(archive.findings([found.measurement_id]).to_dicts(), found.axis_unit)
    states = standing.at_scan(archive, found)
    reasons = [each.reason for each in said if each.outcome is Outcome.NOT_MEASURABLE]
    return {
        "instrument": view.instrument,
        "only": link("bench", {"instrument": view.instrument}),
        "name": name_of({n: getattr(found, n) for n in NAMED_BY}),
        "kind": str(found.kind),
        "where": ", ".join(filter(None, (found.product, found.lot, found.stage, found.side))),
        "address": link("measurement", {"id": found.measurement_id}),
        "when": moment(found.trusted_at, zone),
        "outcome": view.outcome,
        "said": reasons_once([each for each in said if each.outcome is not Outcome.PASS]),
        "passed": [each for each in said if each.outcome is Outcome.PASS],
        # the state as it is known now stands beside the verdicts
        "notes": [note for note in notes if not (states and note.check in OF_STATE)],
        "states": [
            each
            | {"reason": "" if any(each["reason"] in said for said in reasons) else each["reason"]}
            for each in states
        ],
        "in_doubt": indoubt.open_failures(archive, view.instrument),
        "unresolved": found.unresolved,
        "conflict": found.conflict,
        "part": _part(archive, view.part, reasons) if view.part else None,
    }


def _part(archive: "Archive", part: "PartReport", told: Sequence[str]) -> dict[str, Any]:
    concessions = archive.concessions(ids_behind([part]))
    return {
        "name": part.part,
        "address": link("overlay", {"ids": part.measurement_ids}),
        "spectra": len(part.measurement_ids),
        "set_aside": part.set_aside,
        "specs": [
            {
                "name": each.specification.name,
                "outcome": each.verdict.outcome,
                "accepted": concessions.accepts(each.verdict.deciding, part.part),
                "missing": each.verdict.missing,
                "reasons": [
                    _shortened(reason, told)
                    for reason in each.verdict.reasons
                    if not reason.startswith("missing: ")
                ],
                "remarks": each.verdict.remarks,
            }
            for each in part.specs
        ],
    }


def _shortened(reason: str, told: Sequence[str]) -> str:
    """Reason of a part's outcome without what a verdict of its scan tells above."""
    for each in filter(None, told):
        reason = reason.replace(f"because {each}", "for the reason told above")
    return reason
