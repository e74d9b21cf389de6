"""Cleaning: what crashes left over, and batches that a later one replaces, are removed.

Nothing is removed that a record counts on or that a living writer holds. Whether a writer lives is
asked of the system (a hold on the folder ends with the process); after the hold is ours, whoever
wrote there is done, so its record stands by then or never will.
"""

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from speclake.archive.batches import FOLDER
from speclake.archive.catalog import snapshots
from speclake.archive.chain import FOLDER as CHAIN_FOLDER
from speclake.archive.chain import HEAD, Chain, Commit
from speclake.archive.damage import is_sound
from speclake.archive.locations import TEMPORARY, LocalDisk
from speclake.archive.scratch import GRACE, newest, remove_left_overs
from speclake.errors import ArchiveDamaged


@dataclass(frozen=True)
class Removed:
    """Something that cleaning removed, and why it could."""

    path: str
    why: str


@dataclass
class References:
    """What the records say of the folders of batches, as far as they were read."""

    owners: dict[str, int]
    replaced: dict[int, tuple[int, datetime]]
    last: int = 0

    def read_on(self, chain: Chain) -> None:
        """Take in the records after those read so far."""
        for commit in chain.after(self.last):
            self.last = commit.number
            for folder in folders(commit):
                self.owners[folder] = commit.number
            for number in commit.replaces:
                self.replaced[number] = commit.number, commit.at

    def replaced_before(self, folder: str, time: datetime) -> int | None:
        """Commit that replaced the batch in a folder until a time; None where it counts."""
        by, at = self.replaced.get(self.owners.get(folder, 0), (0, time))
        return by if by and at <= time else None


def references(chain: Chain) -> References:
    """What the records say of the folders of batches."""
    found = References({}, {})
    found.read_on(chain)
    return found


def folders(commit: Commit) -> set[str]:
    """Folders, below the archive's, in which the files of a commit lie."""
    return {entry.path.rpartition("/")[0] for entry in commit.adds}


def clean(
    root: Path, chain: Chain, disk: LocalDisk, now: datetime, grace: timedelta = GRACE
) -> list[Removed]:
    """What was removed: left-overs and replaced batches that are older than the grace period.

    Raises
    ------
    speclake.errors.ArchiveDamaged
        The chain cannot be read whole; then nothing is removed.
    """
    witness = chain.witness()
    known = references(chain)
    if witness and witness.number > known.last:
        raise ArchiveDamaged(
            f"{CHAIN_FOLDER}/{HEAD}: found that commit {witness.number} was made, but the chain "
            f"ends at {known.last}; expected all records; nothing was removed; restore them"
        )
    # A record that is read is not yet one that a power cut leaves, and a batch that it replaces
    # must outlive it.
    disk.sync_folder(chain.folder)
    if known.last and (not witness or witness.number < known.last):
        chain.leave_witness(chain.read(known.last))
    removed = list(_clean_temporaries(root, disk, now - grace))
    removed += [
        Removed(folder.relative_to(root).as_posix(), "nobody works with it")
        for folder in remove_left_overs(root, disk, now - grace)
    ]
    for folder in batch_folders(root):
        name = folder.relative_to(root).as_posix()
        with contextlib.suppress(FileNotFoundError):  # another cleaner was faster
            if (number := known.replaced_before(name, now - grace)) is not None:
                disk.remove_tree(folder)
                removed.append(Removed(name, f"replaced by commit {number}"))
            elif (
                name not in known.owners
                and newest(folder) <= now - grace
                and _removed_unless_held(folder, name, known, chain, disk)
            ):
                removed.append(Removed(name, "no record names it"))
    return removed + clean_snapshots(root, disk)


def clean_snapshots(root: Path, disk: LocalDisk) -> list[Removed]:
    """Snapshots of the catalogue that were removed because they are not as they were made.

    They are derived, and made anew when they are missed. What was left half built goes by the
    rule of those who build.
    """
    removed = []
    snapshots.remove_old(root, disk)
    for number in snapshots.numbers(root):
        path = snapshots.path_of(root, number)
        with contextlib.suppress(FileNotFoundError):
            if not is_sound(path):
                disk.remove(path)
                why = "a snapshot of other bytes than were made"
                removed.append(Removed(f"{snapshots.FOLDER}/{path.name}", why))
    why = "the hash of a snapshot that is not there"
    hashes = disk.remove_witnesses_of_nothing(root / snapshots.FOLDER)
    return removed + [Removed(f"{snapshots.FOLDER}/{path.name}", why) for path in hashes]


def batch_folders(root: Path) -> Iterator[Path]:
    """Folders of batches, whether a record names them or not."""
    for month in sorted((root / FOLDER).iterdir()):
        if month.is_dir():
            yield from (folder for folder in sorted(month.iterdir()) if folder.is_dir())


def _clean_temporaries(root: Path, disk: LocalDisk, oldest: datetime) -> Iterator[Removed]:
    for path in sorted((root / CHAIN_FOLDER).glob(f".*{TEMPORARY}")):
        with contextlib.suppress(FileNotFoundError):
            if newest(path) <= oldest:
                disk.remove(path)
                yield Removed(f"{CHAIN_FOLDER}/{path.name}", "a file that was not put in place")


def _removed_unless_held(
    folder: Path, name: str, known: References, chain: Chain, disk: LocalDisk
) -> bool:
    held = disk.hold(folder)
    if held is None:
        return False
    try:
        known.read_on(chain)  # the record may have come while we looked
        if name in known.owners:
            return False
        disk.remove_tree(folder)
    finally:
        disk.release(held)
    return True
