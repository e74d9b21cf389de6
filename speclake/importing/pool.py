"""A pool of worker processes in which a stranger's code can do its worst and refuse only its file.

Every worker has pipes of its own and one thread of the parent that feeds it. A worker that is ended
at any moment, by whatever, therefore takes along nothing that another one needs: no lock, no shared
queue; and whatever its exit code, its end is seen at once.
"""

import itertools
import os
import pickle
import queue
import threading
import time
from collections.abc import Callable, Generator, Iterable, Iterator
from contextlib import closing
from dataclasses import dataclass
from enum import Enum
from types import TracebackType
from typing import Any, Generic, Self, TypeVar

from speclake.errors import ImporterFailed, SpeclakeError
from speclake.importing.guard import Progress
from speclake.importing.lanes import Batch, Job, Lane, Part
from speclake.importing.worker import Outcome, Setup

State = TypeVar("State")
Item = TypeVar("Item")
Value = TypeVar("Value")

_TICK_S = 0.05


@dataclass(frozen=True, slots=True)
class Result(Generic[Item, Value]):
    """What became of one item: a value, or the error for which it is refused.

    `traceback` is the text of the worker's traceback where the function raised something that is
    no error of speclake's.
    """

    item: Item
    value: Value | None = None
    error: SpeclakeError | None = None
    traceback: str = ""


class Pause(Enum):
    """What an iterable gives in place of an item that it does not have yet."""

    PAUSE = "nothing for now"


