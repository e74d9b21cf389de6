"""What an importer is: it guesses whether it can read an export, and reads it."""

import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from enum import IntEnum
from mmap import mmap
from typing import Any, BinaryIO, Protocol

from speclake.spectrum import Spectrum

HEAD_BYTES = 65_536
"""How much of a file `Importer.sniff` is shown."""

_STREAM_BUFFER_BYTES = 2**18


class Confidence(IntEnum):
    """How sure an importer is that a file is its own."""

    NO = 0
    POSSIBLE = 1
    LIKELY = 2
    CERTAIN = 3


@dataclass(frozen=True)
class Guess:
    """An importer's opinion of a file, with the reason in words a person can check."""

    confidence: Confidence
    reason: str
    format: str | None = None
    """Name of the format that it would use, where it needs one."""


@dataclass(frozen=True)
class Source:
    """One export.

    Parameters
    ----------
    name : its file name with the folder below the watched one, for messages and patterns.
    held : its bytes, as such or as a mapped file; read them by `content` or `open`.
    formats : the archive's format descriptions by name, as read from TOML.
    format : the one format that the settings name for this folder, if they do.
    """

    name: str
    held: bytes | mmap
    formats: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    format: str | None = None

    @property
    def content(self) -> bytes:
        """All bytes; for `Importer.sniff` at most the first `HEAD_BYTES`."""
        return self.held if isinstance(self.held, bytes) else self.held[:]

    @property
    def size(self) -> int:
        """Number of bytes."""
        return len(self.held)

    def open(self) -> BinaryIO:
        """Stream of the bytes from the first on, for a file too long to be held at once."""
        if isinstance(self.held, bytes):
            return io.BytesIO(self.held)
        return io.BufferedReader(_Stream(self.held), _STREAM_BUFFER_BYTES)


class _Stream(io.RawIOBase):
    """Stream of a mapped file with a position of its own, so that two readings do not meet."""

    def __init__(self, held: mmap) -> None:
        self._held, self._at = held, 0

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        found = self._held[self._at : self._at + len(buffer)]
        buffer[: len(found)] = found
        self._at += len(found)
        return len(found)

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        starts = {io.SEEK_SET: 0, io.SEEK_CUR: self._at, io.SEEK_END: len(self._held)}
        if starts[whence] + offset < 0:
            raise ValueError(f"found the position {starts[whence] + offset}; expected 0 or more")
        self._at = starts[whence] + offset
        return self._at


class Importer(Protocol):
    """A reader of one kind of export. It sees no path, clock, network or archive."""

    @property
    def name(self) -> str:
        """Unique name, kept with every measurement it reads."""

    @property
    def version(self) -> str:
        """Version of the reader, kept with every measurement it reads."""

    def sniff(self, head: Source) -> Guess:
        """Opinion, from the first bytes, whether this is a file of its kind; must be cheap."""

    def read(self, source: Source) -> Iterator[Spectrum]:
        """Spectra of a whole file, in file order.

        Raises
        ------
        speclake.errors.MalformedFile
            Anything in the file cannot be read without guessing.
        """
