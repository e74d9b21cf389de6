"""What is on disk while a long file is read: a copy of its bytes, and the scans that were read.

A worker reads a long file from a copy of its own. So the file itself is open no longer than it
takes to copy it, what is hashed, read and kept are the same bytes whatever its writer does
meanwhile, and a writer that cuts it short on a share cannot end the process that reads it, as it
would where that very file were mapped. Scans leave the worker through a file too, some at a time.
"""

import hashlib
import mmap
import os
import pickle
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Self

from speclake.archive.encoding import encode
from speclake.archive.rows import EncodedValues, StoredSpectrum
from speclake.errors import ImporterFailed
from speclake.importing.guard import Progress, tell_progress
from speclake.importing.worker import read_frame, write_frame
from speclake.measurement import Measurement
from speclake.spectrum import Axis, Spectrum

LONG_FILE_BYTES = 16 * 2**20
"""From here on a file is copied and read from the copy. The copy costs a fifth of what reading the
same text costs; below, it is not worth its two system calls and a file to be removed."""
SCANS_BYTES = 8 * 2**20
"""How much of the scans of one file is held in memory before it goes to disk."""
COPIED_AT_ONCE = 2**20
GIVEN_BACK_BYTES = 32 * 2**20
_MEASUREMENT_BYTES = 4_000


@dataclass(frozen=True)
class Spooling:
    """Where, and from what size on, things are kept on disk.

    Parameters
    ----------
    folder : a scratch folder; None where everything is to be held in memory.
    """

    folder: Path | None = None
    long_file_bytes: int = LONG_FILE_BYTES
    scans_bytes: int = SCANS_BYTES

    def is_long(self, size: int) -> bool:
        """Whether a file of that size is read from a copy."""
        return self.folder is not None and size > self.long_file_bytes

    def path(self, key: str, what: str) -> Path | None:
        """Place for one of the two files that belong to a task."""
        return self.folder / f"{key}.{what}" if self.folder else None


class HeldFile(mmap.mmap):
    """A mapped file; `reached` is the end of the furthest stretch that was read.

    Pages that were read are given back now and then: they stay in the system's cache, and do not
    count as memory of a process that goes through a file of any length.
    """

    reached = 0
    _since_given_back = 0

    def __new__(cls, path: Path) -> Self:
        """Map a file that nobody else writes to."""
        with path.open("rb") as file:
            return super().__new__(cls, file.fileno(), 0, access=mmap.ACCESS_READ)

    def __getitem__(self, stretch: Any, /) -> Any:
        found = super().__getitem__(stretch)
        if isinstance(found, bytes):
            self.reached = max(self.reached, stretch.indices(len(self))[1])
            self._since_given_back += len(found)
            if self._since_given_back > GIVEN_BACK_BYTES and hasattr(mmap, "MADV_DONTNEED"):
                self.madvise(mmap.MADV_DONTNEED)
                self._since_given_back = 0
        return found


@contextmanager
def mapped(path: Path) -> Iterator[HeldFile]:
    """The bytes of a file that nobody else writes to."""
    held = HeldFile(path)
    try:
        yield held
    finally:
        with suppress(BufferError):  # an importer's object still looks into it, and ends it later
            held.close()


def copied(parts: Iterable[bytes], path: Path, size: int) -> tuple[str, int]:
    """SHA-256 and number of the bytes, which are in a new file that nobody else may read.

    Parameters
    ----------
    size : how many are expected; it stops after the first part that goes beyond.
    """
    digest, done = hashlib.sha256(), 0
    path.unlink(missing_ok=True)
    flags = os.O_CREAT | os.O_EXCL | os.O_WRONLY | getattr(os, "O_BINARY", 0)
    with os.fdopen(os.open(path, flags, 0o600), "wb") as copy:
        for part in parts:
            copy.write(part)
            digest.update(part)
            done += len(part)
            tell_progress(Progress(0, done, size))
            if done > size:
                break
    return digest.hexdigest(), done


