"""The watcher: folders to settled files to commits, one turn after another."""

import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from threading import Event

from speclake.archive.lake import Lake
from speclake.importing.pool import Pause
from speclake.intake.disks import Listed
from speclake.intake.events import Hints
from speclake.intake.folders import FolderState, WatchedFolder
from speclake.intake.ingest import Ingest, Tally, absolute_root
from speclake.intake.keptstandards import keep_standards
from speclake.intake.readpool import ReadPool
from speclake.intake.sheetbook import SheetBook
from speclake.intake.tasks import FileReading, FileTask
from speclake.intake.verdicts import Judge, judge_taken
from speclake.intake.wanted import is_run_sheet
from speclake.settings import Settings

TURN_S = 30.0
"""How long a turn goes on asking for files: then other things have their turn, too."""
ASK_AGAIN_S = 0.1


@dataclass(frozen=True)
class _Folder:
    watched: WatchedFolder
    hints: Hints | None


class _Sources:
    """Ripe files of several folders in turn; one that had none is asked again a little later."""

    def __init__(self, settled: Mapping[str, Callable[[], Iterator[Listed]]]) -> None:
        self._settled = settled
        self._open: dict[str, Iterator[Listed]] = {}
        self._next_s = dict.fromkeys(settled, float("-inf"))

    @property
    def are_empty(self) -> bool:
        """Whether the last round found no folder with a file to give."""
        return not self._open

    def one_round(self) -> Iterator[tuple[str, Listed]]:
        """At most one file of each folder."""
        for name, settled in self._settled.items():
            if name not in self._open:
                if time.monotonic() < self._next_s[name]:
                    continue
                self._open[name] = settled()
            listed = next(self._open[name], None)
            if listed is None:
                del self._open[name]
                self._next_s[name] = time.monotonic() + ASK_AGAIN_S
            else:
                yield name, listed


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
        self._has_new_sheet = False
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
        under_way = self._pool.under_way
        return [
            replace(
                each.watched.state,
                under_way={
                    path: how for (folder, path), how in under_way.items() if folder == name
                },
            )
            for name, each in self._folders.items()
        ]

    def close(self) -> None:
        """End the threads that listen for events."""
        for each in self._folders.values():
            if each.hints:
                each.hints.stop()

    def turn(self, stop: Event, tally: Tally) -> bool:
        """One turn: take what is ripe now. False where nothing was and no walk is under way.

        When `stop` is set, what was read by then, or is within a short grace, is still committed;
        files that were dropped have no line in the ledger and are found again.
        """
        keep_standards(self._store, self._judge.standards)
        before = tally.files
        self._ingest.take(self._readings(stop), tally, self._committed)
        if told := self._sheets.apply_due():
            judge_taken(self._store, self._judge, told, why="a run sheet told which parts")
        is_walking = any(each.watched.is_walking for each in self._folders.values())
        return is_walking or tally.files > before

    def _readings(self, stop: Event) -> Iterator[FileReading | None]:
        for reading in self._pool.read(self._tasks(), stop):
            if reading is not None and reading.changed:
                self._folders[reading.task.folder].watched.look_again(
                    reading.task.path, reading.note
                )
                continue
            yield reading

    def _tasks(self) -> Iterator[FileTask | Pause]:
        """Ripe files of all folders in turn, so that a backlog in one holds up no other.

        Where none is ripe it pauses, to be asked again while files are being read. It ends then
        if a run sheet waits for them to be done, or if the turn is an old one; but not while a
        file is read that takes long, which is to hold up none that comes meanwhile.
        """
        ends_s = time.monotonic() + TURN_S
        self._has_new_sheet = False
        sources = _Sources({name: each.watched.settled for name, each in self._folders.items()})
        while True:
            self._listen()
            for name, listed in sources.one_round():
                if is_run_sheet(listed[0], self._folders[name].watched.folder):
                    self._take_sheet(name, listed)
                else:
                    yield self._task(name, listed)
            if sources.are_empty:
                is_due = self._has_new_sheet or time.monotonic() > ends_s
                if is_due and not self._pool.under_way:
                    return
                yield Pause.PAUSE

    def _listen(self) -> None:
        for each in self._folders.values():
            if each.hints:
                each.hints.keep_alive()
                each.watched.tell(each.hints.trouble)

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
        self._has_new_sheet = True
        watched.done(listed[0])

    def _committed(self, group: Sequence[FileReading]) -> None:
        for reading in group:
            self._folders[reading.task.folder].watched.done(reading.task.path)

    def _unseen(self, folder: str, listing: Sequence[Listed]) -> Sequence[Listed]:
        return self._store.catalog.unseen(folder, listing)
