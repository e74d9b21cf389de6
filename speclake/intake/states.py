"""States of configurations from the record: when each was fit, unfit or unknown, and why."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
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


PUT_ASIDE = "the run is put aside for review"


def results_of(rows: pl.DataFrame) -> list[Result]:
    """Numbers of qualification runs as results; those of a run that passed together as one.

    A run whose scan is put aside for review passes nothing, and what it failed stays failed.
    """
    if rows.is_empty():
        return []
    passed = pl.col("outcome") == Outcome.PASS.value
    doubted = passed & pl.col("in_review")
    told = rows.with_columns(pl.col("outcome").cast(pl.String)).with_columns(
        pl.when(doubted).then(pl.lit(PUT_ASIDE)).otherwise(pl.col("reason")).alias("reason"),
        pl.when(doubted).then(pl.lit(Outcome.NOT_MEASURABLE.value))
        .otherwise(pl.col("outcome")).alias("outcome"),
    ).select(*_RESULT)  # fmt: skip
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


def result_of(row: QualificationRow, in_review: bool = False) -> Result:
    """A number of a qualification run as a result; see `results_of`."""
    found = Result(row.programme, row.check, row.taken_at, row.outcome, row.reason, row.due_at)
    if in_review and row.outcome is Outcome.PASS:
        return replace(found, outcome=Outcome.NOT_MEASURABLE, reason=PUT_ASIDE)
    return found


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
    rows : numbers of qualification runs that the commit brings; each goes before what was said of
        its scan by its check until now.
    entries : entries of logs that the commit brings.
    gone, back : measurements that count no longer, or again, from the commit on.
    aside, released : measurements that are put aside for review, or released, by the commit.
    known : kept from one catalogue to the next.
    """

    catalog: Catalog
    standards: Standards
    rows: Sequence[QualificationRow] = ()
    entries: Sequence[EventRow] = ()
    gone: frozenset[str] = frozenset()
    back: frozenset[str] = frozenset()
    aside: frozenset[str] = frozenset()
    released: frozenset[str] = frozenset()
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
        """Numbers that the archive holds and that still count after the commit."""
        rows = self.catalog.qualifications(instrument=instrument, counting=False)
        if rows.is_empty():
            return rows
        name = pl.col("measurement_id")
        set_aside = self.catalog.set_aside(rows["measurement_id"].unique().to_list())
        rows = _said_last(rows.filter(~name.is_in(list((set_aside | self.gone) - self.back))))
        replaced = {(q.measurement_id, q.programme, q.check) for q in self.rows}
        if replaced:
            keys = zip(rows["measurement_id"], rows["programme"], rows["check"], strict=True)
            rows = rows.filter(pl.Series([key not in replaced for key in keys], dtype=pl.Boolean))
        reviewed = (pl.col("in_review") | name.is_in(list(self.aside))) & ~name.is_in(
            list(self.released)
        )
        return rows.with_columns(reviewed.alias("in_review"))

    def _new_of(self, instrument: str) -> list[QualificationRow]:
        """Numbers that the commit brings, without what it takes back."""
        return [
            each
            for each in self.rows
            if each.instrument == instrument
            and each.outcome is not Outcome.LAPSED
            and each.measurement_id not in self.gone
        ]

    def _read(self, instrument: str) -> dict[str, tuple[StateStretch, ...]]:
        rows, new = self._rows_of(instrument), self._new_of(instrument)
        entries = self.catalog.log_entries(instrument)
        entries += [each for each in self.entries if each.subject == instrument]
        reviewed = self._reviewed(new)
        told = (
            *rows.select("qualification_id", "in_review").rows(),
            *((each.qualification_id, each.measurement_id in reviewed) for each in new),
        )
        entered = tuple(each.event_id for each in entries)
        found: dict[str, tuple[StateStretch, ...]] = {}
        results: list[Result] | None = None
        for programme in self.standards.programmes:
            if programme.instrument != instrument:
                continue
            key = (programme.version, told, entered)
            if key not in self.known:
                if results is None:
                    of_new = (result_of(each, each.measurement_id in reviewed) for each in new)
                    results = [*results_of(rows), *of_new]
                if len(self.known) > MOST_KNOWN:
                    self.known.clear()
                touches = touches_of(entries, programme)
                self.known[key] = stretches(programme, results, touches, AT_ANY_TIME)
            found[programme.name] = self.known[key]
        return found

    def _reviewed(self, new: Collection[QualificationRow]) -> set[str]:
        """Scans of the numbers that the commit brings that are under review after it."""
        names = {each.measurement_id for each in new}
        held = self.catalog.under_review(sorted(self.catalog.known_ids(sorted(names))))
        return (held | (names & self.aside)) - self.released


def _said_last(rows: pl.DataFrame) -> pl.DataFrame:
    """What counts of numbers of which some have replaced others; as the catalogue has it."""
    of_check = ("measurement_id", "programme", "check")
    return rows.filter(
        (pl.col("commit_number") == pl.col("commit_number").max().over(of_check))
        & (pl.col("outcome").cast(pl.String) != Outcome.LAPSED.value)
    )


MOST_KNOWN = 200
"""How many configurations' states are kept."""
