"""Files read in guarded worker processes; what an importer does to its process refuses its file."""

import hashlib
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from threading import Event
from typing import TypeVar

from speclake.errors import ImporterFailed, SpeclakeError
from speclake.importing.pool import GuardedPool, Pause
from speclake.intake.reading import (
    FileReading,
    FileTask,
    ReaderFiles,
    Workshop,
    content_of,
    file_id_of,
    folder_of,
    is_open,
    read_file,
    refused,
)
from speclake.settings import Settings

Answer = TypeVar("Answer")

TICK_S = 0.1
"""How often a source of files is asked for new ones while others are being read."""


class ReadPool:
    """Worker processes for the files of one archive.

    Parameters
    ----------
    files : the archive's formats and importers, read before; None reads them now. Whatever
        happens to them later, all workers keep to these.

    Raises
    ------
    speclake.errors.BadSettings
        A format file of the archive says something impossible.
    """

    def __init__(
        self, archive: Path | None, settings: Settings, files: ReaderFiles | None = None
    ) -> None:
        self._settings = settings
        self._files = files or ReaderFiles.of(archive, settings)
        self.readers = self._files.fingerprint
        """Fingerprint of the importers and formats in use."""
        self.shut_out: dict[str, str] = {}
        """Importers that end every process which loads them, with how."""
        self._pool = self._started(archive, settings)

    def _started(self, archive: Path | None, settings: Settings) -> GuardedPool[Workshop]:
        """Pool whose workers start, without the importers that keep them from it."""
        limits = settings.limits
        while True:
            pool: GuardedPool[Workshop] = GuardedPool(
                initializer=Workshop.open,
                initargs=(archive, settings, dict(self.shut_out), self._files),
                workers=limits.workers,
                time_limit_s=limits.importer_time_s,
                memory_limit_mb=limits.importer_memory_mb,
            )
            try:
                list(pool.map(is_open, [None]))
            except ImporterFailed as error:
                pool.close()
                if not error.importer or error.importer in self.shut_out:
                    raise
                self.shut_out[error.importer] = error.what_happened
            except BaseException:
                pool.close()
                raise
            else:
                return pool

    def read(
        self, tasks: Iterable[FileTask | Pause], stop: Event | None = None
    ) -> Iterator[FileReading | None]:
        """Readings in the order in which they are ready; never more under way than workers need.

        None is a tick: time has passed, and nothing is ready. Tasks may pause while there is no
        file; a pause while none is being read ends this. So does `stop`, after a short grace for
        what is being read.
        """
        results = self._pool.stream(
            read_file, tasks, name=lambda task: task.path, tick_s=TICK_S, stop=stop
        )
        with closing(results):
            for result in results:
                if result is None:
                    yield None
                elif result.value is not None:
                    yield result.value
                else:
                    assert result.error is not None
                    yield self._refused(result.item, result.error)

    def ask(self, question: Callable[[Workshop, FileTask], Answer], task: FileTask) -> Answer:
        """Answer to one question about a file, asked where an importer can do no harm.

        Raises
        ------
        speclake.errors.SpeclakeError
            What the question raised, or what the importer did to its process.
        """
        (result,) = self._pool.map(question, [task], name=lambda task: task.path)
        if result.error is not None:
            raise result.error
        assert result.value is not None
        return result.value

    def _refused(self, task: FileTask, error: SpeclakeError) -> FileReading:
        """Refusal of a file that ended or stalled its worker, with its bytes for the record."""
        try:
            content, changed = content_of(task, folder_of(self._settings, task.folder))
            if changed:
                return FileReading(task, changed=True, note="it changed while it was read")
        except OSError as gone:
            return FileReading(task, changed=True, note=f"cannot be opened: {gone.strerror}")
        sha256 = hashlib.sha256(content).hexdigest()
        base = FileReading(task, file_id_of(task, self.readers, sha256), sha256, content)
        reading = refused(base, "", str(error), "an importer that keeps to its contract")
        return replace(reading, importer=getattr(error, "importer", ""))

    def close(self) -> None:
        """End every worker at once."""
        self._pool.close()
