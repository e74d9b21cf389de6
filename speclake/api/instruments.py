"""Instruments: how their configurations stand and why, what was done to them, their standards."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from math import inf
from typing import TYPE_CHECKING, Literal

from speclake.api import events, rejudging
from speclake.api.events import NotAllowed
from speclake.archive.catalog import Catalog
from speclake.archive.rows import Batch, EventKind, EventRow
from speclake.errors import NotFound
from speclake.fitness.states import (
    ANY_ACCESSORY,
    PROGRAMME_CHANGE,
    CheckState,
    Result,
    State,
    StateStretch,
    spell_at,
    standing,
    stretches,
    together,
    touches,
)
from speclake.intake.keptstandards import keep_standards
from speclake.intake.standardbook import Standards
from speclake.intake.states import MISTAKEN, mistaken_among, touch_of, touches_of
from speclake.intake.terms import accessories_of, results_on_terms
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
    entry_id : by which another entry may say that this one was a mistake.
    mistaken : who said so and why; empty where nobody did.
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
    entry_id: str = ""
    mistaken: str = ""


@dataclass(frozen=True)
class ConfigurationView:
    """A configuration with a programme: its state now and over time, and where each check stands.

    A programme that names no accessory has the worst state of those that its runs were made with.

    Parameters
    ----------
    now : the state with its latest reason, from when it began, for whatever reason.
    stretches : from the first of all times until now, none left out.
    checks : of each accessory in turn, where the programme names none.
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
        rows = catalog.qualifications(instrument=name)
        views = [
            _view(each, results_on_terms(rows, each, standards.names, catalog), entries, now)
            for each in _programmes(standards, name)
        ]
        found.append(InstrumentView(name, tuple(views), log_of(entries), counted.get(name, 0)))
    return found


def _view(
    programme: Programme, results: Sequence[Result], entries: Sequence[EventRow], now: datetime
) -> ConfigurationView:
    seen: tuple[str | None, ...] = (ANY_ACCESSORY,)
    if programme.accessory is None:
        seen = accessories_of(programme, results)
    works = {each: touches_of(entries, programme, each) for each in seen}
    over_time = together(
        {each: stretches(programme, results, works[each], now, each) for each in seen}
    )
    checks = [
        check for each in seen for check in standing(programme, results, works[each], now, each)
    ]
    return ConfigurationView(programme, spell_at(over_time, now), over_time, tuple(checks))


def entries_on(
    programme: Programme, log: Sequence[LogEntry], accessory: str | None = ANY_ACCESSORY
) -> tuple[LogEntry, ...]:
    """Entries of a log that put the state of a programme's configuration in question.

    Parameters
    ----------
    accessory : the one that is asked about, of a programme that names none.
    """
    return tuple(
        each
        for each in log
        if not each.mistaken
        and touches_of([_row(each)], programme, accessory)
        and touches(programme, touch_of(_row(each)))
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
    entry: str | None = None,
) -> LogEntry:
    """Put on record what was done to an instrument, and judge anew what it puts in question.

    Parameters
    ----------
    entry : of a ``mistaken entry`` the identifier, or the beginning of it, of the one that is
        taken back; it stays on record and puts nothing in question.

    Raises
    ------
    speclake.api.events.NotAllowed
        The work, the time, the quantity or the range is none, or the instrument is unknown.
    speclake.errors.NotFound
        There is no such entry.
    """
    keep_standards(archive.store, archive.judge_step.standards)
    archive.store.refresh()
    if what == MISTAKEN or entry is not None:
        details = _taking_back(archive.store.catalog, instrument, what, entry)
        return _record(archive, instrument, details, who, why)
    when = when or datetime.now(UTC)
    _check(archive, instrument, what, when, quantity, range_nm)
    told = {
        "what": what, "when": when.astimezone(UTC).isoformat(), "accessory": accessory,
        "quantity": quantity, "note": note.strip(), "from_nm": _number(range_nm[0]),
        "to_nm": _number(range_nm[1]),
    }  # fmt: skip
    return _record(archive, instrument, told, who, why)


def _record(
    archive: "Fitness", instrument: str, told: Mapping[str, str | None], who: str, why: str
) -> LogEntry:
    details = {name: text for name, text in told.items() if text}
    entry = events.event(EventKind.LOG_INSTRUMENT, instrument, details, who=who, why=why)

    def in_question(catalog: Catalog) -> Batch:
        return rejudging.after_entry(archive, catalog, entry)

    def prepare(catalog: Catalog) -> Batch:
        return replace(in_question(catalog), events=(entry,))

    events.check_named(who, why)
    archive.store.commit(prepare, who=who, why=why, kind=EventKind.LOG_INSTRUMENT.value)
    archive.store.refresh()
    return _entry(entry)


def _taking_back(
    catalog: Catalog, instrument: str, what: str, entry: str | None
) -> dict[str, str | None]:
    """Details of an entry that takes an earlier one back."""
    if what != MISTAKEN or not entry:
        raise NotAllowed(f"entry: found {entry!r} with {what!r}; expected it with {MISTAKEN!r}")
    log = catalog.log_entries(instrument)
    gone = mistaken_among(log)
    found = [
        each for each in log
        if each.event_id.startswith(entry) and each.event_id not in gone
        and each.details.get("what") not in (MISTAKEN, PROGRAMME_CHANGE)
    ]  # fmt: skip
    if len(found) != 1:
        many = f"{len(found)} entries" if found else "no entry"
        raise NotFound(
            f"found {many} {entry!r} in the log of {instrument!r} that could be taken back; "
            f"`speclake instruments {instrument!r}` lists them"
        )
    touch = touch_of(found[0])
    noted = f": {touch.text}" if touch.text else ""
    return {
        **found[0].details, "what": MISTAKEN, "entry": found[0].event_id,
        "when": touch.at.isoformat(), "note": f"{touch.what} of {touch.at:%Y-%m-%d}{noted}",
    }  # fmt: skip


def log_of(entries: Sequence[EventRow]) -> tuple[LogEntry, ...]:
    """Log of an instrument from its events; what was a mistake is in it, and said to be."""
    gone = mistaken_among(entries)
    return tuple(_entry(each, gone.get(each.event_id)) for each in entries)


def _entry(entry: EventRow, mistaken: EventRow | None = None) -> LogEntry:
    touch = touch_of(entry)
    return LogEntry(
        entry.subject, touch.what, touch.at, touch.text, entry.who, entry.why,
        entry.details.get("accessory"), entry.details.get("quantity"),
        (touch.start_nm, touch.stop_nm), entry.event_id,
        "" if mistaken is None else f"{mistaken.who}: {mistaken.why}",
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
