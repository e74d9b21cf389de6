"""Instruments: how their configurations stand and why, what was done to them, their standards."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from math import inf
from typing import TYPE_CHECKING, Literal

from speclake.api import events, rejudging
from speclake.api.events import NotAllowed
from speclake.archive.catalog import Catalog
from speclake.archive.rows import Batch, EventKind, EventRow
from speclake.fitness.states import (
    CheckState,
    State,
    StateStretch,
    standing,
    state_at,
    stretches,
    touches,
)
from speclake.intake.standardbook import Standards
from speclake.intake.states import results_of, touch_of, touches_of
from speclake.standards.certificates import Certificate
from speclake.standards.programmes import OfStandard, Programme
from speclake.units import QUANTITY_OF_UNIT

if TYPE_CHECKING:
    from speclake.api.fitness import Fitness

WORKS = (
    "lamp change", "lamp hours", "realignment", "service", "accessory swap", "software update",
    "other",
)  # fmt: skip
"""What may be noted in the log of an instrument."""

QUANTITIES = frozenset(QUANTITY_OF_UNIT.values())

Standing = Literal["valid", "expired", "not yet valid", "followed by another"]


@dataclass(frozen=True, slots=True)
class LogEntry:
    """What was done to an instrument: with which of its configurations it has to do.

    Parameters
    ----------
    accessory, quantity : None where it has to do with every one.
    range_nm : lower and upper end; None for no end.
    """

    instrument: str
    what: str
    when: datetime
    note: str
    who: str
    why: str
    accessory: str | None = None
    quantity: str | None = None
    range_nm: tuple[float | None, float | None] = (None, None)


@dataclass(frozen=True)
class ConfigurationView:
    """A configuration with a programme: its state now and over time, and where each check stands.

    Parameters
    ----------
    stretches : from the first of all times until now, none left out.
    """

    programme: Programme
    now: StateStretch
    stretches: tuple[StateStretch, ...]
    checks: tuple[CheckState, ...]

    @property
    def state(self) -> State:
        """Fit, unfit or unknown."""
        return self.now.state

    @property
    def due_at(self) -> datetime | None:
        """When the first of its checks is due, None where none counts."""
        return min((each.due_at for each in self.checks if each.due_at), default=None)

    @property
    def overdue(self) -> tuple[str, ...]:
        """Checks that passed too long ago."""
        return tuple(each.check for each in self.checks if each.is_overdue)


@dataclass(frozen=True)
class InstrumentView:
    """An instrument with its configurations and its log, the oldest entry first."""

    instrument: str
    configurations: tuple[ConfigurationView, ...]
    log: tuple[LogEntry, ...]
    measurements: int

    @property
    def touched(self) -> Mapping[str, tuple[LogEntry, ...]]:
        """Entries that put the state of each programme's configuration in question."""
        return {
            each.programme.name: entries_on(each.programme, self.log)
            for each in self.configurations
        }


@dataclass(frozen=True)
class StandardView:
    """A certificate of a standard, how it stands today, and which checks need it."""

    certificate: Certificate
    standing: Standing
    needed_by: tuple[tuple[str, str], ...]
    """Programme and check."""


def instruments(archive: "Fitness", now: datetime | None = None) -> list[InstrumentView]:
    """Every instrument that was measured with, has a programme or a log, by name."""
    catalog, standards = archive.store.catalog, archive.judge_step.standards.current()
    now = now or datetime.now(UTC)
    counted = dict(catalog.facets("instrument").rows())
    log: dict[str, list[EventRow]] = {}
    for entry in catalog.log_entries():
        log.setdefault(entry.subject, []).append(entry)
    found = []
    for name in sorted({*counted, *standards.instruments, *log}):
        entries = log.get(name, [])
        results = results_of(catalog.qualifications(instrument=name))
        views = []
        for programme in _programmes(standards, name):
            works = touches_of(entries, programme)
            over_time = stretches(programme, results, works, now)
            checks = standing(programme, results, works, now)
            views.append(ConfigurationView(programme, state_at(over_time, now), over_time, checks))
        told = tuple(map(entry_of, entries))
        found.append(InstrumentView(name, tuple(views), told, counted.get(name, 0)))
    return found


def entries_on(programme: Programme, log: Sequence[LogEntry]) -> tuple[LogEntry, ...]:
    """Entries of a log that put the state of a programme's configuration in question."""
    return tuple(
        each
        for each in log
        if touches_of([_row(each)], programme) and touches(programme, touch_of(_row(each)))
    )


