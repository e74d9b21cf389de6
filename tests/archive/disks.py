"""Disks that stop between any two calls, let others act there, and forget what was not fsynced."""

import itertools
import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from speclake.archive.locations import LocalDisk


class Crash(BaseException):
    """The process ends here; nothing in the program may catch it and go on."""


class Medium:
    """What a folder would hold after a power cut, beside what the running system shows.

    Parameters
    ----------
    graveyard : folder outside the archive, where what is removed is kept until that is durable.
    """

    def __init__(self, graveyard: Path) -> None:
        self._graveyard = graveyard
        graveyard.mkdir()
        self._buried = 0
        self._names: list[tuple[Path, Callable[[], None]]] = []
        """Folder whose fsync makes a change of a name durable, and how to take it back."""
        self._dirty: set[int] = set()
        """Files (by inode) with bytes that are not fsynced."""

    def wrote(self, handle: int) -> None:
        self._dirty.add(os.fstat(handle).st_ino)

    def synced_file(self, handle: int) -> None:
        self._dirty.discard(os.fstat(handle).st_ino)

    def synced_folder(self, folder: Path) -> None:
        self._names = [change for change in self._names if change[0] != folder]

    def named(self, path: Path) -> None:
        """A file has a new name."""
        self._names.append((path.parent, lambda: path.unlink(missing_ok=True)))

    def made_folder(self, path: Path) -> None:
        self._names.append((path.parent, lambda: shutil.rmtree(path, ignore_errors=True)))

    def will_be_gone(self, path: Path) -> Callable[[], None]:
        """Keep a file that loses its name; call the result once it has."""
        kept = self._graveyard / str(self._buried)
        self._buried += 1
        os.link(path, kept)

        def back() -> None:
            if path.parent.is_dir():
                path.unlink(missing_ok=True)
                os.link(kept, path)

        return lambda: self._names.append((path.parent, back))

    def removed_folder(self, path: Path) -> None:
        def back() -> None:
            if path.parent.is_dir():
                path.mkdir(exist_ok=True)

        self._names.append((path.parent, back))

    def cut(self, root: Path, is_lost: Callable[[Path], bool], keep: Callable[[int], int]) -> None:
        """Take back each change that is not durable, or leave it, as `is_lost` says.

        Parameters
        ----------
        is_lost : whether a change of a name in this folder is.
        keep : how many of so many bytes of a file stay that was not fsynced.
        """
        for folder, take_back in reversed(self._names):
            if is_lost(folder):
                take_back()
        files = [(path.stat(), path) for path in root.rglob("*") if path.is_file()]
        for status, path in sorted(files, key=lambda file: file[0].st_ino):
            if status.st_ino in self._dirty:
                os.truncate(path, keep(status.st_size))
        self._names, self._dirty = [], set()


class TestDisk(LocalDisk):
    """Disk of one process. At one of its calls something happens first.

    Parameters
    ----------
    medium : kept up to date, where a test cuts the power.
    tokens : numbers for names, shared by the disks of one archive, so that a run can be repeated.
    """

    __test__ = False

    def __init__(self, medium: Medium | None = None, tokens: Iterator[int] | None = None) -> None:
        self._medium = medium
        self._handles: set[int] = set()
        self._countdown: int | None = None
        self._happening: Callable[[], object] = lambda: None
        self._tokens = tokens or itertools.count()
        self.calls = 0
        self.is_dead = False

    def at_call(self, count: int, happening: Callable[[], object]) -> None:
        """Have something happen just before the call after `count` more."""
        self._countdown, self._happening = count, happening

    def nothing_more(self) -> None:
        """Have nothing happen any more."""
        self._countdown = None

    def die(self) -> None:
        """End the process: the system closes what it had open."""
        self.is_dead = True
        for handle in self._handles:
            os.close(handle)
        self._handles.clear()
        raise Crash

    def token(self) -> str:
        return f"{next(self._tokens):08x}"

    def _call(self) -> None:
        if self.is_dead:
            raise Crash
        self.calls += 1
        if self._countdown is not None:
            self._countdown -= 1
            if self._countdown < 0:
                self._countdown = None
                self._happening()

    def make_folder(self, path: Path) -> None:
        self._call()
        super().make_folder(path)
        if self._medium:
            self._medium.made_folder(path)

    def open_new(self, path: Path) -> int:
        self._call()
        handle = super().open_new(path)
        self._handles.add(handle)
        if self._medium:
            self._medium.named(path)
            self._medium.wrote(handle)
        return handle

    def write(self, handle: int, data: memoryview) -> None:
        self._call()
        half = len(data) // 2
        for part in (data[:half], data[half:]):  # a crash may come in the middle of a write
            super().write(handle, part)
            self._call()
        if self._medium:
            self._medium.wrote(handle)

    def sync_file(self, handle: int) -> None:
        self._call()
        if self._medium:
            self._medium.synced_file(handle)

    def close(self, handle: int) -> None:
        self._call()
        super().close(handle)
        self._handles.discard(handle)

    def sync_folder(self, path: Path) -> None:
        self._call()
        if self._medium:
            self._medium.synced_folder(path)

    def link(self, source: Path, target: Path) -> None:
        self._call()
        super().link(source, target)
        if self._medium:
            self._medium.named(target)

    def rename(self, source: Path, target: Path) -> None:
        self._call()
        with self._gone(source):
            if target.exists():
                with self._gone(target):
                    super().rename(source, target)
            else:
                super().rename(source, target)
                if self._medium:
                    self._medium.named(target)

    def remove(self, path: Path) -> None:
        self._call()
        with self._gone(path):
            super().remove(path)

    def remove_folder(self, path: Path) -> None:
        self._call()
        super().remove_folder(path)
        if self._medium:
            self._medium.removed_folder(path)

    def hold(self, folder: Path) -> int | None:
        self._call()
        handle = super().hold(folder)
        if handle is not None and handle >= 0:
            self._handles.add(handle)
        return handle

    def release(self, held: int) -> None:
        self._call()
        super().release(held)
        self._handles.discard(held)

    @contextmanager
    def _gone(self, path: Path) -> Iterator[Any]:
        done = self._medium.will_be_gone(path) if self._medium and path.is_file() else None
        yield
        if done:
            done()
