"""A file with more scans than are to be held at once: one commit, made of parts."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, cast

from speclake.archive.catalog import Catalog
from speclake.archive.rows import Batch, FileRow
from speclake.intake.gathering import Gathered, Ruled, known_of, superseded_by
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
        self._asked: list[tuple[str, tuple[Any, ...], Any]] = []

    def __getattr__(self, name: str) -> Callable[..., Any]:
        method = getattr(self._catalog, name)

        def ask(*arguments: Any) -> Any:
            answer = method(*arguments)
            self._asked.append((name, arguments, answer))
            return answer

        return ask

    def have_the_same_answers(self) -> bool:
        """Whether the catalogue would answer everything as it did."""
        return all(
            getattr(self._catalog, name)(*arguments) == answer
            for name, arguments, answer in self._asked
        )


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
            gathered = Gathered()
            gathered.take(task.folder, scans, known, ruled, _slim)
            if draws:
                self._superseded |= superseded_by(gathered.events)
                self._taken |= {m.measurement_id: (_brief(m), place) for m in gathered.judged_as}
            yield self._once(gathered.batch(self.judge, catalog, lambda _: task.with_verdicts))
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
        for judged in self.judge.new_drawn(
            measurements, self._read, catalog, lambda _: is_judged, self._superseded
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
        return replace(batch, axes=axes, specifications=told, derived=derived)


def _slim(m: Measurement) -> Measurement:
    """What the rules of identity ask of a measurement, without the bulk of it."""
    return replace(m, header={}, origin={}, notes=(), ranges=(), changeovers=())


def _brief(m: Measurement) -> Measurement:
    """What belonging together asks of a measurement."""
    return replace(m, header={}, origin={}, notes=())


def as_catalog(questions: Questions) -> Catalog:
    """The questions as the catalogue that answers them."""
    return cast(Catalog, questions)
