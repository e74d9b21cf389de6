"""Every system call that writes into an archive, in one place.

A commit is durable because the calls here come in the right order: bytes, fsync of the file, name,
fsync of the folder. The tests put a disk in the place of `LocalDisk` that stops between any two of
these calls, or forgets what was not yet fsynced.
"""

import contextlib
import ctypes
import errno
import hashlib
import os
import secrets
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Protocol

from speclake.errors import SpeclakeError

try:
    import fcntl
except ImportError:  # Windows has no such locks; there the grace period of `clean` stands alone
    fcntl = None  # type: ignore[assignment]  # the module's absence is asked for before each use

_NO_LINKS = {errno.EPERM, errno.ENOSYS, errno.ENOTSUP, errno.EOPNOTSUPP, errno.EMLINK}
_AT_FDCWD = -100
_RENAME_NOREPLACE = 1

TEMPORARY = ".tmp"
"""How the name of a file ends that is not yet in its place."""


WITNESS = ".sha256"
"""How the name of a file ends that holds the hash of a published one, as ``sha256sum`` has it."""


def witnesses(path: Path) -> list[Path]:
    """Files that hold a hash which a published file may have."""
    return sorted(path.parent.glob(f"{path.name}.*{WITNESS}"))


def witnessed(witness: Path) -> Path:
    """Published file that a file with a hash is of."""
    return witness.with_name(witness.name.removesuffix(WITNESS).rpartition(".")[0])


class Sink(Protocol):
    """A file being written: bytes go in, and their number and SHA-256 are known at any time."""

    @property
    def size(self) -> int:
        """Bytes written so far."""

    @property
    def sha256(self) -> str:
        """Hash of the bytes written so far, in hexadecimal."""

    def write(self, data: bytes | memoryview) -> int:
        """Number of bytes taken: always all of them."""


class _HashingSink:
    def __init__(self, disk: "LocalDisk", handle: int) -> None:
        self._disk, self._handle = disk, handle
        self._hasher = hashlib.sha256()
        self.size = 0
        self.closed = False

    @property
    def sha256(self) -> str:
        return self._hasher.hexdigest()

    def write(self, data: bytes | memoryview) -> int:
        view = memoryview(data).cast("B")
        self._hasher.update(view)
        self.size += len(view)
        self._disk.write(self._handle, view)
        return len(view)

    def tell(self) -> int:
        return self.size

    def flush(self) -> None:
        """Nothing is held back; writers of Parquet ask for this."""


