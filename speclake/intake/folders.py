"""Watched folders: which files are new to the ledger and have settled.

A walk over the folder is the truth; file-system events only say where to look sooner. A file has
settled when two looks, `settle_s` apart by our own clock, find equal size and time; the reader
looks a third time after it has read. Nothing is moved, locked or deleted, and no file is held
open longer than one read.
"""

import os
import stat
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
WHOLE_FOLDER = "the folder"
"""What stands for a file's name where the trouble is that of all files."""
SHORTEST_DELAY_S = 0.5
"""A file that could not be taken in rests at least this long, and twice as long each time after."""
EMPTY_FILE_PATIENCE = 10
"""An empty file is about to be written: it settles this many times later."""

Listed = tuple[str, int, int]
"""Path below the folder, size, modification time in ns."""


class Disk(Protocol):
    """What a folder is looked at through; tests pass one that vanishes, stalls or lies."""

    passed_over: dict[str, str]
    """What the last walk, and looks since, could not list, with the reason."""

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

    `passed_over` tells, of the last walk and the looks since, what could not be seen or cannot
    have a line in the record, with the reason: it is shown to a person and left alone.
    """

    def __init__(self) -> None:
        self.passed_over: dict[str, str] = {}

    def walk(self, root: Path, /) -> Iterator[Listed]:
        """Files below the root, folder by folder, in the order of their names."""
        self.passed_over = {}
        open_folders = [iter(_listing(root, ""))]
        while open_folders:
            entry, path = next(open_folders[-1], (None, ""))
            if entry is None:
                open_folders.pop()
            elif problem := _problem_of_name(entry.name):
                self.passed_over[_shown(path)] = problem
            else:
                try:
                    if entry.is_dir(follow_symlinks=False):
                        if not entry.name.startswith("."):
                            open_folders.append(iter(_listing(Path(entry.path), f"{path}/")))
                    elif entry.is_file() and (listed := self._listed(path, entry.stat())):
                        yield listed
                except FileNotFoundError:
                    continue
                except OSError as error:
                    self.passed_over[path] = f"cannot be read: {error.strerror}"

    def look(self, root: Path, path: str, /) -> Listed | None:
        """One file as it is now; None for what is no file, or cannot have a line in the record."""
        if problem := _problem_of_name(path):
            self.passed_over[_shown(path)] = problem
            return None
        try:
            return self._listed(path, (root / path).stat())
        except (OSError, ValueError):  # ValueError: a name that no file can have
            return None

    def _listed(self, path: str, found: os.stat_result) -> Listed | None:
        if not stat.S_ISREG(found.st_mode):
            return None
        if not -(2**63) <= found.st_mtime_ns < 2**63:
            self.passed_over[path] = "its time is out of all reason; set another"
            return None
        return path, found.st_size, found.st_mtime_ns


def _listing(folder: Path, below: str) -> list[tuple["os.DirEntry[str]", str]]:
    with os.scandir(folder) as entries:
        return [(e, f"{below}{e.name}") for e in sorted(entries, key=lambda e: e.name)]


def _problem_of_name(name: str) -> str:
    try:
        name.encode()
    except UnicodeEncodeError:
        return "its name is not text; rename it"
    return ""


def _shown(path: str) -> str:
    return path.encode(errors="replace").decode()


def _is_visible(path: str) -> bool:
    """Whether a walk would come by a path: none of the folders above it is hidden."""
    return not any(folder.startswith(".") for folder in path.split("/")[:-1])


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
class _Resting:
    """A file that could not be taken in: when it is looked at again, and how long it rested."""

    until_s: float
    delay_s: float


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
        self._resting: dict[str, _Resting] = {}
        self._passed_over: set[str] = set()
        self._lock = Lock()

    def hint(self, path: str) -> None:
        """An event named this path: look at it at the next turn. Called from any thread."""
        with self._lock:
            self._hints.append(path)

    def look_again(self, path: str, why: str) -> None:
        """A file handed on could not be taken in for now: it is still changing, or is locked.

        It is looked at again later and later, so that one that nobody can open costs little.
        """
        before = self._resting.get(path)
        first = max(self.folder.settle_s, SHORTEST_DELAY_S)
        last = max(self.folder.rescan_s, first)
        delay = first if before is None else min(2 * before.delay_s, last)
        self._resting[path] = _Resting(self.clock() + delay, delay)
        self._hold_up(path, why)

    def _hold_up(self, path: str, why: str) -> None:
        if path in self.state.held_up or len(self.state.held_up) < MOST_HELD_UP_TOLD:
            self.state.held_up[path] = why

    def _forget(self, path: str) -> None:
        self._known.discard(path)
        self._resting.pop(path, None)
        self.state.held_up.pop(path, None)

    def tell(self, trouble: str) -> None:
        """What is wrong with the events of the folder as a whole; empty once it is right again."""
        if trouble:
            self._hold_up(WHOLE_FOLDER, trouble)
        else:
            self.state.held_up.pop(WHOLE_FOLDER, None)

    def done(self, path: str) -> None:
        """A file handed on stands in the ledger now."""
        self._forget(path)
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
        looks = (self.disk.look(self.root, path) for path in paths if _is_visible(path))
        self._enqueue([found for found in looks if found is not None])
        self._take_rested()

    def _take_rested(self) -> None:
        """Files that could not be taken in before, once their time has come."""
        now = self.clock()
        rested = [path for path, each in self._resting.items() if each.until_s <= now]
        for path in rested:
            if (found := self.disk.look(self.root, path)) is None:
                self._forget(path)
            else:
                # it keeps its delay for the case that it cannot be taken in again
                self._resting[path].until_s = float("inf")
                self._queue.append(_Waiting(found, now))

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
            self._tell_passed_over()
        else:
            self._enqueue(chunk)

    def _tell_passed_over(self) -> None:
        for path in self._passed_over - self.disk.passed_over.keys():
            self.state.held_up.pop(path, None)
        for path, why in self.disk.passed_over.items():
            self._hold_up(path, why)
        self._passed_over = set(self.disk.passed_over)

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
                self._forget(waiting.listed[0])
            elif seen != waiting.listed:
                self._queue.append(_Waiting(seen, now))
            elif seen[1] == 0 and age < EMPTY_FILE_PATIENCE * self.folder.settle_s:
                self._queue.append(waiting)
            else:
                ripe.append(seen)
            if len(ripe) >= CHUNK:
                break
        return ripe
