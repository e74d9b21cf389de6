"""Watched folders: which files are new to the ledger and have settled.

A walk over the folder is the truth; file-system events only say where to look sooner. A file has
settled when two looks, `settle_s` apart by our own clock, find equal size and time; the reader
looks a third time after it has read. Nothing is moved, locked or deleted, and no file is held
open longer than one read.
"""

import os
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from threading import Lock
from typing import Protocol

from speclake.intake.reading import is_run_sheet, is_wanted
from speclake.settings import Folder

CHUNK = 500
MOST_WAITING = 20_000
"""How many unsettled files are kept in mind: a longer backlog waits in the folder itself."""
MOST_HELD_UP_TOLD = 20
STEPS_WITHOUT_A_FILE = 20
EMPTY_FILE_PATIENCE = 10
"""An empty file is about to be written: it settles this many times later."""

Listed = tuple[str, int, int]
"""Path below the folder, size, modification time in ns."""


class Disk(Protocol):
    """What a folder is looked at through; tests pass one that vanishes, stalls or lies."""

    def walk(self, root: Path, /) -> Iterator[Listed]:
        """Every file below the root in a steady order; a folder that vanishes is passed over.

        Raises
        ------
        OSError
            The root itself cannot be read.
        """

    def look(self, root: Path, path: str, /) -> Listed | None:
        """One file now; None when it is gone or cannot be looked at."""


class LocalDisk:
    """The machine's own file system, network shares included.

    `unnameable` holds the files whose names are not text in the encoding of the system: they
    cannot be told apart in the record, so they are shown to a person and left alone.
    """

    def __init__(self) -> None:
        self.unnameable: set[str] = set()

    def walk(self, root: Path, /) -> Iterator[Listed]:
        """Files below the root, folder by folder, in the order of their names."""
        yield from self._folder(root, "", must_exist=True)

    def _folder(self, folder: Path, below: str, *, must_exist: bool) -> Iterator[Listed]:
        try:
            with os.scandir(folder) as entries:
                listing = sorted(entries, key=lambda e: e.name)
        except OSError:
            if must_exist:
                raise
            return
        for entry in listing:
            if not _is_text(entry.name):
                self.unnameable.add(f"{below}{entry.name}".encode(errors="replace").decode())
                continue
            try:
                if entry.is_dir(follow_symlinks=False):
                    if not entry.name.startswith("."):
                        inner = f"{below}{entry.name}/"
                        yield from self._folder(folder / entry.name, inner, must_exist=False)
                elif entry.is_file():
                    stat = entry.stat()
                    yield f"{below}{entry.name}", stat.st_size, stat.st_mtime_ns
            except OSError:
                continue

    def look(self, root: Path, path: str, /) -> Listed | None:
        """One file as it is now."""
        try:
            stat = (root / path).stat()
        except OSError:
            return None
        return path, stat.st_size, stat.st_mtime_ns


def _is_text(name: str) -> bool:
    try:
        name.encode()
    except UnicodeEncodeError:
        return False
    return True


@dataclass
class FolderState:
    """What a person wants to know of a watched folder. Times by the wall clock, in seconds."""

    name: str
    path: str
    is_reachable: bool | None = None
    trouble: str = ""
    last_look_s: float | None = None
    last_file_s: float | None = None
    waiting: int = 0
    held_up: dict[str, str] = field(default_factory=dict)
    """Files that cannot be taken in for now, with the reason; the first few of them."""


@dataclass
class _Waiting:
    listed: Listed
    since_s: float


