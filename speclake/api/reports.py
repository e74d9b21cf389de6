"""Reports that went to customers: which measurements they are on."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from speclake.api import events
from speclake.api.events import NotAllowed
from speclake.api.parts import ids_of
from speclake.archive.rows import EventKind, EventRow
from speclake.errors import NotFound
from speclake.measurement import Measurement

if TYPE_CHECKING:
    from speclake.api.fitness import Fitness

MOST_NAMED = 10
"""Measurements under review that a message names."""


@dataclass(frozen=True, slots=True)
class Report:
    """A report as it was put on record: to whom, on what, how many measurements.

    Parameters
    ----------
    lot, part : where all of its measurements are of one, else None.
    under_review : how many of them were put aside when the report was put on record.
    """

    number: str
    customer: str
    lot: str | None
    part: str | None
    count: int
    at: datetime
    who: str
    why: str
    under_review: int = 0


def note_report(
    archive: "Fitness",
    number: str,
    *,
    customer: str,
    ids: Sequence[str] | None,
    query: Mapping[str, Any],
    who: str,
    why: str,
    although_in_review: bool = False,
) -> Report:
    """Put on record that a report on some measurements went to a customer.

    More measurements may be added to a report of one number; those that are on it already are
    not noted again.

    Raises
    ------
    speclake.api.events.NotAllowed
        Number or customer is empty, or the number went to another customer; or some of the
        measurements are under review and `although_in_review` does not say that this is known.
    speclake.errors.NotFound
        There is no such measurement, or none that fits.
    """
    number, customer = number.strip(), customer.strip()
    if not number or not customer:
        raise NotAllowed("a report needs its number and its customer; found one of them empty")
    archive.store.refresh()
    catalog = archive.store.catalog
    chosen = list(dict.fromkeys(ids)) if ids is not None else _found(archive, query)
    events.check_known(catalog, chosen)
    for each in reports(archive):
        if each.number == number and each.customer != customer:
            raise NotAllowed(
                f"report {number!r} is on record for {each.customer!r}; expected another number"
            )
    on = catalog.reports_on(chosen)
    held = set(on.filter(on["report"] == number)["measurement_id"])
    new = [each for each in chosen if each not in held]
    if not new:
        raise NotFound(f"found no measurement that is not on report {number!r} already")
    own = {"customer": customer, **_common(catalog.brief(new)), "count": str(len(new))}
    if aside := catalog.under_review(new):
        if not although_in_review:
            raise NotAllowed(_in_review(catalog.brief(sorted(aside))))
        own["under_review"] = str(len(aside))
    told = {number: own, **{each: {"report": number, "customer": customer} for each in new}}
    events.record(
        archive.store, EventKind.ISSUE_REPORT, list(told), {}, who=who, why=why,
        kept=lambda _: told,
    )  # fmt: skip
    return reports(archive)[-1]


def reports(archive: "Fitness") -> list[Report]:
    """Every report on record, the oldest first; one with measurements added is told each time."""
    return [_report(each) for each in archive.store.catalog.reports()]


def _found(archive: "Fitness", query: Mapping[str, Any]) -> list[str]:
    if not any(value is not None for value in query.values()):
        raise NotAllowed("found neither measurements nor a query; expected what the report is on")
    found = ids_of(archive.store.catalog, **query)
    if not found:
        raise NotFound("found no measurement that fits")
    return found


def _in_review(measurements: Iterable[Measurement]) -> str:
    """Why no report is noted, with the names of those under review."""
    known = list(measurements)
    told = [
        f"{m.serial or m.sample or m.file} ({m.measurement_id[:8]})" for m in known[:MOST_NAMED]
    ]
    rest = len(known) - len(told)
    more = f" and {rest} more" if rest else ""
    return (
        f"under review: {', '.join(told)}{more}; release them first, or have it recorded that the "
        "report went out although they are in review"
    )


def _common(measurements: Iterable[Measurement]) -> dict[str, str]:
    """Lot and part, where all measurements are of one."""
    told = {}
    known = list(measurements)
    for name, values in (
        ("lot", {m.lot for m in known}),
        ("part", {m.serial or m.sample for m in known}),
    ):
        value = next(iter(values)) if len(values) == 1 else None
        if value:
            told[name] = value
    return told


def _report(event: EventRow) -> Report:
    said = event.details
    return Report(
        event.subject, said["customer"], said.get("lot"), said.get("part"), int(said["count"]),
        event.at, event.who, event.why, int(said.get("under_review", 0)),
    )  # fmt: skip
