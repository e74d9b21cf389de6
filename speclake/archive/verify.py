"""Verification: every file and row that the chain counts on is there and is what was committed.

Whatever is wrong is named with its place, what was found and what was expected; nothing that
cannot be checked is passed over.
"""

import contextlib
import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from speclake.archive.batches import FOLDER as BATCHES
from speclake.archive.chain import BEFORE_THE_FIRST, HEAD, Chain, Commit, FileEntry, Witness
from speclake.archive.chain import FOLDER as CHAIN
from speclake.archive.cleaning import folders
from speclake.archive.crosscheck import CrossCheck
from speclake.archive.damage import Damage, snapshot_damages, unknown
from speclake.archive.locations import TEMPORARY
from speclake.archive.sealing import check_rows, expected_digests
from speclake.errors import ArchiveDamaged, NotFound


def verify(root: Path, chain: Chain, head: str | None = None) -> list[Damage]:
    """Everything that is not as committed, left-overs included; empty where all is well.

    Parameters
    ----------
    head : hash that the chain's head had when it was noted elsewhere, as on a report.
    """
    missing = [
        Damage(name, "no folder", "the folder of an archive")
        for name in (CHAIN, BATCHES)
        if not (root / name).is_dir()
    ]
    while not missing:
        try:
            return list(_Verification(root, chain, head).run())
        except _Moved:
            continue
    return missing


class _Moved(Exception):
    """A batch was sealed and cleaned away while it was being looked at; look at all again."""