@dataclass(frozen=True, slots=True)
class Scans:
    """Some scans of a file: the n-th spectrum is that of the n-th measurement."""

    measurements: tuple[Measurement, ...] = ()
    spectra: tuple[StoredSpectrum, ...] = ()
    axes: tuple[Axis, ...] = ()


@dataclass(frozen=True, slots=True)
class SpooledScans:
    """Scans of a file that lie on disk; `ids` and `values` are of each what it is known by."""

    path: Path
    file: str
    ids: tuple[str, ...]
    values: tuple[str, ...]

    def parts(self) -> Iterator[Scans]:
        """The scans in their order, some at a time.

        Raises
        ------
        speclake.errors.ImporterFailed
            The importer put something into them that cannot be read back.
        """
        for _, part in self.placed():
            yield part

    def placed(self) -> Iterator[tuple[int, Scans]]:
        """As `parts`, each with the place at which `at` finds it again."""
        with self.path.open("rb") as stream:
            place = 0
            while (frame := read_frame(stream)) is not None:
                yield place, self._part(frame)
                place = stream.tell()

    def at(self, place: int) -> Scans:
        """The part at a place."""
        with self.path.open("rb") as stream:
            stream.seek(place)
            frame = read_frame(stream)
        assert frame is not None
        return self._part(frame)

    def _part(self, frame: bytes) -> Scans:
        try:
            part = pickle.loads(frame)
        except Exception as error:  # unpickling runs code of the values
            what = f"gave something that cannot be read back ({type(error).__name__})"
            raise ImporterFailed("", self.file, what) from error
        assert isinstance(part, Scans)
        return part


@dataclass
class ScanCollector:
    """Scans of one file as they are read: in memory while they are few, else on disk.

    Parameters
    ----------
    path : where they go on disk; None where all are held in memory.
    most_bytes : how much is held.
    """

    path: Path | None
    most_bytes: int
    count: int = 0
    _held: list[tuple[Measurement, str, EncodedValues]] = field(default_factory=list)
    _axes: dict[str, Axis] = field(default_factory=dict)
    _bytes: int = 0
    _ids: list[str] = field(default_factory=list)
    _values: list[str] = field(default_factory=list)

    def add(self, measurement: Measurement, spectrum: Spectrum) -> None:
        """Take one more scan."""
        values = encode(spectrum.values)
        self.count += 1
        self._held.append((measurement, spectrum.axis.id, values))
        self._bytes += _MEASUREMENT_BYTES + _size(values)
        if spectrum.axis.id not in self._axes:
            self._axes[spectrum.axis.id] = spectrum.axis
            self._bytes += spectrum.axis.values.nbytes
        if self.path is not None and self._bytes > self.most_bytes:
            self._to_disk(self.path)

    def _to_disk(self, path: Path) -> None:
        scans = self._scans()
        with path.open("ab" if self._ids else "wb") as stream:
            write_frame(stream, pickle.dumps(scans, pickle.HIGHEST_PROTOCOL))
        self._ids += [m.measurement_id for m in scans.measurements]
        self._values += [m.values_sha256 for m in scans.measurements]
        self._held, self._axes, self._bytes = [], {}, 0

    def _scans(self) -> Scans:
        return Scans(
            tuple(m for m, _, _ in self._held),
            tuple(StoredSpectrum(m.measurement_id, axis, v) for m, axis, v in self._held),
            tuple(self._axes.values()),
        )

    def discard(self) -> None:
        """Leave nothing of what was read on disk."""
        if self.path is not None and self._ids:
            self.path.unlink(missing_ok=True)

    def finish(self, file: str) -> Scans | SpooledScans:
        """All scans, once the file was read to its end."""
        if self.path is None or not self._ids:
            return self._scans()
        if self._held:
            self._to_disk(self.path)
        return SpooledScans(self.path, file, tuple(self._ids), tuple(self._values))


def _size(values: EncodedValues) -> int:
    given = values.floats if values.integers is None else values.integers
    return 0 if given is None else given.nbytes
