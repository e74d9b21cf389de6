"""What the chain adds after a commit, in chunks of rows ready for the loader.

A commit's rows are read from its own batch. Where that has been replaced and cleaned away, the
records ahead name the batch that stands for it now. Every file is compared with the size and hash
in its record before a row of it is believed.
"""

import hashlib
from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import takewhile
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from speclake.archive.batches import read_rows, read_table
from speclake.archive.chain import SEAL, Chain, Commit, FileEntry
from speclake.archive.schemas import COMMIT_NUMBER, SCHEMAS
from speclake.errors import ArchiveDamaged

ROW_IN_COMMIT = "row_in_commit"
"""Column that counts the rows which one commit added to a table, from 0."""

PLACE = "place_in_chunk"
"""Column that counts the rows of a table in a chunk, which stand in the order of the chain."""

MOST_ROWS = 50_000
MOST_COMMITS = 500

_LEFT_OUT = {
    "measurements": {"header"},
    "derived": {"exponent", "integers", "floats"},
}
_READ: Mapping[str, tuple[str, ...]] = {
    name: tuple(n for n in schema.names if n not in _LEFT_OUT.get(name, ()))
    for name, schema in SCHEMAS.items()
    if name != "spectra"
}
"""Columns that the catalogue wants of each table."""


@dataclass(frozen=True)
class Chunk:
    """Consecutive commits and the rows that they add.

    The tables are in the order of the chain and have the columns `COMMIT_NUMBER`, `ROW_IN_COMMIT`
    and `PLACE` besides their own.
    """

    commits: tuple[Commit, ...]
    tables: Mapping[str, Any]

    @property
    def last(self) -> Commit:
        """The commit that the catalogue shows once the chunk is loaded."""
        return self.commits[-1]


@dataclass
class Source:
    """Reader of an archive's batches for the catalogue."""

    root: Path
    chain: Chain
    most_rows: int = MOST_ROWS
    most_commits: int = MOST_COMMITS
    _holders: dict[int, Commit] = field(default_factory=dict)
    """Commit whose batch stands for that of a number, where it is another's."""
    _looked_ahead_to: int = 0
    _checked: set[str] = field(default_factory=set)
    _numbers: dict[str, tuple[str, npt.NDArray[np.int64]]] = field(default_factory=dict)
    """Commit numbers of the rows in the sealed file of each table that was read last."""

    def after(self, number: int) -> Iterator[Chunk]:
        """Chunks of everything committed after a number.

        Raises
        ------
        speclake.errors.ArchiveDamaged
            A record or a file is missing or is not what was committed.
        """
        for commits in self._groups(self.chain.after(number)):
            yield Chunk(commits, self._tables(commits))

    def _groups(self, commits: Iterable[Commit]) -> Iterator[tuple[Commit, ...]]:
        group: list[Commit] = []
        rows = 0
        for commit in commits:
            group.append(commit)
            if commit.kind != SEAL:
                rows += sum(e.rows for e in commit.adds if e.table in _READ)
            if rows >= self.most_rows or len(group) >= self.most_commits:
                yield tuple(group)
                group, rows = [], 0
        if group:
            yield tuple(group)

    def _tables(self, commits: tuple[Commit, ...]) -> dict[str, Any]:
        plain = [commit for commit in commits if commit.kind != SEAL]
        tables: dict[str, Any] = {}
        for name in _READ:
            adding = [commit for commit in plain if commit.entry(name) is not None]
            if adding:
                tables[name] = _with_positions(pa.concat_tables(self._parts(name, adding)))
        return tables

    def _parts(self, table: str, commits: Sequence[Commit]) -> list[Any]:
        """Rows that commits added to a table, from wherever they lie now."""
        parts: list[Any] = []
        waiting = deque(commits)
        while waiting:
            holder = self._holders.get(waiting[0].number)
            together = self._led_by(holder, waiting) if holder else [waiting[0].number]
            try:
                if holder is None:
                    parts.append(self._plain(waiting[0], table))
                else:
                    parts.append(self._sealed(holder, table, together))
            except FileNotFoundError:
                self._look_ahead(holder or waiting[0])
                continue
            for _ in together:
                waiting.popleft()
        return parts

    def _led_by(self, holder: Commit, waiting: Iterable[Commit]) -> list[int]:
        """Numbers of the first commits that all lie in the batch of one."""
        return [
            each.number
            for each in takewhile(lambda c: self._holders.get(c.number) is holder, waiting)
        ]

    def _plain(self, commit: Commit, table: str) -> Any:
        self._check(commit.entry(table))
        return read_table(self.root, commit, table, _READ[table])

    def _sealed(self, holder: Commit, table: str, numbers: Sequence[int]) -> Any:
        """Rows of some commits in the batch that stands for theirs."""
        entry = holder.entry(table)
        path = entry.path if entry else ""
        if path not in self._checked:  # a sealed file is read again and again, a plain one once
            self._check(entry)
            self._checked.add(path)
        if self._numbers.get(table, ("",))[0] != path:
            column = read_table(self.root, holder, table, ()).column(COMMIT_NUMBER)
            self._numbers[table] = path, column.to_numpy()
        positions = np.flatnonzero(np.isin(self._numbers[table][1], numbers))
        return read_rows(self.root, holder, table, positions, _READ[table])

    def _look_ahead(self, missing: Commit) -> None:
        """Learn from the records ahead which batches stand for which; one must for the missing."""
        for commit in self.chain.after(max(self._looked_ahead_to, missing.number)):
            self._looked_ahead_to = commit.number
            replaced = set(commit.replaces)
            for number, holder in self._holders.items():
                if holder.number in replaced:
                    self._holders[number] = commit
            self._holders |= dict.fromkeys(replaced, commit)
        if missing.number not in self._holders:
            folder = missing.adds[0].path.rpartition("/")[0]
            raise ArchiveDamaged(
                f"{folder}: found the folder or a file of it missing; expected the batch of "
                f"commit {missing.number}, which no later one replaces; run verify"
            )

    def _check(self, entry: FileEntry | None) -> None:
        """Compare a file with its record."""
        if entry is None:
            return
        with (self.root / entry.path).open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
            size = file.tell()
        if (size, digest) != (entry.size, entry.sha256):
            raise ArchiveDamaged(
                f"{entry.path}: found {size} bytes with the hash {digest}; expected {entry.size} "
                f"with {entry.sha256}, as committed"
            )


def _with_positions(table: Any) -> Any:
    """Table in the order of its commits, with the position of each row in its commit."""
    numbers = table.column(COMMIT_NUMBER).to_numpy()
    first = np.searchsorted(numbers, numbers, side="left")
    places = np.arange(len(numbers))
    table = table.append_column(ROW_IN_COMMIT, pa.array((places - first).astype(np.int32)))
    return table.append_column(PLACE, pa.array(places.astype(np.int32)))
