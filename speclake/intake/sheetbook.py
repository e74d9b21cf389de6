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
from speclake.intake.folders import Listed
from speclake.intake.runsheets import RunSheet
from speclake.measurement import ASSIGNABLE, Measurement

READER = "run sheet"
"""What stands for the importer in the ledger's line on a run sheet."""


class SheetBook:
    """The run sheets in force, by watched folder and path: the latest state of each.

    A sheet that was taken is due: what it says of scans already in the archive becomes events at
    the next `apply_due`, when nothing that was read without it is still on its way.
    """

    def __init__(self, store: Lake, clock: Callable[[], datetime]) -> None:
        self._store, self._clock = store, clock
        self._sheets: dict[tuple[str, str], _Held] = {}
        for row in store.catalog.taken_by(READER):
            sheet = runsheets.read(row.path, store.original(row.sha256))
            self._sheets[row.folder, row.path] = _Held(sheet, row.sha256)
        self._due = set(self._sheets)

    def about(self, folder: str, file: str) -> tuple[RunSheet, ...]:
        """Sheets of a folder, each narrowed to what may speak of one file."""
        own = (held.sheet for (name, _), held in self._sheets.items() if name == folder)
        return tuple(narrow for sheet in own if (narrow := sheet.about(file)) is not None)

    def take(self, folder: str, listed: Listed, content: bytes) -> FileRow:
        """Line of the ledger on a run sheet that is archived now, taken or refused."""
        path, size, modified_ns = listed
        sha256 = hashlib.sha256(content).hexdigest()
        row = FileRow(
            file_id=file_id(folder, path, modified_ns, sha256, READER),
            folder=folder,
            path=path,
            size=size,
            modified_ns=modified_ns,
            sha256=sha256,
            outcome=FileOutcome.TAKEN,
            note="run sheet",
            importer=READER,
            arrived_at=self._clock().astimezone(UTC),
        )
        try:
            sheet = runsheets.read(path, content)
        except MalformedFile as error:
            row = _refusal(row, error)
        else:
            self._sheets[folder, path] = _Held(sheet, sha256)
            self._due.add((folder, path))
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
        told: list[str] = []
        for folder, path in sorted(self._due):
            held = self._sheets[folder, path]
            made: list[EventRow] = []

            def prepare(
                catalog: Catalog, folder: str = folder, held: _Held = held,
                made: list[EventRow] = made,
            ) -> Batch | None:  # fmt: skip
                made[:] = _later_evidence(held, catalog.incomplete_in(folder), self._clock())
                return Batch(events=tuple(made)) if made else None

            why = f"run sheet {path} tells of scans taken before it"
            self._store.commit(prepare, who="intake", why=why, kind="assign")
            told += [event.subject for event in made]
        self._due.clear()
        return list(dict.fromkeys(told))


@dataclass(frozen=True)
class _Held:
    sheet: RunSheet
    sha256: str


def _refusal(row: FileRow, error: MalformedFile) -> FileRow:
    return replace(
        row,
        outcome=FileOutcome.REFUSED,
        note=str(error),
        place=error.place,
        found=error.found,
        expected=error.expected,
    )


def _later_evidence(
    held: _Held, measurements: Sequence[Measurement], now: datetime
) -> list[EventRow]:
    """Events for scans taken before the sheet: only fields that nobody knew are filled."""
    events = []
    for m in measurements:
        for line, fields in held.sheet.entries_for(m.file, m.place, m.run):
            details = {
                name: value
                for name, value in fields.items()
                if name in ASSIGNABLE and _is_unknown(m, name)
            }
            if details:
                text = f"{m.measurement_id}|{held.sha256}|{line}"
                events.append(
                    EventRow(
                        event_id=hashlib.sha256(text.encode()).hexdigest()[:32],
                        kind=EventKind.ASSIGN,
                        subject=m.measurement_id,
                        details=details,
                        who=f"run sheet {held.sheet.name}, line {line}",
                        why="the run sheet came after the scan",
                        at=now.astimezone(UTC),
                    )
                )
    return events


def _is_unknown(m: Measurement, name: str) -> bool:
    value = getattr(m, name)
    return value is None or (name == "kind" and value == "unknown")
