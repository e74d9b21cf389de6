"""Run sheets of the watched folders: archived like any file, and later evidence as events."""

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from speclake.archive.catalog import Catalog
from speclake.archive.lake import Lake
from speclake.archive.rows import Batch, EventKind, EventRow, FileOutcome, FileRow, file_id
from speclake.errors import MalformedFile
from speclake.intake import runsheets
from speclake.intake.disks import Listed
from speclake.intake.laterevidence import later_evidence
from speclake.intake.runsheets import RunSheet
from speclake.intake.wanted import may_hold_many
from speclake.settings import load

READER = "run sheet"
"""What stands for the importer in the ledger's line on a run sheet."""

RULES = "run sheet 1"
"""Which rules a sheet was read by: one that older rules refused is read again."""


class SheetBook:
    """The run sheets in force, by watched folder and path: the latest state of each.

    A sheet that was taken, by this process or another, is due: what it says of scans already in
    the archive becomes events at the next `apply_due`, when nothing that was read without it is
    still on its way. A note in the chain says of each sheet that this was done.
    """

    def __init__(self, store: Lake, clock: Callable[[], datetime]) -> None:
        self._store, self._clock = store, clock
        self._settings = load(store.root)
        self._sheets: dict[tuple[str, str], _Held] = {}
        self._due: set[tuple[str, str]] = set()
        self._followed = 0
        self._follow()
        done = store.catalog.noted([held.file_id for held in self._sheets.values()])
        self._due -= {key for key, held in self._sheets.items() if held.file_id in done}

    def _follow(self) -> None:
        """Take up the sheets that the ledger holds and this book does not."""
        catalog = self._store.catalog
        number = catalog.number
        if number == self._followed:
            return
        for row in catalog.taken_by(READER, self._followed):
            held = self._sheets.get((row.folder, row.path))
            if held is None or held.file_id != row.file_id:
                sheet = runsheets.read(row.path, self._store.original(row.sha256))
                self._hold(row, sheet)
        self._followed = number

    def _hold(self, row: FileRow, sheet: RunSheet) -> None:
        self._sheets[row.folder, row.path] = _Held(sheet, row.file_id)
        self._due.add((row.folder, row.path))

    def about(self, folder: str, file: str) -> tuple[RunSheet, ...]:
        """Sheets of a folder, each narrowed to what may speak of one file; whole for many files."""
        self._follow()
        if may_hold_many(file):
            return tuple(self._of(folder))
        run = self._run_of(folder, file)
        return tuple(
            narrow for sheet in self._of(folder) if (narrow := sheet.about(file, run)) is not None
        )

    def _run_of(self, folder: str, file: str) -> str | None:
        """Run number that the name of a file gives; another one in its header would not count."""
        watched = self._settings.folder_named(folder)
        patterns = self._settings.patterns_of(watched) if watched else self._settings.pattern
        named = (fields for p in patterns if (fields := p.fields(file)) is not None)
        return next(named, {}).get("run", "").strip() or None

    def _of(self, folder: str) -> list[RunSheet]:
        held = sorted((path, held) for (name, path), held in self._sheets.items() if name == folder)
        return [each.sheet for _, each in held]

    def take(self, folder: str, listed: Listed, content: bytes) -> FileRow:
        """Line of the ledger on a run sheet that is archived now, taken or refused."""
        path, size, modified_ns = listed
        sha256 = hashlib.sha256(content).hexdigest()
        row = FileRow(
            file_id=file_id(folder, path, modified_ns, sha256, RULES),
            folder=folder,
            path=path,
            size=size,
            modified_ns=modified_ns,
            sha256=sha256,
            outcome=FileOutcome.TAKEN,
            note="run sheet",
            importer=READER,
            readers=RULES,
            arrived_at=self._clock().astimezone(UTC),
        )
        return self._read(row, content)

    def take_again(self, refused: FileRow, again: str) -> FileRow:
        """Line on a refused sheet that is read once more from the bytes the archive keeps.

        Parameters
        ----------
        again : set when a person asks for it although the rules are the same.
        """
        identifier = file_id(
            refused.folder, refused.path, refused.modified_ns, refused.sha256, RULES + again
        )
        row = replace(
            refused, file_id=identifier, outcome=FileOutcome.TAKEN, note="run sheet",
            place="", found="", expected="", readers=RULES,
        )  # fmt: skip
        return self._read(row, self._store.original(refused.sha256))

    def _read(self, row: FileRow, content: bytes) -> FileRow:
        try:
            sheet = runsheets.read(row.path, content)
        except MalformedFile as error:
            row = _refusal(row, error)
        else:
            self._hold(row, sheet)
        self._commit(row, content)
        return row

    def _commit(self, row: FileRow, content: bytes) -> None:
        def prepare(catalog: Catalog) -> Batch | None:
            if catalog.known_file_ids([row.file_id]):
                return None
            is_held = row.sha256 in catalog.has_original([row.sha256])
            new = replace(row, holds_original=not is_held)
            return Batch(files=(new,), originals={} if is_held else {row.sha256: content})

        self._store.commit(prepare, who="intake", why=f"run sheet {row.path}", kind="run sheet")

    def apply_due(self) -> list[str]:
        """Measurements of which the sheets taken lately told more, as events."""
        self._store.refresh()
        self._follow()
        told: list[str] = []
        for folder in sorted({folder for folder, _ in self._due}):
            told += self._apply(folder, sorted(p for name, p in self._due if name == folder))
        self._due.clear()
        return told

    def _apply(self, folder: str, paths: Sequence[str]) -> list[str]:
        """Measurements of one folder of which its sheets, taken together, tell more."""
        due = [self._sheets[folder, path] for path in paths]
        files = sorted({name for held in due for name in held.sheet.files})
        runs = sorted({name for held in due for name in held.sheet.runs})
        told: list[str] = []

        def prepare(catalog: Catalog) -> Batch | None:
            now = self._clock().astimezone(UTC)
            later = later_evidence(
                catalog.scans_named(folder, files, runs),
                self._of(folder),
                self._settings,
                at=now,
                seen=catalog.number,
            )
            told[:] = dict.fromkeys(event.subject for event in later.events)
            done = catalog.noted([held.file_id for held in due])
            notes = [_note(held, now) for held in due if held.file_id not in done]
            if not (later.events or later.findings or notes):
                return None
            return Batch(events=(*later.events, *notes), findings=later.findings)

        why = f"run sheet {', '.join(paths)}: what it tells of scans taken before it"
        self._store.commit(prepare, who="intake", why=why, kind="assign")
        return told


@dataclass(frozen=True)
class _Held:
    sheet: RunSheet
    file_id: str


def _note(held: _Held, now: datetime) -> EventRow:
    return EventRow(
        event_id=hashlib.sha256(f"{held.file_id}|told".encode()).hexdigest()[:32],
        kind=EventKind.NOTE,
        subject=held.file_id,
        details={"run sheet": held.sheet.name},
        who="intake",
        why="the run sheet was held against the scans taken before it",
        at=now,
    )


def _refusal(row: FileRow, error: MalformedFile) -> FileRow:
    return replace(
        row,
        outcome=FileOutcome.REFUSED,
        note=str(error),
        place=error.place,
        found=error.found,
        expected=error.expected,
    )
