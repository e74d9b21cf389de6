"""The bytes of a settled file, their hash, and whether it changed while they were read."""

import hashlib

from speclake.archive.originals import OriginalsReader
from speclake.archive.rows import file_id
from speclake.intake.spool import COPIED_AT_ONCE, Spooling, copied
from speclake.intake.tasks import FileReading, FileTask
from speclake.intake.units import LARGEST_MB, packed
from speclake.intake.wanted import is_unit
from speclake.settings import Folder


def too_large(task: FileTask, most_mb: int) -> str:
    """Why a file is not read, in words; empty for one that is not too large."""
    limit = "largest_file_mb"
    if is_unit(task.path) and most_mb > LARGEST_MB:
        most_mb, limit = LARGEST_MB, "the most that a unit holds"
    if task.size <= most_mb * 2**20:
        return ""
    return f"found {task.size} bytes; expected at most {most_mb} MB ({limit})"


def file_id_of(task: FileTask, readers: str, sha256: str) -> str:
    """Identifier of one reading of one state of a file by these readers."""
    return file_id(task.folder, task.path, task.modified_ns, sha256, readers + task.again)


def brought(task: FileTask, folder: Folder, spooling: Spooling, readers: str) -> FileReading:
    """Reading that has the bytes of a file and their hash, and nothing else yet.

    It is `changed` where they cannot be had for now.
    """
    try:
        if spooling.is_long(task.size) and task.content is None and not is_unit(task.path):
            return _copy_of(task, spooling, readers)
        content, changed = content_of(task, folder)
    except OSError as error:
        return FileReading(task, changed=True, note=f"cannot be opened: {error.strerror}")
    if changed:
        return FileReading(task, changed=True, note="it changed while it was read")
    return with_bytes(task, content, readers)


def with_bytes(task: FileTask, content: bytes, readers: str) -> FileReading:
    """Reading of a file whose bytes are at hand, with their hash and nothing else yet."""
    sha256 = hashlib.sha256(content).hexdigest()
    return FileReading(task, file_id_of(task, readers, sha256), sha256, content)


def _copy_of(task: FileTask, spooling: Spooling, readers: str) -> FileReading:
    """Reading with a copy of a long file. The handle is open for no longer than that takes."""
    copy = spooling.path(key_of(task), "copy")
    assert copy is not None
    try:
        if task.kept is not None:
            with OriginalsReader(task.kept.archive, task.kept.archive.name) as originals:
                sha256, _ = copied(originals.parts(task.kept.sha256), copy, task.size)
            is_same = True
        else:
            path = task.root / task.path
            with path.open("rb") as stream:
                sha256, size = copied(
                    iter(lambda: stream.read(COPIED_AT_ONCE), b""), copy, task.size
                )
            after = path.stat()
            seen = (size, after.st_size, after.st_mtime_ns)
            is_same = seen == (task.size, task.size, task.modified_ns)
    except OSError:
        copy.unlink(missing_ok=True)
        raise
    if not is_same:
        copy.unlink(missing_ok=True)
        return FileReading(task, changed=True, note="it changed while it was read")
    return FileReading(task, file_id_of(task, readers, sha256), sha256, copy=copy)


def key_of(task: FileTask) -> str:
    """Name that what is on disk of a task has, the same for whoever reads it again."""
    kept = task.kept.sha256 if task.kept else ""
    text = f"{task.folder}|{task.path}|{task.size}|{task.modified_ns}|{kept}"
    return hashlib.sha256(text.encode()).hexdigest()[:32]


def content_of(task: FileTask, folder: Folder) -> tuple[bytes, bool]:
    """Bytes of the file, and whether it changed under our eyes. The handle is open but briefly.

    Raises
    ------
    OSError
        It cannot be read.
    """
    if task.content is not None:
        return task.content, False
    if is_unit(task.path):
        content, found = packed(task.root, task.path, folder)
        return content, found != (task.path, task.size, task.modified_ns)
    path = task.root / task.path
    with path.open("rb") as stream:
        content = stream.read(task.size + 1)
    after = path.stat()
    seen = (len(content), after.st_size, after.st_mtime_ns)
    return content, seen != (task.size, task.size, task.modified_ns)
