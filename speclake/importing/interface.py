"""What an importer is: it guesses whether it can read an export, and reads it."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from enum import IntEnum
from typing import Any, Protocol

from speclake.spectrum import Spectrum

HEAD_BYTES = 65_536
"""How much of a file `Importer.sniff` is shown."""


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
    content : its bytes; for `Importer.sniff` at most the first `HEAD_BYTES`.
    formats : the archive's format descriptions by name, as read from TOML.
    format : the one format that the settings name for this folder, if they do.
    """

    name: str
    content: bytes
    formats: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    format: str | None = None


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
