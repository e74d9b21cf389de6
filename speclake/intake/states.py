"""States of configurations from the record: when each was fit, unfit or unknown, and why."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import polars as pl

from speclake.archive.catalog import Catalog
from speclake.archive.rows import EventRow, QualificationRow
from speclake.fitness.states import Result, StateStretch, Touch, state_at, stretches
from speclake.intake.standardbook import SAME_LIGHT, Standards
from speclake.measurement import Measurement
from speclake.specs import Outcome
from speclake.standards.programmes import Programme

AT_ANY_TIME = datetime(9999, 1, 1, tzinfo=UTC)
"""States are worked out up to here, so that they hold whenever they are asked for."""

_RESULT = ("programme", "check", "taken_at", "outcome", "reason", "due_at")

Known = dict[tuple[object, ...], tuple[StateStretch, ...]]
"""States that were worked out before, by all that they follow from."""


def results_of(rows: pl.DataFrame) -> list[Result]:
    """Numbers of qualification runs as results; those of a run that passed together as one."""
    if rows.is_empty():
        return []
    told = rows.select(*_RESULT).with_columns(pl.col("outcome").cast(pl.String))
    passed = pl.col("outcome") == Outcome.PASS.value
    runs = told.filter(passed).group_by("programme", "check", "taken_at", "outcome").agg(
        pl.lit("").alias("reason"), pl.col("due_at").min()
    )  # fmt: skip
    found = pl.concat([told.filter(~passed), runs.select(*_RESULT)], how="vertical_relaxed")
    return [_result(row) for row in found.sort("taken_at").iter_rows(named=True)]


def _result(row: Mapping[str, Any]) -> Result:
    return Result(
        row["programme"],
        row["check"],
        row["taken_at"],
        Outcome(row["outcome"]),
        row["reason"] or "",
        row["due_at"],
    )


def result_of(row: QualificationRow) -> Result:
    """A number of a qualification run as a result."""
    return Result(row.programme, row.check, row.taken_at, row.outcome, row.reason, row.due_at)


def touches_of(entries: Iterable[EventRow], programme: Programme) -> list[Touch]:
    """Entries of an instrument's log that speak of a programme's configuration."""
    return [
        touch_of(each)
        for each in entries
        if programme.accessory in (None, each.details.get("accessory") or programme.accessory)
        and _light(each.details.get("quantity") or programme.quantity) == _light(programme.quantity)
    ]


def _light(quantity: str) -> str:
    return SAME_LIGHT.get(quantity, quantity)


def touch_of(entry: EventRow) -> Touch:
    """An entry of an instrument's log, as states go by it."""
    said = entry.details
    ends = [float(said[name]) if said.get(name) else None for name in ("from_nm", "to_nm")]
    return Touch(_when(entry), said.get("what", ""), said.get("note", ""), ends[0], ends[1])


def _when(entry: EventRow) -> datetime:
    """When it was done; where that cannot be read, when it was told."""
    try:
        when = datetime.fromisoformat(entry.details["when"])
    except (KeyError, ValueError):
        return entry.at
    return when if when.utcoffset() is not None else entry.at


@dataclass(frozen=True)
class StateOf:
    """State of one configuration at the time of a scan."""

    programme: Programme
    stretch: StateStretch


@dataclass
class States:
    """States of configurations as a catalogue has them, with what a commit adds.

    Parameters
    ----------
    rows : numbers of qualification runs that the commit brings.
    entries : entries of logs that the commit brings.
    gone, back : measurements that count no longer, or again, from the commit on.
    known : kept from one catalogue to the next.
    """

    catalog: Catalog
    standards: Standards
    rows: Sequence[QualificationRow] = ()
    entries: Sequence[EventRow] = ()
    gone: frozenset[str] = frozenset()
    back: frozenset[str] = frozenset()
    known: Known = field(default_factory=dict)
    _of_instrument: dict[str, dict[str, tuple[StateStretch, ...]]] = field(default_factory=dict)

    def at_scan(self, m: Measurement) -> list[StateOf]:
        """State of each configuration with a programme that a scan was made with, at its time."""
        return [
            StateOf(programme, state_at(self.over_time(programme), m.trusted_at))
            for programme in self.standards.programmes_of(m.instrument, m.accessory, m.quantity)
        ]

    def over_time(self, programme: Programme) -> tuple[StateStretch, ...]:
        """States of a programme's configuration, from the first of all times on."""
        instrument = programme.instrument
        if instrument not in self._of_instrument:
            self._of_instrument[instrument] = self._read(instrument)
        return self._of_instrument[instrument][programme.name]

    def _rows_of(self, instrument: str) -> pl.DataFrame:
        if not (self.gone or self.back):
            return self.catalog.qualifications(instrument=instrument)
        rows = self.catalog.qualifications(instrument=instrument, counting=False)
        names = pl.col("measurement_id")
        aside = self.catalog.set_aside(rows["measurement_id"].unique().to_list())
        aside = (aside | self.gone) - self.back
        return rows.filter(~names.is_in(list(aside)))

    def _read(self, instrument: str) -> dict[str, tuple[StateStretch, ...]]:
        rows = self._rows_of(instrument)
        entries = self.catalog.log_entries(instrument)
        entries += [each for each in self.entries if each.subject == instrument]
        new = [each for each in self.rows if each.instrument == instrument]
        last = rows["commit_number"].max() if len(rows) else 0
        found: dict[str, tuple[StateStretch, ...]] = {}
        results: list[Result] | None = None
        for programme in self.standards.programmes:
            if programme.instrument != instrument:
                continue
            told = tuple(each.qualification_id for each in new)
            entered = tuple(each.event_id for each in entries)
            key = (programme.version, len(rows), last, told, entered, self.gone, self.back)
            if key not in self.known:
                if results is None:
                    results = [*results_of(rows), *map(result_of, new)]
                if len(self.known) > MOST_KNOWN:
                    self.known.clear()
                touches = touches_of(entries, programme)
                self.known[key] = stretches(programme, results, touches, AT_ANY_TIME)
            found[programme.name] = self.known[key]
        return found


MOST_KNOWN = 200
"""How many configurations' states are kept."""
