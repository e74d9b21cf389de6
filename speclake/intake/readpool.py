"""Files read in guarded worker processes; what an importer does to its process refuses its file."""

import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path

from speclake.errors import SpeclakeError
from speclake.importing.pool import GuardedPool
from speclake.intake.reading import (
    FileReading,
    FileTask,
    Workshop,
    file_id_of,
    read_file,
    readers_of,
    refused,
)
from speclake.settings import Settings


class ReadPool:
    """Worker processes for the files of one archive.

    Raises
    ------
    speclake.errors.BadSettings
        A format file of the archive says something impossible.
    """

    def __init__(self, archive: Path, settings: Settings) -> None:
        limits = settings.limits
        self.readers = readers_of(archive, settings)
        """Fingerprint of the importers and formats in use."""
        self._most_bytes = limits.largest_file_mb * 2**20
        self._pool = GuardedPool(
            initializer=Workshop.open,
            initargs=(archive, settings),
            workers=limits.workers,
            time_limit_s=limits.importer_time_s,
            memory_limit_mb=limits.importer_memory_mb,
        )

    def read(self, tasks: Iterable[FileTask]) -> Iterator[FileReading]:
        """Readings in the order in which they are ready; never more under way than workers need."""
        for result in self._pool.map(read_file, tasks, name=lambda task: task.path):
            if result.value is not None:
                yield result.value
            else:
                assert result.error is not None
                yield self._refused(result.item, result.error)

    def _refused(self, task: FileTask, error: SpeclakeError) -> FileReading:
        """Refusal of a file that ended or stalled its worker, with its bytes for the record."""
        try:
            content = task.content
            if content is None:
                content = (task.root / task.path).read_bytes()[: self._most_bytes]
        except OSError as gone:
            return FileReading(task, changed=True, note=f"cannot be opened: {gone.strerror}")
        sha256 = hashlib.sha256(content).hexdigest()
        base = FileReading(task, file_id_of(task, self.readers, sha256), sha256, content)
        reading = refused(base, "", str(error), "an importer that keeps to its contract")
        return replace(reading, importer=getattr(error, "importer", ""))

    def close(self) -> None:
        """End every worker at once."""
        self._pool.close()
