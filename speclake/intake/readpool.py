"""Files read in guarded worker processes; what an importer does to its process refuses its file."""

from collections.abc import Callable, Iterable, Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from threading import Event
from typing import TypeVar

from speclake.archive.scratch import Scratch
from speclake.errors import ImporterFailed, SpeclakeError
from speclake.importing.guard import Progress
from speclake.importing.pool import GuardedPool, Pause
from speclake.intake.bringing import brought, key_of
from speclake.intake.reading import read_file
from speclake.intake.spool import LONG_FILE_BYTES, SCANS_BYTES, Spooling
from speclake.intake.tasks import FileReading, FileTask, refused
from speclake.intake.workshop import ReaderFiles, Workshop, folder_of, is_open
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
    long_file_bytes, scans_bytes : from what size on a file is read from a copy on disk, and the
        scans of one are kept there.

    Raises
    ------
    speclake.errors.BadSettings
        A format file of the archive says something impossible.
    """

    def __init__(
        self,
        archive: Path | None,
        settings: Settings,
        files: ReaderFiles | None = None,
        *,
        long_file_bytes: int = LONG_FILE_BYTES,
        scans_bytes: int = SCANS_BYTES,
    ) -> None:
        self._settings = settings
        self._scratch = Scratch(archive) if archive else None
        place = self._scratch.folder if self._scratch else None
        self._spooling = Spooling(place, long_file_bytes, scans_bytes)
        self._under_way: dict[tuple[str, str], str] = {}
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
                initargs=(archive, settings, dict(self.shut_out), self._files, self._spooling),
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
        if self._scratch is not None:
            self._scratch.make()
        results = self._pool.stream(
            read_file,
            tasks,
            name=lambda task: task.path,
            tick_s=TICK_S,
            stop=stop,
            is_long=lambda task: self._spooling.is_long(task.size),
            on_progress=self._hear,
        )
        with closing(results):
            for result in results:
                if result is None:
                    yield None
                    continue
                task, reading = result.item, result.value
                if reading is None:
                    assert result.error is not None
                    reading = self._refused(task, result.error)
                key = task.folder, task.path
                self._under_way.pop(key, None)
                if reading.spooled is not None:
                    count = len(reading.spooled.ids)
                    self._under_way[key] = f"{count:,} spectra read; they are judged and written"
                yield reading
                self._under_way.pop(key, None)
        self._under_way.clear()

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
        scans = self._spooling.path(key_of(task), "scans")
        if scans is not None:
            scans.unlink(missing_ok=True)
        folder = folder_of(self._settings, task.folder)
        base = brought(task, folder, self._spooling, self.readers)
        if base.changed:
            return base
        reading = refused(base, "", str(error), "an importer that keeps to its contract")
        return replace(reading, importer=getattr(error, "importer", ""))

    def _hear(self, task: FileTask, progress: Progress) -> None:
        self._under_way[task.folder, task.path] = in_words(progress)

    @property
    def under_way(self) -> dict[tuple[str, str], str]:
        """How far each file has come that takes long, in words, by watched folder and path."""
        return dict(self._under_way)

    def close(self) -> None:
        """End every worker at once, and remove what they left on disk."""
        self._pool.close()
        if self._scratch is not None:
            self._scratch.close()


def in_words(progress: Progress) -> str:
    """How far the reading of a file has come."""
    part = f"{100 * progress.bytes // progress.size} %" if progress.size else ""
    if not progress.spectra:
        return f"{part} copied" if part else "being read"
    if not progress.bytes:
        return f"{progress.spectra:,} spectra so far"
    return f"{progress.spectra:,} spectra so far, {part} of the file"
