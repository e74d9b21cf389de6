"""States of configurations from the record: when each was fit, unfit or unknown, and why."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

import polars as pl

from speclake.archive.catalog import Catalog
from speclake.archive.rows import EventRow, QualificationRow
from speclake.fitness.qualifying.recognising import reaches
from speclake.fitness.states import (
    ANY_ACCESSORY,
    Result,
    StateStretch,
    Touch,
    spell_at,
    stretches,
    together,
)
from speclake.intake.runresults import result_of
from speclake.intake.runresults import results_of as results_of
from speclake.intake.standardbook import Standards, same_light
from speclake.intake.terms import accessories_of, checks_of, results_on_terms
from speclake.measurement import Measurement
from speclake.specs import Outcome
from speclake.standards.programmes import Programme

AT_ANY_TIME = datetime(9999, 1, 1, tzinfo=UTC)
"""States are worked out up to here, so that they hold whenever they are asked for."""

Known = dict[tuple[object, ...], tuple[StateStretch, ...]]
"""States that were worked out before, by all that they follow from."""


MISTAKEN = "mistaken entry"
"""Kind of an entry of a log that says of an earlier one, its detail ``entry``, that it was none."""


def mistaken_among(entries: Iterable[EventRow]) -> dict[str, EventRow]:
    """Entries of a log that were a mistake, by their identifiers, with what says so."""
    return {
        each.details["entry"]: each
        for each in entries
        if each.details.get("what") == MISTAKEN and "entry" in each.details
    }


def touches_of(
    entries: Sequence[EventRow], programme: Programme, accessory: str | None = ANY_ACCESSORY
) -> list[Touch]:
    """Entries of an instrument's log that speak of a programme's configuration.

    Those that were a mistake do not.

    Parameters
    ----------
    accessory : the one that is asked about, of a programme that names none.
    """
    mistaken = mistaken_among(entries)
    asked = programme.accessory if accessory == ANY_ACCESSORY else accessory
    light = same_light(programme.quantity)
    return [
        touch_of(each)
        for each in entries
        if each.event_id not in mistaken
        and each.details.get("what") != MISTAKEN
        and (asked is None or (each.details.get("accessory") or asked) == asked)
        and same_light(each.details.get("quantity") or programme.quantity) == light
    ]


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
    """State of one configuration at the time of a scan, with when it began and ends.

    Parameters
    ----------
    is_certain : False where nobody knows whether the scan was made with that accessory.
    """

    programme: Programme
    stretch: StateStretch
    is_certain: bool = True


@dataclass(frozen=True)
class _Record:
    """What is known of an instrument: numbers held, new ones, its log, and the name of it all."""

    rows: pl.DataFrame
    new: tuple[Result, ...]
    entries: tuple[EventRow, ...]
    name: tuple[object, ...]


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
    _records: dict[str, _Record] = field(default_factory=dict)
    _results: dict[str, list[Result]] = field(default_factory=dict)

    def at_scan(self, m: Measurement) -> list[StateOf]:
        """State of each configuration with a programme that a scan was made with, at its time.

        If the accessory of the scan is unknown those of all are given.
        """
        about = self.standards.programmes_about(m.instrument, m.accessory, m.quantity)
        return [
            StateOf(
                programme,
                spell_at(self.over_time(programme, m.accessory), m.trusted_at),
                m.accessory is not None or programme.accessory is None,
            )
            for programme in about
            if reaches(programme, m)
        ]

    def over_time(
        self, programme: Programme, accessory: str | None = None
    ) -> tuple[StateStretch, ...]:
        """States of a programme's configuration, from the first of all times on.

        Parameters
        ----------
        accessory : of a programme that names none, the one that is asked about; for None the worst
            of all that were used counts.
        """
        if programme.accessory is not None:
            return self._walked(programme, ANY_ACCESSORY)
        if accessory is not None:
            return self._walked(programme, accessory)
        return together(
            {each: self._walked(programme, each) for each in self.accessories(programme)}
        )

    def accessories(self, programme: Programme) -> tuple[str | None, ...]:
        """Accessories that a programme's runs were made with, an unknown one last; at least one."""
        if programme.accessory is not None:
            return (programme.accessory,)
        return accessories_of(programme, self._results_of(programme))

    def _walked(self, programme: Programme, accessory: str | None) -> tuple[StateStretch, ...]:
        record = self._record(programme.instrument)
        written = tuple(self.standards.names)
        key = (programme.version, accessory, written, *record.name)
        if key not in self.known:
            if len(self.known) > MOST_KNOWN:
                self.known.clear()
            touches = touches_of(record.entries, programme, accessory)
            results = self._results_of(programme)
            self.known[key] = stretches(programme, results, touches, AT_ANY_TIME, accessory)
        return self.known[key]

    def _results_of(self, programme: Programme) -> list[Result]:
        if programme.name not in self._results:
            record = self._record(programme.instrument)
            self._results[programme.name] = [
                *results_on_terms(record.rows, programme, self.standards.names, self.catalog),
                *record.new,
            ]
        return self._results[programme.name]

    def _record(self, instrument: str) -> _Record:
        if instrument not in self._records:
            self._records[instrument] = self._read(instrument)
        return self._records[instrument]

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

    def _read(self, instrument: str) -> _Record:
        rows, new = self._rows_of(instrument), self._new_of(instrument)
        entries = self.catalog.log_entries(instrument)
        entries += [each for each in self.entries if each.subject == instrument]
        reviewed = self._reviewed(new)
        told = (
            *rows.select("qualification_id", "in_review").rows(),
            *((each.qualification_id, each.measurement_id in reviewed) for each in new),
        )
        entered = tuple(each.event_id for each in entries)
        results = tuple(
            replace(
                result_of(each, each.measurement_id in reviewed),
                beside=self._beside.get(each.programme_version),
            )
            for each in new
        )
        return _Record(rows, results, tuple(entries), (told, entered))

    @property
    def _beside(self) -> dict[str, frozenset[str]]:
        return {each.version: checks_of(each) for each in self.standards.programmes}

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