@dataclass
class WatchedFolder:
    """One watched folder: finds new files, lets them settle, hands them on once.

    `unseen` tells which of a listing the ledger does not hold; `clock` is monotonic seconds.
    """

    folder: Folder
    root: Path
    unseen: Callable[[str, Sequence[Listed]], Sequence[Listed]]
    clock: Callable[[], float]
    wall_clock: Callable[[], float]
    disk: Disk = field(default_factory=LocalDisk)

    def __post_init__(self) -> None:
        self.state = FolderState(self.folder.name, str(self.root))
        self._queue: deque[_Waiting] = deque()
        self._known: set[str] = set()
        self._walk: Iterator[list[Listed]] | None = None
        self._next_walk_s = float("-inf")
        self._hints: deque[str] = deque(maxlen=MOST_WAITING)
        self._lock = Lock()

    def hint(self, path: str) -> None:
        """An event named this path: look at it at the next turn. Called from any thread."""
        with self._lock:
            self._hints.append(path)

    def look_again(self, path: str, why: str) -> None:
        """A file handed on could not be taken in for now: it is still changing, or is locked."""
        self._known.discard(path)
        if len(self.state.held_up) < MOST_HELD_UP_TOLD:
            self.state.held_up[path] = why
        self.hint(path)

    def done(self, path: str) -> None:
        """A file handed on stands in the ledger now."""
        self._known.discard(path)
        self.state.held_up.pop(path, None)
        self.state.last_file_s = self.wall_clock()

    @property
    def is_walking(self) -> bool:
        """Whether a walk through the folder is under way: there is more to do at once."""
        return self._walk is not None

    def settled(self) -> Iterator[Listed]:
        """Files that are new and have settled by now.

        Walks on through the folder in between, so that one pass serves a backlog of any length;
        ends when nothing is ripe, at the latest after `STEPS_WITHOUT_A_FILE` steps of the walk,
        so that a folder of files long taken holds up no other.
        """
        steps = 0
        while steps < STEPS_WITHOUT_A_FILE:
            self._take_hints()
            self._walk_on()
            ripe = self._ripe()
            self.state.waiting = len(self._queue)
            yield from ripe
            steps = 0 if ripe else steps + 1
            if not ripe and (self._walk is None or len(self._queue) >= MOST_WAITING):
                return

    def _take_hints(self) -> None:
        with self._lock:
            paths = list(dict.fromkeys(self._hints))
            self._hints.clear()
        listed = [found for path in paths if (found := self.disk.look(self.root, path))]
        self._enqueue(listed)

    def _walk_on(self) -> None:
        """One chunk further through the folder, starting a new walk when it is due."""
        if len(self._queue) >= MOST_WAITING:
            return
        if self._walk is None:
            if self.clock() < self._next_walk_s:
                return
            self._walk = self._chunks()
        try:
            chunk = next(self._walk, None)
        except OSError as error:
            self._walk = None
            self._next_walk_s = self.clock() + self.folder.rescan_s
            self.state.is_reachable = False
            self.state.trouble = f"{self.root} cannot be read: {error.strerror}"
            return
        self.state.is_reachable, self.state.trouble = True, ""
        if chunk is None:
            self._walk = None
            self._next_walk_s = self.clock() + self.folder.rescan_s
            self.state.last_look_s = self.wall_clock()
            for path in getattr(self.disk, "unnameable", ()):
                self.state.held_up[path] = "its name is not text; rename it"
        else:
            self._enqueue(chunk)

    def _chunks(self) -> Iterator[list[Listed]]:
        chunk: list[Listed] = []
        for listed in self.disk.walk(self.root):
            chunk.append(listed)
            if len(chunk) == CHUNK:
                yield chunk
                chunk = []
        if chunk:
            yield chunk

    def _enqueue(self, listing: Sequence[Listed]) -> None:
        wanted = [
            listed
            for listed in listing
            if listed[0] not in self._known
            and (is_wanted(listed[0], self.folder) or is_run_sheet(listed[0], self.folder))
        ]
        if not wanted:
            return
        now = self.clock()
        for listed in self.unseen(self.folder.name, wanted):
            if listed[0] not in self._known:
                self._known.add(listed[0])
                self._queue.append(_Waiting(listed, now))

    def _ripe(self) -> list[Listed]:
        """Files whose second look, long enough after the first, finds them unchanged."""
        now = self.clock()
        ripe: list[Listed] = []
        for _ in range(len(self._queue)):
            waiting = self._queue[0]
            age = now - waiting.since_s
            if age < self.folder.settle_s:
                break
            self._queue.popleft()
            seen = self.disk.look(self.root, waiting.listed[0])
            if seen is None:
                self._known.discard(waiting.listed[0])
                self.state.held_up.pop(waiting.listed[0], None)
            elif seen != waiting.listed:
                self._queue.append(_Waiting(seen, now))
            elif seen[1] == 0 and age < EMPTY_FILE_PATIENCE * self.folder.settle_s:
                self._queue.append(waiting)
            else:
                ripe.append(seen)
            if len(ripe) >= CHUNK:
                break
        return ripe
