"""Settled files to commits: read in guarded workers, ruled upon, judged, committed in groups."""

import time
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from speclake.archive.catalog import Catalog
from speclake.archive.lake import Lake
from speclake.archive.rows import Batch, EventRow, FileOutcome, FileRow, FindingRow, StoredSpectrum
from speclake.intake.identity import Known, Ruling, rule
from speclake.intake.reading import FileReading
from speclake.intake.verdicts import Judge
from speclake.measurement import LinkKind, Measurement
from speclake.spectrum import Axis

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
    measurements: int = 0
    verdicts: Counter[str] = field(default_factory=Counter)
    refused: list[FileRow] = field(default_factory=list)
    conflicts: list[FileRow] = field(default_factory=list)
    left_out: dict[str, str] = field(default_factory=dict)

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
        hears of every group that stands durably in the archive.
        """
        group: list[FileReading] = []
        started = self._clock()
        for reading in readings:
            if reading is not None:
                if not group:
                    started = self._clock()
                group.append(reading)
            late = self._clock() - started >= self._most_seconds
            if group and (late or len(group) >= self._most_files):
                self._commit(group, tally)
                on_commit(group)
                group = []
        if group:
            self._commit(group, tally)
            on_commit(group)

    def _commit(self, group: Sequence[FileReading], tally: Tally) -> None:
        made: list[Batch] = []

        def prepare(catalog: Catalog) -> Batch | None:
            batch = self._batch(group, catalog)
            made[:] = [batch]
            return batch or None

        commit = self._store.commit(prepare, who=WHO, why=_why(group), kind="intake")
        if commit is not None:
            tally.add(made[0])
            self._store.refresh()
            self._store.catalog.publish_if_due()

    def _batch(self, group: Sequence[FileReading], catalog: Catalog) -> Batch:
        """Batch of a group of readings, given all that is known now."""
        known = _known(group, catalog)
        ids = catalog.known_file_ids([r.file_id for r in group])
        fresh = [r for r in _each_once(group) if r.file_id not in ids]
        measurements: list[Measurement] = []
        judged_as: list[Measurement] = []
        events: list[EventRow] = []
        spectra: list[StoredSpectrum] = []
        axes: dict[str, Axis] = {}
        files: list[FileRow] = []
        findings: list[FindingRow] = []
        for reading in fresh:
            rulings = _rulings(reading, known)
            for ruling, spectrum in zip(rulings, reading.spectra, strict=True):
                if (m := ruling.measurement) is not None:
                    measurements.append(m)
                    judged_as.append(replace(m, **ruling.handed_on))
                    events += ruling.events
                    spectra.append(spectrum)
                    findings += _findings(m)
            axes |= {axis.id: axis for axis in reading.axes}
            files.append(self._file_row(reading, rulings))
        used = {m.axis_id for m in measurements} - catalog.axes_known([*axes])
        files, originals = _originals(fresh, files, catalog)
        kept_axes = {k: axis for k, axis in axes.items() if k in used}
        asked = {r.file_id for r in fresh if r.task.with_verdicts}
        judged = self._judge.new(
            [m for m in judged_as if m.file_id in asked], spectra, axes, catalog
        )
        return Batch(
            measurements=tuple(measurements),
            spectra=tuple(spectra),
            axes=tuple(kept_axes.values()),
            verdicts=judged.verdicts,
            specifications=judged.specifications,
            findings=tuple(findings),
            events=tuple(events),
            files=tuple(files),
            originals=originals,
        )

    def _file_row(self, reading: FileReading, rulings: Sequence[Ruling]) -> FileRow:
        task = reading.task
        taken = sum(r.measurement is not None for r in rulings)
        outcome = reading.outcome
        if outcome is not FileOutcome.REFUSED:
            outcome = (
                FileOutcome.CONFLICT
                if any(r.is_conflict for r in rulings)
                else FileOutcome.TAKEN
                if taken or not rulings
                else FileOutcome.REPEATED
            )
        remarks = dict.fromkeys(r.remark for r in rulings if r.remark)
        return FileRow(
            file_id=reading.file_id,
            folder=task.folder,
            path=task.path,
            size=task.size,
            modified_ns=task.modified_ns,
            sha256=reading.sha256,
            outcome=outcome,
            note=_note(reading, remarks, taken),
            place=reading.place,
            found=reading.found,
            expected=reading.expected,
            importer=reading.importer,
            importer_version=reading.importer_version,
            format=reading.format,
            readers=self._readers,
            measurements=taken,
            arrived_at=task.arrived_at,
            backfill=task.backfill,
        )


def _rulings(reading: FileReading, known: Known) -> list[Ruling]:
    """Ruling on each scan of a file, with those before it known."""
    rulings = []
    for m in reading.measurements:
        ruling = rule(reading.task.folder, m, known)
        if ruling.measurement is not None:
            known.add(reading.task.folder, ruling.measurement)
        rulings.append(ruling)
    return rulings


def _known(group: Sequence[FileReading], catalog: Catalog) -> Known:
    """What the archive holds that the rulings on this group may depend on."""
    measurements = [m for r in group for m in r.measurements]
    paths: dict[str, list[str]] = {}
    for r in group:
        paths.setdefault(r.task.folder, []).append(r.task.path)
    same_path: dict[tuple[str, str], list[Measurement]] = {}
    for folder, names in paths.items():
        for m in catalog.from_path(folder, names):
            same_path.setdefault((folder, m.file), []).append(m)
    same_values = catalog.same_values([m.values_sha256 for m in measurements])
    earlier = [*same_values, *(m for ms in same_path.values() for m in ms)]
    return Known.of(
        catalog.known_ids([m.measurement_id for m in measurements]),
        same_values,
        same_path,
        catalog.set_aside([m.measurement_id for m in earlier]),
    )


def _each_once(group: Sequence[FileReading]) -> list[FileReading]:
    return list({reading.file_id: reading for reading in group}.values())


def _originals(
    fresh: Sequence[FileReading], files: Sequence[FileRow], catalog: Catalog
) -> tuple[list[FileRow], dict[str, bytes]]:
    """Bytes that the archive does not hold yet, and the rows marked accordingly."""
    held = catalog.has_original([r.sha256 for r in fresh])
    originals: dict[str, bytes] = {}
    rows = []
    for reading, row in zip(fresh, files, strict=True):
        is_new = reading.sha256 not in held and reading.sha256 not in originals
        if is_new:
            originals[reading.sha256] = reading.content
        rows.append(row if is_new else replace(row, holds_original=False))
    return rows, originals


def _findings(m: Measurement) -> list[FindingRow]:
    """What intake itself has to say about a measurement: clocks and twins."""
    said = [("clocks", "doubt", note) for note in m.time_notes]
    said += [
        ("identical values", "doubt", f"every value equals that of measurement {link.target}")
        for link in m.links
        if link.kind is LinkKind.SAME_VALUES_AS
    ]
    return [
        FindingRow(
            finding_id=f"{m.measurement_id}-{i}",
            measurement_id=m.measurement_id,
            check=check,
            severity=severity,
            text=text,
            version="1",
        )
        for i, (check, severity, text) in enumerate(said)
    ]


def _note(reading: FileReading, remarks: Iterable[str], taken: int) -> str:
    """Words of the ledger's line: why it was refused, or what became of it and what it left out."""
    if reading.outcome is FileOutcome.REFUSED:
        return reading.note
    told = [*remarks] or [_taken(taken)]
    return "; ".join([*told, reading.note] if reading.note else told)


def _taken(spectra: int) -> str:
    return "1 spectrum taken" if spectra == 1 else f"{spectra} spectra taken"


def _why(group: Sequence[FileReading]) -> str:
    folders = sorted({r.task.folder for r in group})
    return f"{len(group)} file{'s' if len(group) > 1 else ''} from {', '.join(folders)}"


def absolute_root(archive: Path, path: str) -> Path:
    """Folder named in the settings, absolute or relative to the archive."""
    return (archive / Path(path).expanduser()).resolve()
