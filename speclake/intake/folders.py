"""Watched folders: which files are new to the ledger and have settled.

A walk over the folder is the truth; file-system events only say where to look sooner. A file has
settled when two looks, `settle_s` apart by our own clock, find equal size and time; the reader
looks a third time after it has read. Nothing is moved, locked or deleted, and no file is held
open longer than one read.
"""

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from threading import Lock

from speclake.intake.disks import Disk, Listed, LocalDisk
from speclake.intake.units import in_units, unit_now
from speclake.intake.wanted import is_run_sheet, is_unit, is_wanted, unit_of
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
    under_way: dict[str, str] = field(default_factory=dict)
    """Files whose reading takes long, with how far it has come."""


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

    def _look(self, path: str) -> Listed | None:
        """One file, or one folder taken in as a unit, as it is now."""
        if is_unit(path):
            return unit_now(self.disk, self.root, path, self.folder)
        return self.disk.look(self.root, path)

    def _take_hints(self) -> None:
        with self._lock:
            paths = list(self._hints)
            self._hints.clear()
        named = dict.fromkeys(unit_of(each, self.folder) or each for each in paths)
        looks = (self._look(path) for path in named if _is_visible(path))
        self._enqueue([found for found in looks if found is not None])
        self._take_rested()

    def _take_rested(self) -> None:
        """Files that could not be taken in before, once their time has come."""
        now = self.clock()
        rested = [path for path, each in self._resting.items() if each.until_s <= now]
        for path in rested:
            if (found := self._look(path)) is None:
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
        for listed in in_units(self.disk.walk(self.root), self.folder):
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
            and (
                is_unit(listed[0])
                or is_wanted(listed[0], self.folder)
                or is_run_sheet(listed[0], self.folder)
            )
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
            seen = self._look(waiting.listed[0])
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