class GuardedPool(Generic[State]):
    """Worker processes that read files with any importer, each within limits.

    Parameters
    ----------
    workers : number of processes; each starts when there is work for it.
    initializer, initargs : called once in every worker; what it returns is the first argument of
        every function that the pool runs there.
    time_limit_s : how long an item may go on without a sign of life (`guard.tell_progress`); then
        its worker is ended.
    memory_limit_mb : how much address space an item may take beyond that of a worker at rest.
        Enforced on Linux only: elsewhere the system does not tell what is taken already.
    chunk : how many items travel together.
    start_limit_s : what a worker may take to start.

    Notes
    -----
    A function that the pool runs must be free of side effects: when a worker ends, those items of
    its chunk that it had not reported are run again, one by one. An item is refused when it alone
    hung its worker, or ended one in which nothing else had run before.

    Workers ignore the interrupt and termination signals, which are their parent's; they end when
    their parent does. What they print is lost; what they write to standard error is not.
    """

    def __init__(
        self,
        *,
        initializer: Callable[..., State],
        initargs: tuple[object, ...] = (),
        workers: int = 2,
        time_limit_s: float = 20.0,
        memory_limit_mb: int = 1024,
        chunk: int = 32,
        start_limit_s: float = 60.0,
    ) -> None:
        if workers < 1 or chunk < 1 or time_limit_s <= 0 or memory_limit_mb <= 0:
            raise ValueError("a pool needs a worker, a chunk of one, and limits above zero")
        self._setup = Setup(
            _importable(initializer), initargs, time_limit_s, memory_limit_mb, os.getpid()
        )
        self._chunk = chunk
        self._jobs: queue.SimpleQueue[Job | None] = queue.SimpleQueue()
        self._lanes = [Lane(self._setup, start_limit_s, self._jobs) for _ in range(workers)]
        self._threads: list[threading.Thread] = []
        self._closed = threading.Event()
        self._lock = threading.Lock()

    def map(
        self,
        function: Callable[[State, Item], Value],
        items: Iterable[Item],
        *,
        name: Callable[[Item], str] = str,
    ) -> Iterator[Result[Item, Value]]:
        """Results of ``function(state, item)``, in the order in which they are ready.

        Items are taken from `items` in the caller's thread, no more than the workers need to stay
        busy: memory does not grow with their number. The first chunks are small, so that a few
        items are spread over all workers. Closing the iterator ends what is under way.

        Parameters
        ----------
        function : importable by name in another process, free of side effects.
        name : what an item is called in messages.

        Raises
        ------
        speclake.errors.ImporterFailed
            A worker cannot start because an importer ends it while it is loaded.
        RuntimeError
            A worker cannot start, or cannot import the function; or the pool was closed.
        """
        return _without_ticks(self.stream(function, items, name=name))

    def stream(
        self,
        function: Callable[[State, Item], Value],
        items: Iterable[Item | Pause],
        *,
        name: Callable[[Item], str] = str,
        tick_s: float = 0.5,
        stop: threading.Event | None = None,
        grace_s: float = 2.0,
        is_long: Callable[[Item], bool] = lambda _: False,
        on_progress: Callable[[Item, Progress], None] | None = None,
    ) -> Generator[Result[Item, Value] | None]:
        """Results as `map` gives them, and None whenever `tick_s` went by without any.

        At every tick `items` are asked again: they give `Pause.PAUSE` for as long as they have
        nothing new, so that a slow item holds up none that comes after it. A pause while nothing
        is under way ends the stream.

        Parameters
        ----------
        stop : once it is set, no further item is taken; what is under way has `grace_s` seconds
            to come in, and is dropped after that.
        is_long : whether an item is likely to take long; it travels alone, so that none waits
            behind it.
        on_progress : hears, in another thread, how far an item that takes long has come.

        Raises
        ------
        speclake.errors.ImporterFailed
            As for `map`.
        RuntimeError
            As for `map`.
        """
        _importable(function)
        if self._closed.is_set():
            raise RuntimeError("the pool is closed")
        self._start_threads()
        chunks = self._chunks(items, is_long)
        call = _Call(function, name, on_progress)
        return self._stream(call, chunks, tick_s, _Stop(stop, grace_s))

    def _stream(
        self,
        call: "_Call[State, Item, Value]",
        chunks: Iterator[tuple[Item, ...]],
        tick_s: float,
        stop: "_Stop",
    ) -> Generator[Result[Item, Value] | None]:
        batch = Batch()
        at_once = 3 * len(self._lanes)
        under_way = 0
        try:
            while not stop.is_over():
                while under_way < at_once and not stop.is_set() and (chunk := next(chunks, ())):
                    self._jobs.put(Job(call.function, chunk, batch, call.on_progress))
                    under_way += 1
                if not under_way:
                    return
                part = self._next_part(batch, tick_s)
                if part is None:
                    yield None
                    continue
                if part.problem is not None:
                    raise part.problem
                under_way -= part.is_last
                for item, outcome in part.outcomes:
                    yield _result(item, outcome, call.name)
        finally:
            if under_way:
                batch.is_abandoned = True
                for lane in self._lanes:
                    lane.drop(batch)

    def _chunks(
        self, items: Iterable[Item | Pause], is_long: Callable[[Item], bool]
    ) -> Iterator[tuple[Item, ...]]:
        """Items in chunks, a long one alone; an empty chunk where there are none for now."""
        source = iter(items)
        number = 0
        while True:
            size = min(self._chunk, 2 ** min(number // len(self._lanes), 20))
            chunk: list[Item] = []
            had_long = False
            for item in itertools.islice(source, size):
                if isinstance(item, Pause):
                    break
                if is_long(item):
                    had_long = True
                    yield (item,)
                else:
                    chunk.append(item)
            if chunk or not had_long:
                yield tuple(chunk)
            number += bool(chunk)

    def _next_part(self, batch: "Batch", tick_s: float) -> "Part | None":
        try:
            # waking up now and then lets an interrupt through where waiting would hold it
            return batch.parts.get(timeout=tick_s)
        except queue.Empty:
            if self._closed.is_set():
                raise RuntimeError("the pool was closed before all was done") from None
            return None

    def _start_threads(self) -> None:
        with self._lock:
            if self._threads or self._closed.is_set():
                return
            loops: list[Callable[[], None]] = [self._watch, *(lane.serve for lane in self._lanes)]
            # daemons: a program that forgets to close the pool can still end
            self._threads = [threading.Thread(target=loop, daemon=True) for loop in loops]
            for thread in self._threads:
                thread.start()

    def _watch(self) -> None:
        while not self._closed.wait(_TICK_S):
            for lane in self._lanes:
                lane.end_if_late()

    def close(self) -> None:
        """End every worker at once, whatever it does."""
        with self._lock:
            self._closed.set()
        for _ in self._lanes:
            self._jobs.put(None)
        for lane in self._lanes:
            lane.close()
        for thread in self._threads:
            thread.join()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def _importable(function: Callable[..., Any]) -> Callable[..., Any]:
    if getattr(function, "__module__", None) == "__main__":
        raise ValueError(
            f"{function!r} is defined in the program that was started, which a worker cannot import"
        )
    pickle.dumps(function)
    return function


def _result(item: Item, outcome: Outcome, name: Callable[[Item], str]) -> Result[Item, Any]:
    error = outcome.error
    if outcome.failure:
        error = ImporterFailed(outcome.importer, name(item), outcome.failure)
    return Result(item, outcome.value, error, outcome.traceback)


def _without_ticks(
    results: Generator[Result[Item, Value] | None],
) -> Iterator[Result[Item, Value]]:
    with closing(results):
        for result in results:
            if result is not None:
                yield result


@dataclass(slots=True)
class _Stop:
    """Whether somebody asked to stop, and whether the grace given since then is over."""

    event: threading.Event | None
    grace_s: float
    until_s: float | None = None

    def is_set(self) -> bool:
        return self.event is not None and self.event.is_set()

    def is_over(self) -> bool:
        if not self.is_set():
            return False
        if self.until_s is None:
            self.until_s = time.monotonic() + self.grace_s
        return time.monotonic() >= self.until_s


@dataclass(frozen=True, slots=True)
class _Call(Generic[State, Item, Value]):
    """What is done with every item."""

    function: Callable[[State, Item], Value]
    name: Callable[[Item], str]
    on_progress: Callable[[Item, Progress], None] | None
