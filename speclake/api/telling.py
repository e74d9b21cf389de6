"""A measurement or a lot told in words and values, for the command line and for programs."""

from dataclasses import fields
from datetime import tzinfo
from typing import TYPE_CHECKING, Any

from speclake.api.concessions import Concessions
from speclake.api.eventwords import details_told
from speclake.api.parts import PartReport, ids_behind
from speclake.archive.rows import EventRow
from speclake.intake.verdicts import current_verdicts
from speclake.judging import LotVerdict, explain
from speclake.measurement import Measurement

if TYPE_CHECKING:
    from speclake.api.archive import Archive

_LISTED_APART = frozenset({"header", "origin", "links", "ranges", "notes", "unresolved"})


def measurement_told(archive: "Archive", measurement_id: str) -> dict[str, Any]:
    """Everything known of a measurement: fields, where each came from, verdicts, events."""
    m = archive.measurement(measurement_id)
    told: dict[str, Any] = {
        each.name: getattr(m, each.name) for each in fields(Measurement)
        if each.name not in _LISTED_APART
    }  # fmt: skip
    told["notes"] = list(m.notes)
    told["unresolved"] = list(m.unresolved)
    told["origin"] = [f"{name}: {source}" for name, source in m.origin.items()]
    told["links"] = [f"{link.kind} {link.target} ({link.evidence})" for link in m.links]
    told["ranges"] = [
        f"{r.start:g} to {r.stop:g} {m.axis_unit}, bandwidth {r.bandwidth_nm} nm" for r in m.ranges
    ]
    verdicts = current_verdicts(archive.store.catalog, [measurement_id])
    concessions = archive.concessions([measurement_id])
    told["verdicts"] = [
        " – ".join(filter(None, (explain(v), concessions.said(v)))) for v in verdicts
    ]
    told["findings"] = archive.findings([measurement_id])["text"].to_list()
    row = archive.store.catalog.row(measurement_id)
    told["review"] = f"{row['review_by']}: {row['review_why']}" if row["in_review"] else None
    told["reports"] = [
        f"{each['report']} for {each['customer']}, "
        f"{each['at'].astimezone(archive.settings.zone):%Y-%m-%d}"
        for each in archive.reports_on([measurement_id]).to_dicts()
    ]
    told["events"] = [
        _event(each, archive.settings.zone) for each in archive.events(measurement_id)
    ]
    told["header"] = [f"{key}: {value}" for key, value in m.header.items()]
    return told


def _event(event: EventRow, zone: tzinfo | None) -> str:
    """An event in a line, in the lab's time."""
    details = details_told(event)
    what = f"{event.kind} ({details})" if details else str(event.kind)
    return f"{event.at.astimezone(zone):%Y-%m-%d %H:%M %Z} {event.who}: {what}, {event.why}"


def lot_told(archive: "Archive", lot: str) -> dict[str, Any]:
    """Outcome of a lot and of each of its parts."""
    report = archive.lot_verdict(lot)
    concessions = archive.concessions(ids_behind(report.parts))
    return {
        "lot": report.lot,
        "outcome": str(report.outcome or "no specification applies"),
        "specifications": [_spec_told(name, verdict) for name, verdict in report.specs.items()],
        "size": report.size,
        "parts": [_part_told(part, concessions) for part in report.parts],
        "concessions": [each.told(concessions.today) for each in concessions.all],
    }


def _spec_told(name: str, verdict: LotVerdict) -> str:
    counts = ", ".join(f"{n} {outcome}" for outcome, n in verdict.parts.items())
    told = [f"{name}: {verdict.outcome} ({counts})", *verdict.reasons]
    if verdict.plan is not None:
        told.append(f"the sample: {', '.join(verdict.sample)}")
    return "; ".join(told)


def _part_told(part: PartReport, concessions: Concessions) -> str:
    told = [
        "; ".join(
            filter(
                None,
                (
                    f"{each.specification.name}: {each.verdict.outcome}",
                    *each.verdict.reasons,
                    *each.verdict.remarks,
                    concessions.accepts(each.verdict.deciding, part.part),
                ),
            )
        )
        for each in part.specs
    ]
    spectra = "1 spectrum" if part.set_aside == 1 else f"{part.set_aside} spectra"
    aside = f"; {spectra} set aside" if part.set_aside else ""
    return f"{part.part}: " + (" | ".join(told) or "no specification applies") + aside
