"""Folders as the disk shows them: every file with its size and time, and what could not be seen."""

import os
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import Protocol

Listed = tuple[str, int, int]
"""Path below the folder, size, modification time in ns."""


class Disk(Protocol):
    """What a folder is looked at through; tests pass one that vanishes, stalls or lies."""

    passed_over: dict[str, str]
    """What the last walk, and looks since, could not list, with the reason."""

    def walk(self, root: Path, below: str = "", /) -> Iterator[Listed]:
        """Every file below the root, or below one folder of it, in a steady order.

        A folder that vanishes meanwhile is passed over.

        Raises
        ------
        OSError
            That folder itself cannot be read.
        """

    def look(self, root: Path, path: str, /) -> Listed | None:
        """One file now; None when it is gone or cannot be looked at."""


class LocalDisk:
    """The machine's own file system, network shares included.

    `passed_over` tells, of the last walk and the looks since, what could not be seen or cannot
    have a line in the record, with the reason: it is shown to a person and left alone.
    """

    def __init__(self) -> None:
        self.passed_over: dict[str, str] = {}

    def walk(self, root: Path, below: str = "", /) -> Iterator[Listed]:
        """Files below the root or a folder of it, folder by folder, in the order of their names."""
        if not below:
            self.passed_over = {}
        open_folders = [iter(_listing(root / below, f"{below}/" if below else ""))]
        while open_folders:
            entry, path = next(open_folders[-1], (None, ""))
            if entry is None:
                open_folders.pop()
            elif problem := _problem_of_name(entry.name):
                self.passed_over[_shown(path)] = problem
            else:
                try:
                    if entry.is_dir(follow_symlinks=False):
                        if not entry.name.startswith("."):
                            open_folders.append(iter(_listing(Path(entry.path), f"{path}/")))
                    elif entry.is_file() and (listed := self._listed(path, entry.stat())):
                        yield listed
                except FileNotFoundError:
                    continue
                except OSError as error:
                    self.passed_over[path] = f"cannot be read: {error.strerror}"

    def look(self, root: Path, path: str, /) -> Listed | None:
        """One file as it is now; None for what is no file, or cannot have a line in the record."""
        if problem := _problem_of_name(path):
            self.passed_over[_shown(path)] = problem
            return None
        try:
            return self._listed(path, (root / path).stat())
        except (OSError, ValueError):  # ValueError: a name that no file can have
            return None

    def _listed(self, path: str, found: os.stat_result) -> Listed | None:
        if not stat.S_ISREG(found.st_mode):
            return None
        if not -(2**63) <= found.st_mtime_ns < 2**63:
            self.passed_over[path] = "its time is out of all reason; set another"
            return None
        return path, found.st_size, found.st_mtime_ns


def _listing(folder: Path, below: str) -> list[tuple["os.DirEntry[str]", str]]:
    with os.scandir(folder) as entries:
        return [(e, f"{below}{e.name}") for e in sorted(entries, key=lambda e: e.name)]


def _problem_of_name(name: str) -> str:
    try:
        name.encode()
    except UnicodeEncodeError:
        return "its name is not text; rename it"
    return ""


def _shown(path: str) -> str:
    return path.encode(errors="replace").decode()
