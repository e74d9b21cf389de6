"""The watcher: folders to settled files to commits, one turn after another."""

import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from threading import Event

from speclake.archive.lake import Lake
from speclake.intake.events import Hints
from speclake.intake.folders import FolderState, Listed, WatchedFolder
from speclake.intake.ingest import Ingest, Tally, absolute_root
from speclake.intake.reading import FileReading, FileTask, is_run_sheet
from speclake.intake.readpool import ReadPool
from speclake.intake.sheetbook import SheetBook
from speclake.intake.verdicts import Judge, judge_taken
from speclake.settings import Settings


@dataclass(frozen=True)
class _Folder:
    watched: WatchedFolder
    hints: Hints | None


class Watcher:
    """Watches the folders of the settings until told to stop; everything it takes is committed."""

    def __init__(
        self,
        archive: Path,
        settings: Settings,
        store: Lake,
        pool: ReadPool,
        ingest: Ingest,
        judge: Judge,
    ) -> None:
        self._store, self._pool, self._ingest, self._judge = store, pool, ingest, judge
        self._sheets = SheetBook(store, lambda: datetime.now(UTC))
        self._folders = {
            folder.name: self._watch(archive, folder.name, settings) for folder in settings.folder
        }

    def _watch(self, archive: Path, name: str, settings: Settings) -> _Folder:
        folder = settings.folder_named(name)
        assert folder is not None
        root = absolute_root(archive, folder.path)
        watched = WatchedFolder(
            folder, root, self._unseen, clock=time.monotonic, wall_clock=time.time
        )
        hints = Hints(root, watched.hint) if folder.observer == "events" else None
        return _Folder(watched, hints)

    def states(self) -> list[FolderState]:
        """How each folder is, for the Intake page."""
        return [each.watched.state for each in self._folders.values()]

    def close(self) -> None:
        """End the threads that listen for events."""
        for each in self._folders.values():
            if each.hints:
                each.hints.stop()

    def turn(self, stop: Event, tally: Tally) -> bool:
        """One turn: take what is ripe now. False where nothing was and no walk is under way.

        When `stop` is set, what is being read is still committed.
        """
        for each in self._folders.values():
            if each.hints:
                each.hints.keep_alive()
        before = tally.files
        self._ingest.take(self._readings(stop), tally, self._committed)
        if told := self._sheets.apply_due():
            judge_taken(self._store, self._judge, told, why="a run sheet told which parts")
        is_walking = any(each.watched.is_walking for each in self._folders.values())
        return is_walking or tally.files > before

    def _readings(self, stop: Event) -> Iterator[FileReading | None]:
        for reading in self._pool.read(self._tasks(stop)):
            if reading is not None and reading.changed:
                self._folders[reading.task.folder].watched.look_again(
                    reading.task.path, reading.note
                )
                continue
            yield reading

    def _tasks(self, stop: Event) -> Iterator[FileTask]:
        """Ripe files of all folders in turn, so that a backlog in one holds up no other."""
        sources = {name: each.watched.settled() for name, each in self._folders.items()}
        while sources and not stop.is_set():
            for name, source in list(sources.items()):
                listed = next(source, None)
                if listed is None:
                    del sources[name]
                elif is_run_sheet(listed[0], self._folders[name].watched.folder):
                    self._take_sheet(name, listed)
                else:
                    yield self._task(name, listed)

    def _task(self, name: str, listed: Listed) -> FileTask:
        path, size, modified_ns = listed
        return FileTask(
            folder=name,
            root=self._folders[name].watched.root,
            path=path,
            size=size,
            modified_ns=modified_ns,
            arrived_at=datetime.now(UTC),
            sheets=self._sheets.about(name, path),
        )

    def _take_sheet(self, name: str, listed: Listed) -> None:
        watched = self._folders[name].watched
        try:
            content = (watched.root / listed[0]).read_bytes()
        except OSError as error:
            watched.look_again(listed[0], f"cannot be opened: {error.strerror}")
            return
        if len(content) != listed[1]:
            watched.look_again(listed[0], "it changed while it was read")
            return
        self._sheets.take(name, listed, content)
        watched.done(listed[0])

    def _committed(self, group: Sequence[FileReading]) -> None:
        for reading in group:
            self._folders[reading.task.folder].watched.done(reading.task.path)

    def _unseen(self, folder: str, listing: Sequence[Listed]) -> Sequence[Listed]:
        return self._store.catalog.unseen(folder, listing)
