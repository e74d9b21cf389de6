"""What is asked of a worker that reads a file, and what it gives back."""

from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from speclake.archive.rows import FileOutcome, StoredSpectrum
from speclake.errors import MalformedFile
from speclake.intake.runsheets import RunSheet
from speclake.intake.spool import SpooledScans
from speclake.measurement import Measurement
from speclake.spectrum import Axis


@dataclass(frozen=True)
class KeptOriginal:
    """Bytes of a long file in the archive: the zip that holds them, and their hash."""

    archive: Path
    sha256: str


@dataclass(frozen=True)
class FileTask:
    """A settled file to be read.

    `content`, or `kept` for a long file, is given when the bytes come from the archive (a refused
    file tried again); `sheets`
    hold only the rows that may speak of this file; `importer` and `format` are named by a person
    for this file and go before those of its folder.
    """

    folder: str
    root: Path
    path: str
    size: int
    modified_ns: int
    arrived_at: datetime
    sheets: tuple[RunSheet, ...] = ()
    content: bytes | None = None
    kept: "KeptOriginal | None" = None
    backfill: bool = False
    with_verdicts: bool = True
    importer: str | None = None
    format: str | None = None
    again: str = ""
    """Set when a person asks for another try although no reader has changed."""


@dataclass(frozen=True)
class FileReading:
    """What came of reading one file.

    `changed` means: it cannot be taken in for now, since it was still being written, cannot be
    opened or is too large; `note` says which, and it is to be looked at again. Otherwise `note`
    tells why it was refused, or what was passed over in it.
    """

    task: FileTask
    file_id: str = ""
    sha256: str = ""
    content: bytes = b""
    outcome: FileOutcome = FileOutcome.TAKEN
    note: str = ""
    place: str = ""
    found: str = ""
    expected: str = ""
    importer: str = ""
    importer_version: str = ""
    format: str = ""
    changed: bool = False
    measurements: tuple[Measurement, ...] = ()
    spectra: tuple[StoredSpectrum, ...] = ()
    axes: tuple[Axis, ...] = ()
    copy: Path | None = None
    """Where the bytes of a long file are; `content` is empty then."""
    spooled: SpooledScans | None = None
    """Scans that are too much to be held; the three fields before are empty then."""

    @property
    def original(self) -> bytes | Path:
        """Bytes of the file, or the place of a copy of them."""
        return self.content if self.copy is None else self.copy

    def release(self) -> None:
        """Remove what is on disk of a long file, once nobody needs it any more."""
        for path in (self.copy, self.spooled.path if self.spooled else None):
            if path is not None:
                path.unlink(missing_ok=True)


def refused(base: FileReading, place: str, found: str, expected: str) -> FileReading:
    """The reading as a refusal that says where, what was found and what was expected."""
    note = str(MalformedFile(base.task.path, place, found, expected))
    return replace(
        base, outcome=FileOutcome.REFUSED, note=note, place=place, found=found, expected=expected
    )
