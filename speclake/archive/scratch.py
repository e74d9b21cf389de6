"""Scratch folders of an archive: what is kept on disk only while files are being read.

Nothing in them is of the record. A folder is its maker's alone, held as that of a batch is, and
goes with it; what a crash left is removed by whoever makes or cleans next, once it has not been
written to for a while.
"""

import contextlib
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

from speclake.archive.locations import LocalDisk

FOLDER = "scratch"
GRACE = timedelta(hours=1)
"""How long a left-over is left alone: readers that still count on a replaced batch end meanwhile,
and file systems that know no holds get by with it."""


class Scratch:
    """A folder of its own below an archive's, made when it is first needed."""

    def __init__(self, root: Path, disk: LocalDisk | None = None) -> None:
        self._disk = disk or LocalDisk()
        self._root = root
        self.folder = root / FOLDER / self._disk.token()
        self._held: int | None = None

    def make(self) -> None:
        """Have the folder there, readable by nobody else, and left-overs of others removed."""
        if self._held is not None:
            return
        self._disk.make_folders(self.folder.parent)
        for _ in remove_left_overs(self._root, self._disk, datetime.now(UTC) - GRACE):
            pass
        self.folder.mkdir(mode=0o700)
        self._held = self._disk.hold(self.folder)

    def close(self) -> None:
        """Remove the folder with everything in it."""
        if self._held is not None:
            self._disk.remove_tree(self.folder)
            self._disk.release(self._held)
            self._held = None


def remove_left_overs(root: Path, disk: LocalDisk, oldest: datetime) -> Iterator[Path]:
    """Remove folders of processes that are gone, last written to before a time; each is named."""
    parent = root / FOLDER
    for folder in sorted(parent.iterdir()) if parent.is_dir() else ():
        with contextlib.suppress(FileNotFoundError, NotADirectoryError):  # another was faster
            if newest(folder) > oldest or (held := disk.hold(folder)) is None:
                continue
            try:
                disk.remove_tree(folder)
            finally:
                disk.release(held)
            yield folder


def newest(path: Path) -> datetime:
    """When a file, or anything in a folder, was written last."""
    paths = [path, *path.iterdir()] if path.is_dir() else [path]
    last = max(each.stat().st_mtime for each in paths)
    return datetime.fromtimestamp(last, UTC)
