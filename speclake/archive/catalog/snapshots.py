"""The files below ``catalog/``: built beside, put in place whole, never written again.

Each is derived from the chain and may be removed at any time; the two newest are kept, so that a
process which has just chosen one still finds it.
"""

import contextlib
import secrets
import shutil
import time
from pathlib import Path

import duckdb

from speclake.archive.catalog.session import Resources, Session, UnusableSnapshot, is_damage
from speclake.archive.catalog.source import Source
from speclake.archive.chain import BEFORE_THE_FIRST, Chain
from speclake.archive.locations import TEMPORARY, LocalDisk
from speclake.errors import NotFound

FOLDER = "catalog"
_SUFFIX = ".duckdb"
_KEPT = 2
_ABANDONED_S = 3600.0


def path_of(root: Path, number: int) -> Path:
    """File of the snapshot as of a commit."""
    return root / FOLDER / f"{number:010d}{_SUFFIX}"


def numbers(root: Path) -> list[int]:
    """Commits of which there are snapshots, newest first."""
    found = (root / FOLDER).glob(f"*{_SUFFIX}")
    return sorted((int(p.stem) for p in found if p.stem.isdigit()), reverse=True)


def is_of(chain: Chain, session: Session) -> bool:
    """Whether the commit that a session shows is one of the chain."""
    if session.number == 0:
        return session.hash == BEFORE_THE_FIRST
    try:
        return chain.read(session.number).hash == session.hash
    except NotFound:
        return False


def opened(path: Path, chain: Chain, resources: Resources) -> Session:
    """Session on a published snapshot.

    Raises
    ------
    speclake.archive.catalog.session.UnusableSnapshot
        It cannot be read by this version, or its commit is not in the chain.
    """
    session = Session(resources, snapshot=path)
    if not is_of(chain, session):
        session.close()
        raise UnusableSnapshot(f"{path.name}: found a commit that is not in the chain")
    return session


def build(
    root: Path, base: Path | None, resources: Resources, disk: LocalDisk
) -> tuple[int, Path] | None:
    """Number and file of a new snapshot of everything committed now, None where base is that.

    Parameters
    ----------
    base : an earlier snapshot to go on from; None reads the whole chain.

    Raises
    ------
    speclake.archive.catalog.session.UnusableSnapshot
        The base cannot be read.
    OSError
        The folder cannot be written.
    """
    disk.make_folders(root / FOLDER)
    temporary = root / FOLDER / f".building-{secrets.token_hex(6)}{TEMPORARY}"
    try:
        if base is not None:
            shutil.copyfile(base, temporary)
        start, number = _loaded(root, temporary, resources)
        if number == start:
            return None
        disk.publish(temporary, path_of(root, number))
        return number, path_of(root, number)
    except duckdb.Error as error:
        if base is None or not is_damage(error):
            raise
        raise UnusableSnapshot(str(error)) from error
    finally:
        for left in (root / FOLDER).glob(f"{temporary.name}*"):
            _remove(left, disk)


def _loaded(root: Path, building: Path, resources: Resources) -> tuple[int, int]:
    """Commits that a file showed before and shows now that everything is loaded into it."""
    session = Session(resources, building=building)
    try:
        start, chain = session.number, Chain(root)
        if not is_of(chain, session):
            raise UnusableSnapshot("found a commit that is not in the chain")
        for chunk in Source(root, chain).after(start):
            session.load(chunk)
        session.finish()
        return start, session.number
    finally:
        session.close()


def remove_old(root: Path, disk: LocalDisk) -> None:
    """Remove all snapshots but the newest, and what a killed process left half built."""
    old = [path_of(root, number) for number in numbers(root)[_KEPT:]]
    for left in (root / FOLDER).glob(".building-*"):
        with contextlib.suppress(FileNotFoundError):
            if time.time() - left.stat().st_mtime > _ABANDONED_S:
                old.append(left)
    for path in old:
        _remove(path, disk)


def _remove(path: Path, disk: LocalDisk) -> None:
    with contextlib.suppress(OSError):  # another process has it open, or was faster
        if path.is_dir():
            disk.remove_tree(path)
        else:
            disk.remove(path)
