"""A worker process of `speclake.importing.pool`: it runs what its parent sends and reports back.

Parent and worker speak in frames over the worker's standard input and output: the length in eight
bytes, then a pickle. Before anything else runs, both are moved out of reach, so that an importer
that prints cannot garble them and one that asks for input gets none.
"""

import os
import pickle
import signal
import struct
import sys
import threading
import time
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any, BinaryIO, TypeGuard

from speclake import errors
from speclake.errors import SpeclakeError
from speclake.importing.guard import Progress, heard_by, told_to, what_was_raised

REPORT_EVERY_S = 0.1
"""How long results may wait in the worker: files that take longer are reported one by one."""

ALIVE_EVERY_S = 0.3
"""How often a worker that reads one file for long says how far it has come."""

_LOOK_FOR_PARENT_S = 1.0
_LENGTH = struct.Struct("<Q")


@dataclass(frozen=True, slots=True)
class Setup:
    """What a worker is told at its start.

    `time_limit_s` is how long its parent waits for a sign of life, `parent` the parent's process
    number.
    """

    initializer: Callable[..., object]
    initargs: tuple[object, ...]
    time_limit_s: float
    memory_limit_mb: int
    parent: int


@dataclass(frozen=True, slots=True)
class Ready:
    """The worker has run its initializer; `problem`, or `error`, says why it could not."""

    problem: str = ""
    error: SpeclakeError | None = None


@dataclass(frozen=True, slots=True)
class Task:
    """A function to call as ``function(what the initializer returned, item)`` on each item.

    `careful` asks for a report after every item and for the name of each importer before it runs.
    """

    function: Callable[[Any, Any], object]
    items: tuple[Any, ...]
    careful: bool


