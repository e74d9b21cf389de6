"""Settled files to commits: read in guarded workers, ruled upon, judged, committed in groups."""

import time
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from speclake.archive.catalog import Catalog
from speclake.archive.lake import Lake
from speclake.archive.rows import Batch, FileOutcome, FileRow, LongBatch
from speclake.errors import ImporterFailed
from speclake.intake.gathering import Gathered, Ruled, known_of
from speclake.intake.longfiles import LongFile, Questions, as_catalog
from speclake.intake.spool import Scans, SpooledScans
from speclake.intake.tasks import FileReading, refused
from speclake.intake.verdicts import Judge

WHO = "intake"
NOT_TAKEN = "not taken"
"""Count of files that could not be read for now, or can have no line in the ledger."""


@dataclass
class Tally:
    """What an intake did so far.

    `refused` and `conflicts` keep the ledger's newest rows only, so that a backlog of any size
    needs no more memory. `left_out` holds the first files that could get no line in the ledger,
    with the reason; the count of all of them is under "not taken".
    """

    counts: Counter[str] = field(default_factory=Counter)
    known: int = 0
    """Files that the ledger holds already, as they are now."""
    measurements: int = 0
    verdicts: Counter[str] = field(default_factory=Counter)
    refused: list[FileRow] = field(default_factory=list)
    conflicts: list[FileRow] = field(default_factory=list)
    left_out: dict[str, str] = field(default_factory=dict)
    under_way: dict[str, str] = field(default_factory=dict)
    """How far the reading of each file has come that takes long, in words."""

    MOST_KEPT = 1000

    def add(self, batch: Batch) -> None:
        """Count one commit."""
        self.measurements += len(batch.measurements)
        self.verdicts.update(v.outcome.value for v in batch.verdicts)
        for row in batch.files:
            self.counts[row.outcome.value] += 1
        for kept, outcome in (
            (self.refused, FileOutcome.REFUSED),
            (self.conflicts, FileOutcome.CONFLICT),
        ):
            kept += [row for row in batch.files if row.outcome is outcome]
            del kept[: -self.MOST_KEPT]

    def join(self, other: "Tally") -> None:
        """Count what another tally counted."""
        self.known += other.known
        self.measurements += other.measurements
        self.verdicts.update(other.verdicts)
        self.counts.update(other.counts)
        self.conflicts += other.conflicts
        del self.conflicts[: -self.MOST_KEPT]

    def leave_out(self, path: str, why: str) -> None:
        """Count a file that could not be taken in, and keep the reason for a person."""
        self.counts[NOT_TAKEN] += 1
        if len(self.left_out) < self.MOST_KEPT:
            self.left_out[path] = why

    @property
    def files(self) -> int:
        """Files that got their line in the ledger."""
        return self.counts.total() - self.counts[NOT_TAKEN]


