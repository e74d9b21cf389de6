"""A folder taken in as one unit: its state as one line of the ledger, and its files as one zip.

The zip is the same, byte for byte, whenever the files are: their names in order, no compression,
no date but that of each file.
"""

import hashlib
import io
import zipfile
from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby
from pathlib import Path

from speclake.intake.disks import Disk, Listed, LocalDisk
from speclake.intake.wanted import is_run_sheet, is_wanted, unit_of
from speclake.intake.zipfields import ntfs_times
from speclake.settings import Folder

LARGEST_MB = 256
"""A unit is packed in memory."""

_NS_PER_MS = 1_000_000
_NO_DATE = (1980, 1, 1, 0, 0, 0)


def in_units(listing: Iterable[Listed], folder: Folder) -> Iterator[Listed]:
    """A listing in which the files of each unit, which follow one another, are one entry."""
    for unit, files in groupby(listing, lambda listed: unit_of(listed[0], folder)):
        if not unit:
            yield from files
        elif held := _held(files, folder):
            yield _state(unit, held)


def unit_now(disk: Disk, root: Path, unit: str, folder: Folder) -> Listed | None:
    """A unit as it is now; None where it is gone or holds nothing that is wanted."""
    try:
        return next(in_units(disk.walk(root, unit.removesuffix("/")), folder), None)
    except OSError:
        return None


def packed(root: Path, unit: str, folder: Folder) -> tuple[bytes, Listed | None]:
    """Zip of the files of a unit, and the state that it holds; None where one changed meanwhile.

    Raises
    ------
    OSError
        A file cannot be read.
    """
    disk = LocalDisk()
    files = _held(disk.walk(root, unit.removesuffix("/")), folder)
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w") as packing:
        for listed in files:
            path, size, modified_ns = listed
            with (root / path).open("rb") as stream:
                content = stream.read(size + 1)
            if len(content) != size or disk.look(root, path) != listed:
                return b"", None
            packing.writestr(_entry(path.removeprefix(unit), modified_ns), content)
    return made.getvalue(), _state(unit, files) if files else None


def _held(listing: Iterable[Listed], folder: Folder) -> list[Listed]:
    return sorted(e for e in listing if is_wanted(e[0], folder) or is_run_sheet(e[0], folder))


def _state(unit: str, files: Sequence[Listed]) -> Listed:
    """Path, size of the zip, and a time that no other state of the unit has.

    The time is that of the file changed last, to the millisecond. Its last six digits tell of
    every name, size and time: a file put in place of another of its size may be an old one.
    """
    names = [len(path.removeprefix(unit).encode()) for path, _, _ in files]
    per_file = _HEADS_BYTES + 2 * len(ntfs_times(0))
    size = sum(each[1] for each in files) + per_file * len(files) + 2 * sum(names) + _END_BYTES
    digest = hashlib.sha256(repr(files).encode()).digest()
    mark = int.from_bytes(digest[:8], "little") % _NS_PER_MS
    latest_ns = max(modified_ns for _, _, modified_ns in files)
    return unit, size, min(latest_ns // _NS_PER_MS * _NS_PER_MS + mark, 2**63 - 1)


_HEADS_BYTES = 30 + 46
"""Of a member and of its entry in the list of a zip, without names and times."""
_END_BYTES = 22


def _entry(name: str, modified_ns: int) -> zipfile.ZipInfo:
    entry = zipfile.ZipInfo(name, _NO_DATE)
    entry.create_system = 3
    entry.external_attr = 0o100644 << 16
    entry.extra = ntfs_times(modified_ns)
    return entry
