"""A file with more scans than are to be held at once: one commit, made of parts."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, cast

import polars as pl

from speclake.archive.catalog import Catalog
from speclake.archive.rows import Batch, FileRow, FindingRow, QualificationRow
from speclake.checks import Severity
from speclake.intake.doubts import Evidence, Review
from speclake.intake.fitness import Baseline
from speclake.intake.gathering import Gathered, Ruled, known_of, superseded_among, superseded_by
from speclake.intake.newspectra import NewSpectra
from speclake.intake.spool import SpooledScans
from speclake.intake.tasks import FileReading
from speclake.intake.verdicts import Judge
from speclake.measurement import Measurement
from speclake.spectrum import SpectrumSet


class Questions:
    """Everything that a catalogue was asked through it, to tell later whether the answers hold."""

    def __init__(self, catalog: Catalog) -> None:
        self._catalog = catalog
        self._asked: list[tuple[str, tuple[Any, ...], dict[str, Any], Any]] = []

    def __getattr__(self, name: str) -> Callable[..., Any]:
        method = getattr(self._catalog, name)

        def ask(*arguments: Any, **named: Any) -> Any:
            answer = method(*arguments, **named)
            self._asked.append((name, arguments, named, answer))
            return answer

        return ask

    def have_the_same_answers(self) -> bool:
        """Whether the catalogue would answer everything as it did."""
        return all(
            _is_same(getattr(self._catalog, name)(*arguments, **named), answer)
            for name, arguments, named, answer in self._asked
        )


def _is_same(one: Any, other: Any) -> bool:
    if isinstance(one, pl.DataFrame) and isinstance(other, pl.DataFrame):
        return one.equals(other)
    return bool(one == other)


@dataclass
class LongFile:
    """The commit of one file, written part after part.

    Parameters
    ----------
    row : line of the ledger, given what became of the scans.
    seen : is shown every part once it is made.
    """

    reading: FileReading
    scans: SpooledScans
    judge: Judge
    row: Callable[[FileReading, Ruled], FileRow]
    seen: Callable[[Batch], None]
    _axes: set[str] = field(default_factory=set)
    _specifications: set[str] = field(default_factory=set)
    _derived: set[str] = field(default_factory=set)
    _taken: dict[str, tuple[Measurement, int]] = field(default_factory=dict)
    """What was taken so far, with the place of its scan."""
    _superseded: set[str] = field(default_factory=set)
    _findings: dict[str, Sequence[FindingRow]] = field(default_factory=dict)
    _reviews: dict[str, Review | None] = field(default_factory=dict)
    _runs: list[QualificationRow] = field(default_factory=list)
    _standards: set[str] = field(default_factory=set)
    _against: list[Baseline] = field(default_factory=list)

    def parts(self, catalog: Catalog) -> Iterator[Batch]:
        """Batches that together are the commit; the line of the ledger comes with the last."""
        for part in self._parts(catalog):
            self.seen(part)
            yield part

    def _parts(self, catalog: Catalog) -> Iterator[Batch]:
        task = self.reading.task
        paths = {task.folder: [task.path]}
        known = known_of(paths, self.scans.ids, self.scans.values, catalog)
        ruled = Ruled()
        draws = self.judge.draws(catalog)
        for place, scans in self.scans.placed():
            gathered = Gathered(runs_before=tuple(self._runs), against_before=self._against)
            gathered.take(task.folder, scans, known, ruled, _slim)
            if draws:
                self._superseded |= superseded_by(gathered.events)
                self._reviews |= gathered.reviews
                self._taken |= {m.measurement_id: (_brief(m), place) for m in gathered.judged_as}
            part = gathered.batch(self.judge, catalog, lambda _: task.with_verdicts)
            if draws:
                self._findings |= {
                    name: [row for row in rows if row.severity is Severity.DOUBT]
                    for name, rows in gathered.evidence.new.items()
                }
            self._against += [(_brief(m), figures) for m, figures in gathered.against]
            yield self._once(part)
        yield from self._drawn(catalog)
        row, sha256 = self.row(self.reading, ruled), self.reading.sha256
        if catalog.has_original([sha256]):
            yield Batch(files=(replace(row, holds_original=False),))
        else:
            yield Batch(files=(row,), originals={sha256: self.reading.original})

    def _drawn(self, catalog: Catalog) -> Iterator[Batch]:
        """Verdicts that draw on several measurements, wherever in the file these stand."""
        measurements = [m for m, _ in self._taken.values()]
        is_judged = self.reading.task.with_verdicts
        gone = self._superseded | superseded_among(measurements)
        states = self.judge.states(catalog, self._runs, gone=gone, reviews=self._reviews)
        evidence = Evidence(states, self._findings, self._reviews, self.judge.without)
        for judged in self.judge.new_drawn(
            measurements, self._read, catalog, lambda _: is_judged, evidence, self._superseded
        ):
            yield self._once(judged.batch)

    def _read(self, ids: Sequence[str]) -> list[SpectrumSet]:
        """Spectra of scans that were taken from this file."""
        found: list[SpectrumSet] = []
        for place in sorted({self._taken[each][1] for each in ids}):
            scans = self.scans.at(place)
            axes = {axis.id: axis for axis in scans.axes}
            here = {m.measurement_id for m in scans.measurements}
            new = NewSpectra(scans.measurements, scans.spectra, axes)
            found += new([each for each in ids if each in here])
        return found

    def _once(self, batch: Batch) -> Batch:
        """The batch without what an earlier part has brought already."""
        derived = tuple(row for row in batch.derived if row.derived_id not in self._derived)
        self._derived |= {row.derived_id for row in derived}
        axes = tuple(axis for axis in batch.axes if axis.id not in self._axes)
        told = tuple(s for s in batch.specifications if s.spec_version not in self._specifications)
        self._axes |= {axis.id for axis in axes}
        self._specifications |= {each.spec_version for each in told}
        standards = tuple(s for s in batch.standards if s.standard_version not in self._standards)
        self._standards |= {each.standard_version for each in standards}
        self._runs += batch.qualifications
        return replace(batch, axes=axes, specifications=told, derived=derived, standards=standards)


def _slim(m: Measurement) -> Measurement:
    """What the rules of identity ask of a measurement, without the bulk of it."""
    return replace(m, header={}, origin={}, notes=(), ranges=(), changeovers=())


def _brief(m: Measurement) -> Measurement:
    """What belonging together asks of a measurement."""
    return replace(m, header={}, origin={}, notes=())


def as_catalog(questions: Questions) -> Catalog:
    """The questions as the catalogue that answers them."""
    return cast(Catalog, questions)
