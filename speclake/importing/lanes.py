"""Lanes of a pool: one worker each, and the thread that feeds and replaces it."""

import queue
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from speclake.errors import ImporterFailed
from speclake.importing.guard import Progress
from speclake.importing.process import Ended, WorkerProcess
from speclake.importing.worker import Outcome, Setup, Task

_STARTS = 3
"""How often a worker is started before its start counts as failed and not as cut off by chance."""


@dataclass(frozen=True, slots=True)
class Part:
    """What has become known of a job: outcomes of some of its items, or what stops everything."""

    outcomes: list[tuple[Any, Outcome]] = field(default_factory=list)
    is_last: bool = False
    problem: Exception | None = None


@dataclass(slots=True)
class Batch:
    """What belongs to one call of a pool: the parts that come in, and whether anybody waits."""

    parts: "queue.SimpleQueue[Part]" = field(default_factory=queue.SimpleQueue)
    is_abandoned: bool = False


@dataclass(frozen=True, slots=True)
class Job:
    """Items that travel together, and what is to be done with them."""

    function: Callable[[Any, Any], object]
    items: tuple[Any, ...]
    batch: Batch
    on_progress: Callable[[Any, Progress], None] | None


class Lane:
    """One worker at a time, and the thread that feeds it and replaces it when it has ended."""

    def __init__(
        self, setup: Setup, start_limit_s: float, jobs: "queue.SimpleQueue[Job | None]"
    ) -> None:
        self._setup, self._start_limit_s, self._jobs = setup, start_limit_s, jobs
        self._worker: WorkerProcess | None = None
        self._batch: Batch | None = None
        self._is_closed = False
        self._lock = threading.Lock()

    def serve(self) -> None:
        """Run jobs until the pool closes."""
        while (job := self._jobs.get()) is not None:
            with self._lock:
                self._batch = job.batch
            try:
                self._run(job)
            except Exception as error:  # noqa: BLE001 - raised again where the results are awaited
                job.batch.parts.put(Part(problem=error))
            with self._lock:
                self._batch = None
        if self._worker is not None:
            self._replace(self._worker)

    def end_if_late(self) -> None:
        """End the worker if what it runs has passed its limit."""
        if (worker := self._worker) is not None:
            worker.end_if_late()

    def drop(self, batch: Batch) -> None:
        """End the worker if it runs something of this batch."""
        with self._lock:
            if self._batch is batch and self._worker is not None:
                self._worker.end()

    def close(self) -> None:
        """End the worker and start no other."""
        with self._lock:
            self._is_closed = True
            if self._worker is not None:
                self._worker.end()

    def _run(self, job: Job) -> None:
        items, is_careful = job.items, False
        while items and not self._is_unwanted(job.batch):
            worker = self._ready_worker(job.batch)
            is_fresh, before = not worker.has_run, len(items)
            heard = partial(_hear, job.on_progress, items) if job.on_progress else None
            for outcomes in worker.run(Task(job.function, items, is_careful), heard):
                done, items = items[: len(outcomes)], items[len(outcomes) :]
                job.batch.parts.put(Part(list(zip(done, outcomes, strict=True))))
            if worker.ended is None:
                break
            self._replace(worker)
            is_alone = is_careful and (worker.ended.hung or (is_fresh and len(items) == before))
            if is_alone and items and not self._is_unwanted(job.batch):
                refusal = Outcome(failure=worker.ended.how, importer=worker.ended.importer)
                job.batch.parts.put(Part([(items[0], refusal)]))
                items = items[1:]
            is_careful = True
        if items:
            raise RuntimeError("the pool was closed before all was done")
        job.batch.parts.put(Part(is_last=True))

    def _is_unwanted(self, batch: Batch) -> bool:
        return self._is_closed or batch.is_abandoned

    def _ready_worker(self, batch: Batch) -> WorkerProcess:
        attempt = 0
        while self._worker is None:
            attempt += 1
            with self._lock:
                if self._is_unwanted(batch):
                    raise RuntimeError("the pool was closed before all was done")
                worker = self._worker = WorkerProcess(self._setup, self._start_limit_s)
            if (ended := worker.wait_until_ready()) is not None:
                self._replace(worker)
                if attempt == _STARTS or ended.hung or not ended.by_itself:
                    raise _cannot_start(ended)
        return self._worker

    def _replace(self, worker: WorkerProcess) -> None:
        with self._lock:
            self._worker = None
        worker.bury()


def _hear(
    on_progress: Callable[[Any, Progress], None],
    items: tuple[Any, ...],
    number: int,
    progress: Progress,
) -> None:
    on_progress(items[number], progress)


def _cannot_start(ended: Ended) -> Exception:
    if ended.error is not None:
        return ended.error
    if ended.importer:
        return ImporterFailed(ended.importer, "the start of a worker", ended.how)
    return RuntimeError(f"a worker cannot start: it {ended.how}")
