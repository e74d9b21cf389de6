"""One worker process as its parent sees it: started, given tasks, heard, and ended when late."""

import contextlib
import os
import pickle
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, cast

from speclake.errors import SpeclakeError
from speclake.importing.guard import Progress
from speclake.importing.worker import (
    REPORT_EVERY_S,
    Alive,
    Announced,
    Message,
    Outcome,
    OutOfMemory,
    Ready,
    Report,
    Setup,
    Task,
    Unusable,
    read_frame,
    write_frame,
)

_PROGRAM = "from speclake.importing.worker import main; main()"
_LAST_WORDS_S = 1.0
"""How long a worker that has closed its pipes may take to end."""


@dataclass(frozen=True, slots=True)
class Ended:
    """How a worker came to its end, as a clause for a message, and whose code ran last."""

    how: str
    importer: str = ""
    hung: bool = False
    error: SpeclakeError | None = None
    by_itself: bool = True
    """False where it only said that it cannot go on."""


class WorkerProcess:
    """A worker process. One thread gives it tasks; any other may end it.

    It runs in a session of its own, so that an interrupt at the terminal does not reach it and so
    that processes which an importer started end with it.
    """

    def __init__(self, setup: Setup, start_limit_s: float) -> None:
        self.has_run = False
        self.ended: Ended | None = None
        self._setup = setup
        self._importer = ""
        self._lock = threading.RLock()
        self._is_buried = False
        self._limit_s = start_limit_s
        self._is_late = False
        self._deadline: float | None = time.monotonic() + start_limit_s
        path = os.pathsep.join(each or str(Path.cwd()) for each in sys.path)
        # a plain child and no fork: a forked copy of a process with threads may hold their locks
        # for ever. And no start method of multiprocessing: those run the program's own file again
        process = subprocess.Popen(
            [sys.executable, "-P", "-c", _PROGRAM],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env=os.environ | {"PYTHONPATH": path},
            start_new_session=os.name == "posix",
            creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),
        )
        self._process = process
        self._inbox, self._outbox = cast(IO[bytes], process.stdin), cast(IO[bytes], process.stdout)

    def wait_until_ready(self) -> Ended | None:
        """None once the initializer has run, else how the worker ended before."""
        self._write(self._setup)
        while True:
            message = self._next_message()
            if message is None:
                return self.ended
            if isinstance(message, Ready):
                self._set_deadline(None)
                if message.problem:
                    self.ended = Ended(message.problem, error=message.error, by_itself=False)
                return self.ended

    def run(
        self, task: Task, heard: Callable[[int, Progress], None] | None = None
    ) -> Iterator[list[Outcome]]:
        """Outcomes of the items in their order, as the worker reports them.

        They stop short where the worker ends; `ended` then says how. `heard` is told how far the
        item of a number has come, if that takes long.

        Raises
        ------
        RuntimeError
            The worker cannot make sense of the task.
        """
        self.has_run = True
        self._limit_s = self._setup.time_limit_s
        self._importer = ""
        # results may lie in the worker this long before they are reported
        self._set_deadline(self._limit_s + REPORT_EVERY_S)
        self._write(task)
        due = len(task.items)
        while due and (message := self._next_message()) is not None:
            match message:
                case Report(outcomes):
                    due -= len(outcomes)
                    if not due:
                        self._set_deadline(None)
                    yield outcomes
                case Alive(number, progress) if heard is not None:
                    heard(number, progress)
                case OutOfMemory():
                    limit = f"needed more than {self._setup.memory_limit_mb} MB of memory"
                    self.ended = Ended(limit, self._importer, by_itself=False)
                    return
                case Unusable(problem):
                    self._set_deadline(None)
                    raise RuntimeError(f"a worker cannot use what it was given: {problem}")

    def _write(self, message: Setup | Task) -> None:
        # a worker that has ended is noticed when it is read from
        with contextlib.suppress(OSError):
            write_frame(self._inbox, pickle.dumps(message, pickle.HIGHEST_PROTOCOL))

    def _next_message(self) -> Message | None:
        """What the worker says next; None where it has ended."""
        frame = read_frame(self._outbox)
        if frame is None:
            self.ended = self._post_mortem()
            return None
        self._set_deadline(self._limit_s + REPORT_EVERY_S)
        try:
            message = cast(Message, pickle.loads(frame))
        except Exception as error:  # noqa: BLE001 - unpickling runs code of the values
            how = f"gave something that cannot be read back ({type(error).__name__}: {error})"
            self.ended = Ended(how, self._importer, by_itself=False)
            return None
        if isinstance(message, Announced):
            self._importer = message.importer
        return message

    def _post_mortem(self) -> Ended:
        with self._lock:
            self._deadline = None
        if self._is_late:
            how = f"hung longer than {self._limit_s:g} s"
            return Ended(how, self._importer, hung=True)
        try:
            code = self._process.wait(_LAST_WORDS_S)
        except subprocess.TimeoutExpired:
            return Ended("cut off its process from the others", self._importer)
        return Ended(f"ended the interpreter ({_exit(code)})", self._importer)

    def _set_deadline(self, seconds: float | None) -> None:
        with self._lock:
            # what was just heard came in time, even if the end that `end_if_late` sent is under way
            self._is_late = False
            self._deadline = None if seconds is None else time.monotonic() + seconds

    def end_if_late(self) -> None:
        """End the process if it has been silent past its limit."""
        with self._lock:
            if self._deadline is not None and time.monotonic() > self._deadline:
                self._is_late = True
                self.end()

    def end(self) -> None:
        """End the process at once, with all that it has started."""
        with self._lock:
            if self._is_buried:  # its number may by now be that of somebody else's process
                return
            if os.name == "posix":
                with contextlib.suppress(ProcessLookupError, PermissionError):
                    os.killpg(self._process.pid, signal.SIGKILL)
            else:
                self._process.kill()

    def bury(self) -> None:
        """End the process and release what belongs to it; only for the thread that gives tasks."""
        with self._lock:
            self.end()
            self._is_buried = True
        self._process.wait()
        for pipe in (self._inbox, self._outbox):
            with contextlib.suppress(OSError):  # what was left unsent to a process that is gone
                pipe.close()


def _exit(code: int) -> str:
    if code >= 0:
        return f"exit code {code}"
    try:
        return f"signal {-code}, {signal.Signals(-code).name}"
    except ValueError:
        return f"signal {-code}"