class LocalDisk:
    """Writing calls on a local disk, or on a share that keeps the promises of one.

    The first group of methods is one system call each. The second joins them in the order that
    survives a power cut.
    """

    def token(self) -> str:
        """Part of a name that no other writer takes."""
        return secrets.token_hex(4)

    # --- one call each ------------------------------------------------------------------------

    def make_folder(self, path: Path) -> None:
        """Make one folder; FileExistsError where it is there."""
        path.mkdir()

    def open_new(self, path: Path) -> int:
        """Handle of a new file; FileExistsError where the name is taken."""
        flags = os.O_CREAT | os.O_EXCL | os.O_WRONLY | getattr(os, "O_BINARY", 0)
        return os.open(path, flags, 0o644)

    def write(self, handle: int, data: memoryview) -> None:
        """Write all of the data."""
        while data:
            data = data[os.write(handle, data) :]

    def sync_file(self, handle: int) -> None:
        """Have the bytes of a file on the medium."""
        if fcntl is not None and hasattr(fcntl, "F_FULLFSYNC"):
            fcntl.fcntl(handle, fcntl.F_FULLFSYNC)
        else:
            os.fsync(handle)

    def close(self, handle: int) -> None:
        """Close a file."""
        os.close(handle)

    def sync_folder(self, path: Path) -> None:
        """Have the names in a folder on the medium."""
        if sys.platform == "win32":
            return  # Windows opens no folder for this; NTFS journals names itself
        handle = os.open(path, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)

    def link(self, source: Path, target: Path) -> None:
        """Give a file a second name; FileExistsError where that is taken."""
        os.link(source, target)

    def rename(self, source: Path, target: Path) -> None:
        """Move a file or folder, over a file that is there."""
        source.replace(target)

    def rename_to_free(self, source: Path, target: Path) -> None:
        """Move a file to a name that is free; FileExistsError where it is taken."""
        if sys.platform == "win32":
            source.rename(target)
            return
        call = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None)
        if call is None:
            raise SpeclakeError(
                f"{target.parent}: found a file system without hard links; expected one that links "
                "or renames only where the name is free; keep the archive on another disk"
            )
        names = os.fsencode(source), os.fsencode(target)
        if call(_AT_FDCWD, names[0], _AT_FDCWD, names[1], _RENAME_NOREPLACE):
            code = ctypes.get_errno()
            raise OSError(code, os.strerror(code), str(target))

    def remove(self, path: Path) -> None:
        """Remove a file."""
        path.unlink()

    def remove_folder(self, path: Path) -> None:
        """Remove an empty folder."""
        path.rmdir()

    def hold(self, folder: Path) -> int | None:
        """Handle that marks a folder as in use by a living process, None where another holds it.

        The mark ends with `release` or with the process, however it ends.
        """
        if fcntl is None:
            return -1
        handle = os.open(folder, os.O_RDONLY)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            os.close(handle)
            return None
        except OSError as error:
            if error.errno not in _NO_LINKS:
                os.close(handle)
                raise
        return handle

    def release(self, held: int) -> None:
        """End the mark of `hold`."""
        if held >= 0:
            os.close(held)

    # --- calls in the order that survives -----------------------------------------------------

    @contextlib.contextmanager
    def create(self, path: Path) -> Iterator[Sink]:
        """Sink of a new file, fsynced when the block ends without an error.

        The name is durable only after `sync_folder` of its folder.
        """
        handle = self.open_new(path)
        try:
            yield _HashingSink(self, handle)
            self.sync_file(handle)
        finally:
            self.close(handle)

    def make_folders(self, path: Path) -> None:
        """Make a folder and those above it that are missing, durably."""
        if path.is_dir():
            return
        self.make_folders(path.parent)
        with contextlib.suppress(FileExistsError):  # another writer was faster
            self.make_folder(path)
        self.sync_folder(path.parent)

    def put_if_absent(self, path: Path, data: bytes) -> None:
        """Put a whole file in its place, durably, unless the name is taken.

        Nobody ever sees a part of it. After an error other than FileExistsError the file may or
        may not be there.

        Raises
        ------
        FileExistsError
            The name is taken; what is there was not touched.
        """
        while True:
            temporary = path.with_name(f".{path.name}.{self.token()}{TEMPORARY}")
            with self.create(temporary) as sink:
                sink.write(data)
            try:
                moved = self._name_if_free(temporary, path)
            except FileExistsError:
                with contextlib.suppress(FileNotFoundError):
                    self.remove(temporary)
                raise
            except FileNotFoundError:
                if temporary.exists():
                    raise
                continue  # cleaned away as a left-over under our hands: write it again
            break
        self.sync_folder(path.parent)
        if not moved:
            with contextlib.suppress(FileNotFoundError):
                self.remove(temporary)

    def _name_if_free(self, temporary: Path, path: Path) -> bool:
        """Whether the file was moved (True) or has two names now."""
        try:
            self.link(temporary, path)
        except FileExistsError:
            # a network file system may lose the answer to a link that it made, and ask again
            if not path.samefile(temporary):
                raise
        except OSError as error:
            if error.errno not in _NO_LINKS:
                raise
            self.rename_to_free(temporary, path)
            return True
        return False

    def publish(self, temporary: Path, path: Path) -> None:
        """Move a finished file to its place, durably, over what is there; its hash goes beside it.

        The hash is in a file of its own for each content (`witnesses`), so that two processes that
        publish under one name at once leave the hash of whichever came last.
        """
        with temporary.open("r+b") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
            self.sync_file(file.fileno())
        self.remove_witnesses_of_nothing(path.parent)
        beside = path.with_name(f"{path.name}.{digest}{WITNESS}")
        unnamed = temporary.with_name(f"{temporary.name}{WITNESS}{TEMPORARY}")
        self._put_witness(unnamed, beside, digest)
        self.rename(temporary, path)
        if not beside.exists():  # who cleaned up in between took it for one of nothing
            self._put_witness(unnamed, beside, digest)
        self.sync_folder(path.parent)

    def _put_witness(self, unnamed: Path, beside: Path, digest: str) -> None:
        with self.create(unnamed) as sink:
            sink.write(f"{digest}  {witnessed(beside).name}\n".encode())
        self.rename(unnamed, beside)
        self.sync_folder(beside.parent)  # else a loss of power may leave a file without its hash

    def remove_witnesses_of_nothing(self, folder: Path) -> list[Path]:
        """Hashes in a folder that were removed, since the files that they are of are not there."""
        found = [
            each for each in sorted(folder.glob(f"*{WITNESS}")) if not witnessed(each).exists()
        ]
        if found:
            self.sync_folder(folder)  # else a loss of power may bring back a file without its hash
        removed = []
        for each in found:
            with contextlib.suppress(FileNotFoundError):
                self.remove(each)
                removed.append(each)
        return removed

    def remove_tree(self, folder: Path) -> None:
        """Remove a folder and what is in it; what another process removed meanwhile is no error."""
        with contextlib.suppress(FileNotFoundError):
            for entry in sorted(folder.iterdir()):
                if entry.is_dir() and not entry.is_symlink():
                    self.remove_tree(entry)
                else:
                    with contextlib.suppress(FileNotFoundError):
                        self.remove(entry)
            self.remove_folder(folder)