def standards(archive: "Fitness", today: date | None = None) -> list[StandardView]:
    """Every certificate in the archive's folder, those that expire first before the others."""
    book = archive.judge_step.standards.current()
    today = today or datetime.now(archive.settings.zone).date()
    views = [
        StandardView(
            each,
            _standing(each, book, today),
            tuple(
                (programme.name, check.id)
                for programme in book.programmes
                for check in programme.check
                if isinstance(check, OfStandard) and check.standard == each.name
            ),
        )
        for each in book.certificates
    ]
    return sorted(views, key=lambda v: (v.certificate.valid_until or date.max, v.certificate.name))


def log_instrument(
    archive: "Fitness",
    instrument: str,
    what: str,
    *,
    who: str,
    why: str,
    when: datetime | None = None,
    accessory: str | None = None,
    quantity: str | None = None,
    range_nm: tuple[float | None, float | None] = (None, None),
    note: str = "",
) -> LogEntry:
    """Put on record what was done to an instrument, and judge anew what it puts in question.

    Raises
    ------
    speclake.api.events.NotAllowed
        The work, the time, the quantity or the range is none, or the instrument is unknown.
    """
    archive.store.refresh()
    when = when or datetime.now(UTC)
    _check(archive, instrument, what, when, quantity, range_nm)
    told = {
        "what": what, "when": when.astimezone(UTC).isoformat(), "accessory": accessory,
        "quantity": quantity, "note": note.strip(), "from_nm": _number(range_nm[0]),
        "to_nm": _number(range_nm[1]),
    }  # fmt: skip
    details = {name: text for name, text in told.items() if text}
    entry = events.event(EventKind.LOG_INSTRUMENT, instrument, details, who=who, why=why)

    def in_question(catalog: Catalog) -> Batch:
        return rejudging.after_entry(archive, catalog, entry)

    events.record(
        archive.store, EventKind.LOG_INSTRUMENT, [instrument], details, who=who, why=why,
        with_it=in_question,
    )  # fmt: skip
    return entry_of(entry)


def entry_of(entry: EventRow) -> LogEntry:
    """Entry of a log from its event."""
    touch = touch_of(entry)
    return LogEntry(
        entry.subject, touch.what, touch.at, touch.text, entry.who, entry.why,
        entry.details.get("accessory"), entry.details.get("quantity"),
        (touch.start_nm, touch.stop_nm),
    )  # fmt: skip


def _row(entry: LogEntry) -> EventRow:
    low, high = entry.range_nm
    details = {
        "what": entry.what, "when": entry.when.isoformat(), "note": entry.note,
        "accessory": entry.accessory or "", "quantity": entry.quantity or "",
        "from_nm": _number(low), "to_nm": _number(high),
    }  # fmt: skip
    return events.event(
        EventKind.LOG_INSTRUMENT, entry.instrument, details, who=entry.who, why=entry.why
    )


def _programmes(standards: Standards, instrument: str) -> list[Programme]:
    return [each for each in standards.programmes if each.instrument == instrument]


def _standing(certificate: Certificate, book: Standards, today: date) -> Standing:
    """How a certificate stands: the last one issued of a name is the one that counts."""
    counting = book.certificate(certificate.name, today)
    if certificate.issued_on > today:
        return "not yet valid"
    if counting is not None and counting.version != certificate.version:
        return "followed by another"
    return "valid" if certificate.is_valid_on(today) else "expired"


def _number(value: float | None) -> str:
    return "" if value is None else repr(float(value))


def _check(
    archive: "Fitness",
    instrument: str,
    what: str,
    when: datetime,
    quantity: str | None,
    range_nm: tuple[float | None, float | None],
) -> None:
    if what not in WORKS:
        raise NotAllowed(f"what was done: found {what!r}; expected one of {', '.join(WORKS)}")
    if when.utcoffset() is None:
        raise NotAllowed(f"when: found {when.isoformat()}; expected it with its offset")
    if when > datetime.now(UTC) + archive.settings.clock_skew:
        raise NotAllowed(f"when: found {when.isoformat()}, which is yet to come; expected the past")
    if quantity is not None and quantity not in QUANTITIES:
        raise NotAllowed(
            f"quantity: found {quantity!r}; expected one of {', '.join(sorted(QUANTITIES))}"
        )
    low, high = range_nm
    ends = [end for end in range_nm if end is not None]
    if not all(0 < end < inf for end in ends) or (low and high and low >= high):
        raise NotAllowed(
            f"range: found {low} to {high} nm; expected wavelengths with the lower one first"
        )
    catalog = archive.store.catalog
    measured = catalog.facets("instrument")["value"]
    logged = (each.subject for each in catalog.log_entries())
    known = {*measured, *logged, *archive.judge_step.standards.current().instruments}
    if instrument not in known:
        names = ", ".join(sorted(known)) or "none yet"
        raise NotAllowed(f"found no instrument {instrument!r}; those known: {names}")