class Ingest:
    """Takes readings into the store, a group of them a commit."""

    def __init__(
        self,
        store: Lake,
        judge: Judge,
        *,
        readers: str,
        files_per_commit: int,
        seconds_per_commit: float,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._store = store
        self._judge = judge
        self._readers = readers
        self._most_files = files_per_commit
        self._most_seconds = seconds_per_commit
        self._clock = clock

    def take(
        self,
        readings: Iterable[FileReading | None],
        tally: Tally,
        on_commit: Callable[[Sequence[FileReading]], None] = lambda _: None,
    ) -> None:
        """Commit readings as they come, at the latest after the settings' seconds or files.

        A reading of None is a tick of the source: nothing new, but time has passed. `on_commit`
        hears of every group that stands durably in the archive. A file with more scans than are to
        be held is a commit of its own.
        """
        group: list[FileReading] = []
        started = self._clock()
        for reading in readings:
            if reading is not None and reading.changed:
                tally.leave_out(reading.task.path, reading.note)
                continue
            if reading is not None:
                if not group:
                    started = self._clock()
                group.append(reading)
            is_long = reading is not None and reading.spooled is not None
            late = self._clock() - started >= self._most_seconds
            if group and (late or is_long or len(group) >= self._most_files):
                self._take_group(group, tally, on_commit)
                group = []
        if group:
            self._take_group(group, tally, on_commit)

    def _take_group(
        self,
        group: Sequence[FileReading],
        tally: Tally,
        on_commit: Callable[[Sequence[FileReading]], None],
    ) -> None:
        *short, last = group
        if last.spooled is None:
            short = [*group]
        if short:
            self._commit(short, tally)
        if last.spooled is not None:
            self._commit_long(last, last.spooled, tally)
        on_commit(group)
        for reading in group:
            reading.release()

    def _commit(self, group: Sequence[FileReading], tally: Tally) -> None:
        made: list[Batch] = []

        def prepare(catalog: Catalog) -> Batch | None:
            batch = self._batch(group, catalog)
            made[:] = [batch]
            return batch or None

        commit = self._store.commit(prepare, who=WHO, why=_why(group), kind="intake")
        if commit is not None:
            tally.add(made[0])
            self._show()

    def _show(self) -> None:
        self._store.refresh()
        self._store.catalog.publish_if_due()

    def _commit_long(self, reading: FileReading, scans: SpooledScans, tally: Tally) -> None:
        made: list[tuple[Questions, Tally, LongBatch]] = []

        def prepare(catalog: Catalog) -> LongBatch | None:
            if made and made[-1][0].have_the_same_answers():
                return made[-1][2]
            if catalog.known_file_ids([reading.file_id]):
                return None
            questions, counted = Questions(catalog), Tally()
            long = LongFile(reading, scans, self._judge, self._file_row, counted.add)
            batch = LongBatch(long.parts(as_catalog(questions)))
            made.append((questions, counted, batch))
            return batch

        try:
            commit = self._store.commit(prepare, who=WHO, why=_why([reading]), kind="intake")
        except ImporterFailed as error:
            kept = "an importer that keeps to its contract"
            self._commit([refused(reading, "", str(error), kept)], tally)
            return
        if commit is not None:
            tally.join(made[-1][1])
            self._show()

    def _batch(self, group: Sequence[FileReading], catalog: Catalog) -> Batch:
        """Batch of a group of readings, given all that is known now."""
        paths: dict[str, list[str]] = {}
        for reading in group:
            paths.setdefault(reading.task.folder, []).append(reading.task.path)
        measurements = [m for r in group for m in r.measurements]
        ids = [m.measurement_id for m in measurements]
        known = known_of(paths, ids, [m.values_sha256 for m in measurements], catalog)
        held = catalog.known_file_ids([r.file_id for r in group])
        fresh = [r for r in _each_once(group) if r.file_id not in held]
        gathered = Gathered()
        files: list[FileRow] = []
        for reading in fresh:
            ruled = Ruled()
            scans = Scans(reading.measurements, reading.spectra, reading.axes)
            gathered.take(reading.task.folder, scans, known, ruled)
            files.append(self._file_row(reading, ruled))
        files, originals = _originals(fresh, files, catalog)
        asked = {r.file_id for r in fresh if r.task.with_verdicts}
        batch = gathered.batch_with_drawn(self._judge, catalog, lambda m: m.file_id in asked)
        return replace(batch, files=tuple(files), originals=originals)

    def _file_row(self, reading: FileReading, ruled: Ruled) -> FileRow:
        task = reading.task
        is_refused = reading.outcome is FileOutcome.REFUSED
        told = [reading.note] if is_refused or reading.note else []
        return FileRow(
            file_id=reading.file_id,
            folder=task.folder,
            path=task.path,
            size=task.size,
            modified_ns=task.modified_ns,
            sha256=reading.sha256,
            outcome=reading.outcome if is_refused else ruled.outcome,
            note="; ".join(told if is_refused else [ruled.note, *told]),
            place=reading.place,
            found=reading.found,
            expected=reading.expected,
            importer=reading.importer,
            importer_version=reading.importer_version,
            format=reading.format,
            readers=self._readers,
            measurements=ruled.taken,
            arrived_at=task.arrived_at,
            backfill=task.backfill,
        )


def _each_once(group: Sequence[FileReading]) -> list[FileReading]:
    return list({reading.file_id: reading for reading in group}.values())


def _originals(
    fresh: Sequence[FileReading], files: Sequence[FileRow], catalog: Catalog
) -> tuple[list[FileRow], dict[str, bytes | Path]]:
    """Bytes that the archive does not hold yet, and the rows marked accordingly."""
    held = catalog.has_original([r.sha256 for r in fresh])
    originals: dict[str, bytes | Path] = {}
    rows = []
    for reading, row in zip(fresh, files, strict=True):
        is_new = reading.sha256 not in held and reading.sha256 not in originals
        if is_new:
            originals[reading.sha256] = reading.original
        rows.append(row if is_new else replace(row, holds_original=False))
    return rows, originals


def _why(group: Sequence[FileReading]) -> str:
    folders = sorted({r.task.folder for r in group})
    return f"{len(group)} file{'s' if len(group) > 1 else ''} from {', '.join(folders)}"


def absolute_root(archive: Path, path: str) -> Path:
    """Folder named in the settings, absolute or relative to the archive."""
    return (archive / Path(path).expanduser()).resolve()