@dataclass(frozen=True, slots=True)
class Announced:
    """The code of this importer runs next."""

    importer: str


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one item: a value, a known error, or what went wrong in words."""

    value: object = None
    error: SpeclakeError | None = None
    failure: str = ""
    importer: str = ""
    traceback: str = ""


@dataclass(frozen=True, slots=True)
class Report:
    """Outcomes of the next items of the task, in their order."""

    outcomes: list[Outcome]


@dataclass(frozen=True, slots=True)
class Alive:
    """The item of this number in the task goes on."""

    number: int
    progress: Progress


@dataclass(frozen=True, slots=True)
class OutOfMemory:
    """The item after those reported needed more than the limit. The worker ends after this."""


@dataclass(frozen=True, slots=True)
class Unusable:
    """The task itself cannot be read here: its function is not importable, for one."""

    problem: str


Message = Ready | Announced | Report | Alive | OutOfMemory | Unusable


def write_frame(stream: IO[bytes], payload: bytes) -> None:
    """Put one frame on a stream."""
    stream.write(_LENGTH.pack(len(payload)))
    stream.write(payload)
    stream.flush()


def read_frame(stream: IO[bytes]) -> bytes | None:
    """Next frame of a stream; None where the other side has ended, be it within a frame."""
    header = stream.read(_LENGTH.size)
    if len(header) < _LENGTH.size:
        return None
    (length,) = _LENGTH.unpack(header)
    payload = stream.read(length)
    return payload if len(payload) == length else None


def main() -> None:
    """Serve the parent process until it closes the pipe."""
    inbox, outbox = _private_pipes()
    _leave_signals_to_the_parent()
    _write_no_core_files()
    try:
        _serve(inbox, outbox)
    except BrokenPipeError:
        os._exit(1)  # the parent is gone; nobody is left to tell


def _private_pipes() -> tuple[BinaryIO, BinaryIO]:
    inbox, outbox = os.fdopen(os.dup(0), "rb"), os.fdopen(os.dup(1), "wb")
    nowhere = os.open(os.devnull, os.O_RDWR)
    os.dup2(nowhere, 0)
    os.dup2(nowhere, 1)
    os.close(nowhere)
    return inbox, outbox


def _leave_signals_to_the_parent() -> None:
    # sent to a whole group of processes, as a terminal or a supervisor does, they mean the parent,
    # which ends its workers in order
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_IGN)


def _end_with_the_parent(parent: int) -> None:
    """Watch, in a thread, for the end of a parent that had no time to end its workers.

    On Windows a process keeps the number of a parent that is gone: there, a worker notices only
    when it next reads or writes.
    """

    def watch() -> None:
        while os.getppid() == parent:
            time.sleep(_LOOK_FOR_PARENT_S)
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


def _write_no_core_files() -> None:
    if sys.platform != "win32":
        import resource

        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def limit_memory(limit_mb: int) -> bool:
    """Whether this process may from now on take only `limit_mb` more of address space.

    False where the system does not tell what is taken already, that is, anywhere but on Linux:
    there, only the system's own limits end an importer that eats memory.
    """
    taken = Path("/proc/self/statm")
    if sys.platform != "linux" or not taken.exists():
        return False
    import resource

    pages = int(taken.read_text("ascii").split()[0])
    _, hard = resource.getrlimit(resource.RLIMIT_AS)
    limit = pages * resource.getpagesize() + limit_mb * 2**20
    if hard != resource.RLIM_INFINITY:
        limit = min(limit, hard)
    resource.setrlimit(resource.RLIMIT_AS, (limit, hard))
    return True


@contextmanager
def memory_for_mapping(size: int) -> Iterator[None]:
    """Context in which a mapped file of that size does not count against the limit of memory."""
    if sys.platform != "linux":
        yield
        return
    import resource

    soft, hard = resource.getrlimit(resource.RLIMIT_AS)
    if soft == resource.RLIM_INFINITY:
        yield
        return
    more = soft + size
    if hard != resource.RLIM_INFINITY:
        more = min(more, hard)
    resource.setrlimit(resource.RLIMIT_AS, (more, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_AS, (soft, hard))


def _serve(inbox: BinaryIO, outbox: BinaryIO) -> None:
    def send(message: Message) -> None:
        write_frame(outbox, pickle.dumps(message, pickle.HIGHEST_PROTOCOL))

    frame = read_frame(inbox)
    if frame is None:
        return
    try:
        setup: Setup = pickle.loads(frame)
        _end_with_the_parent(setup.parent)
        with told_to(lambda importer: send(Announced(importer))):
            state = setup.initializer(*setup.initargs)
        limit_memory(setup.memory_limit_mb)
    except BaseException as error:  # noqa: BLE001 - told to the parent, which raises it
        known = error if _is_ours(error) else None
        send(Ready(f"{what_was_raised(error)}\n{traceback.format_exc()}", known))
        return
    send(Ready())
    while (frame := read_frame(inbox)) is not None:
        try:
            task: Task = pickle.loads(frame)
        except MemoryError:
            send(OutOfMemory())
            return
        except Exception as error:  # noqa: BLE001 - told to the parent, which raises it
            send(Unusable(what_was_raised(error)))
            continue
        if not _Run(task, state, setup.time_limit_s, send).all_done():
            send(OutOfMemory())
            return


@dataclass(slots=True)
class _Run:
    """One task on its way."""

    task: Task
    state: object
    time_limit_s: float
    send: Callable[[Message], None]
    importer: str = ""
    unsent: list[Outcome] = field(default_factory=list)
    last_sent: float = field(default_factory=time.monotonic)
    number: int = 0
    last_sign: float = 0.0

    def all_done(self) -> bool:
        """Whether every item was run and reported; False where one ran out of memory."""
        with told_to(self._heed), heard_by(self._go_on):
            for number, item in enumerate(self.task.items):
                self.number = number
                self.importer, self.last_sign = "", time.monotonic()
                _end_if_orphaned(self.time_limit_s)
                outcome = self._outcome(item)
                if outcome is None:
                    self._reported()
                    return False
                self.unsent.append(outcome)
                due = self.task.careful or time.monotonic() - self.last_sent > REPORT_EVERY_S
                if due and not self._reported():
                    return False
        _end_if_orphaned(0)
        return self._reported()

    def _heed(self, importer: str) -> None:
        self.importer = importer
        if self.task.careful:
            self.send(Announced(importer))

    def _go_on(self, progress: Progress) -> None:
        if time.monotonic() - self.last_sign > ALIVE_EVERY_S:
            self.last_sign = time.monotonic()
            _end_if_orphaned(self.time_limit_s)
            self.send(Alive(self.number, progress))

    def _outcome(self, item: object) -> Outcome | None:
        try:
            return Outcome(value=self.task.function(self.state, item))
        except MemoryError:
            return None
        except BaseException as error:  # noqa: BLE001 - a stranger's code may raise anything
            if _is_ours(error):
                return Outcome(error=error)
            return Outcome(
                failure=what_was_raised(error),
                importer=self.importer,
                traceback=traceback.format_exc(),
            )

    def _reported(self) -> bool:
        """Whether all outcomes so far could be sent; False where memory did not suffice."""
        outcomes, self.unsent, self.last_sent = self.unsent, [], time.monotonic()
        if not outcomes:
            return True
        try:
            self.send(Report(outcomes))
        except MemoryError:
            return False
        except BrokenPipeError:
            raise
        except Exception:  # noqa: BLE001 - pickling runs code of the values, which may raise anything
            self.send(Report([_portable(outcome, self.importer) for outcome in outcomes]))
        return True


def _is_ours(error: BaseException) -> TypeGuard[SpeclakeError]:
    # an error class of a stranger's own could not be read back by the parent
    return isinstance(error, SpeclakeError) and type(error).__module__ == errors.__name__


def _portable(outcome: Outcome, importer: str) -> Outcome:
    try:
        pickle.dumps(outcome, pickle.HIGHEST_PROTOCOL)
    except Exception as error:  # noqa: BLE001 - as above
        what = f"gave something that cannot leave its process ({what_was_raised(error)})"
        return Outcome(failure=what, importer=importer)
    return outcome


def _end_if_orphaned(time_limit_s: float) -> None:
    """Have the system end this process long after its parent would have; 0 calls that off.

    An importer in a compiled loop may keep the thread from running that looks for the parent.
    """
    if sys.platform != "win32":
        signal.setitimer(signal.ITIMER_REAL, 2 * time_limit_s + 5 if time_limit_s else 0)
