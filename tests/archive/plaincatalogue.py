"""Catalogue of dictionaries, read straight from the batches.

It shows what the truth on disk holds without the help of the real catalogue, and is what that is
compared with.
"""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from speclake.archive.batches import read_table
from speclake.archive.chain import SEAL, Chain, Commit, FileEntry
from speclake.archive.locations import LocalDisk
from speclake.archive.originals import OriginalsReader
from speclake.archive.places import Place
from speclake.archive.schemas import COMMIT_NUMBER, ORIGINALS, from_table

_KEYS = {
    "measurements": ("spectra", "measurement_id"),
    "derived": ("derived", "derived_id"),
    "axes": ("axes", "axis_id"),
    "files": ("originals", "sha256"),
}


class PlainCatalogue:
    """What `speclake.archive.places.Catalogue` asks for."""

    def __init__(self, root: Path, chain: Chain, disk: LocalDisk | None = None) -> None:  # noqa: ARG002  # the signature of every opener
        self._root, self._chain = root, chain
        self.number = 0
        self._holder: dict[int, int] = {}
        self._places: dict[str, dict[str, tuple[int, int]]] = {}

    def refresh(self) -> None:
        """Read what is new."""
        while True:
            commits = list(self._chain.after(self.number))
            holder = dict(self._holder)
            for commit in commits:
                moved = set(commit.replaces)
                holder |= {c: commit.number for c, held in holder.items() if held in moved}
                if commit.kind != SEAL:
                    holder[commit.number] = commit.number
            try:
                new = [self._found(c, self._chain.read(holder[c.number])) for c in commits
                       if c.kind != SEAL]  # fmt: skip
            except FileNotFoundError:  # replaced and cleaned meanwhile: the chain says by what
                if not any(self._chain.after(commits[-1].number)):
                    raise
                continue
            for found in new:
                for table, places in found.items():
                    self._places[table] = places | self._places.get(table, {})
            self._holder = holder
            self.number = commits[-1].number if commits else self.number
            return

    def _found(self, commit: Commit, holder: Commit) -> dict[str, dict[str, tuple[int, int]]]:
        found = {}
        for table, (name, key) in _KEYS.items():
            rows = own_rows(self._root, commit, holder, table)
            ids = rows.column(key).to_pylist()
            keeps = [True] * len(ids)
            if table == "files":
                keeps = rows.column("holds_original").to_pylist()
            places: dict[str, tuple[int, int]] = {}
            for row, (each, keep) in enumerate(zip(ids, keeps, strict=True)):
                if keep:
                    places.setdefault(each, (commit.number, row))
            found[name] = places
        return found

    def places(self, table: str, ids: Sequence[str]) -> dict[str, Place]:
        """Place of each row that is known."""
        known = self._places.get(table, {})
        return {
            each: Place(*known[each], self._holder[known[each][0]]) for each in ids if each in known
        }

    def ids(self, table: str) -> set[str]:
        """Every identifier known in a table of `places`."""
        return set(self._places.get(table, {}))

    def rebuild(self) -> int | None:
        """Forget everything and read again."""
        self.number, self._holder, self._places = 0, {}, {}
        self.refresh()
        return self.number or None

    def close(self) -> None:
        """Nothing is open."""


def own_rows(root: Path, commit: Commit, holder: Commit, table: str) -> Any:
    """Rows that a commit added, from the batch that holds them now."""
    rows = read_table(root, holder, table)
    return rows.filter(pc.equal(rows.column(COMMIT_NUMBER), pa.scalar(commit.number)))


class Rows:
    """Every row of an archive that counts, as text, read straight from the batches.

    A file is never written twice, so its rows are read once; that it is still there and as long
    is looked at each time.
    """

    def __init__(self, root: Path, shown: Callable[[Any], str]) -> None:
        self._root, self._shown = root, shown
        self._known: dict[str, list[tuple[int, str]]] = {}

    def read(self, chain: Chain) -> dict[str, list[str]]:
        """Rows of each table in the order of commits; names of the originals."""
        read = {table: [text for _, text in rows] for table, rows in self.numbered(chain).items()}
        return read | {ORIGINALS: sorted(read.get(ORIGINALS, []))}

    def numbered(self, chain: Chain) -> dict[str, list[tuple[int, str]]]:
        """The same with the number of the commit that added each row, 0 for originals."""
        live: dict[int, Commit] = {}
        for commit in chain.after(0):
            for number in commit.replaces:
                del live[number]
            live[commit.number] = commit
        found: dict[str, list[tuple[int, str]]] = {}
        for commit in live.values():
            for entry in commit.adds:
                found.setdefault(entry.table, []).extend(self._rows(commit, entry))
        return {table: sorted(rows, key=lambda row: row[0]) for table, rows in found.items()}

    def _rows(self, commit: Commit, entry: FileEntry) -> list[tuple[int, str]]:
        assert (self._root / entry.path).stat().st_size == entry.size
        if entry.path not in self._known:
            if entry.table == ORIGINALS:
                with OriginalsReader(self._root / entry.path, entry.path) as originals:
                    names = originals.names()
                    for name in names:
                        originals.read(name)
                self._known[entry.path] = [(0, name) for name in names]  # in no order of meaning
            else:
                table = read_table(self._root, commit, entry.table)
                numbers = table.column(COMMIT_NUMBER).to_pylist()
                rows = [self._shown(row) for row in from_table(entry.table, table)]
                self._known[entry.path] = list(zip(numbers, rows, strict=True))
        return self._known[entry.path]