@dataclass
class _Verification:
    root: Path
    chain: Chain
    head: str | None
    last: int = 0
    readable: set[int] = field(default_factory=set)
    replaced_by: dict[int, int] = field(default_factory=dict)
    owners: dict[str, int] = field(default_factory=dict)
    """Number of the commit that each folder of a batch belongs to."""
    cross: CrossCheck = field(default_factory=CrossCheck)

    def run(self) -> Iterator[Damage]:
        yield from self._records()
        for number in sorted(self.readable):
            commit = self.chain.read(number)
            if number in self.replaced_by:
                yield from self._replaced(commit)
            else:
                yield from self._batch(commit)
        yield from self._unknown_in_batches()
        yield from snapshot_damages(self.root, max(self.readable, default=0))
        for path, found, expected in self.cross.problems():
            yield Damage(path, found, expected)

    # --- records ------------------------------------------------------------------------------

    def _records(self) -> Iterator[Damage]:
        witness = self.chain.witness()  # read first: the chain may grow meanwhile
        numbers, strange = self._names()
        yield from strange
        self.last = last = max([*numbers, witness.number if witness else 0], default=0)
        before: str | None = BEFORE_THE_FIRST
        hashes: dict[str, int] = {}
        for number in range(1, last + 1):
            commit = None
            try:
                commit = self._record(number, numbers)
                yield from self._follows(commit, before)
                yield from self._taken_in(commit)
                hashes[commit.hash] = number
            except ArchiveDamaged as error:
                self.cross.is_complete = False
                yield _from(error, self._name(number))
            before = commit.hash if commit else None
        if self.head is not None and self.head not in hashes:
            yield Damage(CHAIN, f"no record with the hash {self.head}", "the head noted elsewhere")
        if numbers:
            yield from self._witness(witness, hashes)

    def _witness(self, witness: Witness | None, hashes: dict[str, int]) -> Iterator[Damage]:
        name = f"{CHAIN}/{HEAD}"
        if witness is None:
            path = self.chain.folder / HEAD
            size = f"{path.stat().st_size} bytes that say nothing" if path.exists() else "no file"
            yield Damage(
                name, size, "the last commit; the next commit or clean writes it", left_over=True
            )
        elif hashes.get(witness.hash) != witness.number:
            yield Damage(
                name,
                f"commit {witness.number} with the hash {witness.hash}",
                "a record with that number and hash",
            )

    def _names(self) -> tuple[set[int], list[Damage]]:
        numbers: set[int] = set()
        strange = []
        for path in sorted(self.chain.folder.iterdir()):
            stem = path.name.removesuffix(".json")
            if stem.isdecimal() and self.chain.path(int(stem)) == path:
                numbers.add(int(stem))
            elif path.name != HEAD:
                strange.append(unknown(f"{CHAIN}/{path.name}", path.name.endswith(TEMPORARY)))
        return numbers, strange

    def _name(self, number: int) -> str:
        return f"{CHAIN}/{self.chain.path(number).name}"

    def _record(self, number: int, numbers: set[int]) -> Commit:
        if number not in numbers:
            raise ArchiveDamaged(f"{self._name(number)}: found no record; expected it")
        return self.chain.read(number)

    def _follows(self, commit: Commit, before: str | None) -> Iterator[Damage]:
        if before is not None and commit.previous != before:
            yield Damage(
                self._name(commit.number),
                f"the hash {commit.previous} for the record before",
                f"{before}: one of the two was altered",
            )

    def _taken_in(self, commit: Commit) -> Iterator[Damage]:
        for number in commit.replaces:
            if number in self.replaced_by or number >= commit.number:
                yield Damage(
                    self._name(commit.number), f"that it replaces {number}",
                    "batches that counted when it was written",
                )  # fmt: skip
            self.replaced_by[number] = commit.number
        self.owners |= dict.fromkeys(folders(commit), commit.number)
        self.readable.add(commit.number)

    # --- batches ------------------------------------------------------------------------------

    def _batch(self, commit: Commit) -> Iterator[Damage]:
        try:
            expected = expected_digests(self.chain, [commit])
        except (ArchiveDamaged, NotFound) as error:
            yield Damage(
                self._name(commit.number),
                f"that its rows cannot be held against a record: {error}",
                "the records of the commits that it replaces",
            )  # fmt: skip
            self.cross.is_complete = False
            return
        for entry in commit.adds:
            damage = self._altered(entry) or self._other_rows(entry, commit, expected)
            if damage is not None:
                self._check_still_counts(commit)
                self.cross.is_complete = False
                yield damage
        self.cross.end_batch(commit.number)
        for table in expected.keys() - {entry.table for entry in commit.adds}:
            yield Damage(self._name(commit.number), f"no file of {table}", "one for its digest")
        yield from self._unknown_files(commit)

    def _other_rows(
        self, entry: FileEntry, commit: Commit, expected: Mapping[str, Mapping[int, str]]
    ) -> Damage | None:
        """What is wrong with the rows of a file, None where they are those that were committed."""
        try:
            digests = expected.get(entry.table, {})
            check_rows(self.root, entry, commit.number, digests, self.cross.see)
        except ArchiveDamaged as error:
            return _from(error, entry.path)
        except FileNotFoundError:
            return Damage(entry.path, "no file", "the file that was there a moment ago")
        return None

    def _check_still_counts(self, commit: Commit) -> None:
        with contextlib.suppress(ArchiveDamaged, NotFound):  # what is wrong there is named already
            if any(commit.number in later.replaces for later in self.chain.after(self.last)):
                raise _Moved

    def _altered(self, entry: FileEntry) -> Damage | None:
        """What is wrong with a file, None where it has the bytes that were committed."""
        wanted = f"{entry.size} bytes with the hash {entry.sha256}"
        try:
            with (self.root / entry.path).open("rb") as file:
                found = hashlib.file_digest(file, "sha256").hexdigest()
                size = file.tell()
        except FileNotFoundError:
            return Damage(entry.path, "no file", wanted)
        except OSError as error:
            return Damage(entry.path, f"a file that cannot be read ({error.strerror})", wanted)
        if (size, found) == (entry.size, entry.sha256):
            return None
        return Damage(entry.path, f"{size} bytes with the hash {found}", wanted)

    def _replaced(self, commit: Commit) -> Iterator[Damage]:
        """A replaced batch counts no more; what is still there of it is said, not missed."""
        present = [entry for entry in commit.adds if (self.root / entry.path).exists()]
        for folder in sorted(folders(commit)):
            if (self.root / folder).exists():
                yield Damage(
                    folder,
                    f"a batch that commit {self.replaced_by[commit.number]} replaced "
                    f"({len(present)} of {len(commit.adds)} files)",
                    "none, once clean has run",
                    left_over=True,
                )
        for damage in map(self._altered, present):
            if damage is not None:
                yield replace(damage, left_over=True)
        yield from self._unknown_files(commit)

    def _unknown_files(self, commit: Commit) -> Iterator[Damage]:
        known = {entry.path for entry in commit.adds}
        for folder in sorted(folders(commit)):
            if (self.root / folder).is_dir():
                for path in sorted((self.root / folder).iterdir()):
                    name = path.relative_to(self.root).as_posix()
                    if name not in known:
                        yield unknown(name, False)

    def _unknown_in_batches(self) -> Iterator[Damage]:
        for month in sorted((self.root / BATCHES).iterdir()):
            for path in sorted(month.iterdir()) if month.is_dir() else [month]:
                name = path.relative_to(self.root).as_posix()
                if not path.is_dir():
                    yield unknown(name, False)
                elif name not in self.owners:
                    yield Damage(
                        name,
                        "a folder that no record names",
                        "none: a writer is at work or was stopped; clean removes it in that case",
                        left_over=True,
                    )


def _from(error: ArchiveDamaged, path: str) -> Damage:
    """Damage as the reader's error tells it."""
    text = str(error).removeprefix(f"{path}: ")
    found, _, expected = text.removeprefix("found ").partition("; expected ")
    return Damage(path, found, expected or "the file as committed")
