"""Sealing: the small batches of a past day or month rewritten into one, and the proof of it.

The new batch is written, read back from the disk and held against the digests in the records of
the commits that first added its rows; only then a record replaces the old batches. It goes through
the same race for the next number as any commit, so writers, readers and other sealers may go on.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from speclake.archive.batches import (
    NewBatch,
    open_table,
    parquet_writer,
    read_rows,
    read_table,
    rows_a_group,
)
from speclake.archive.chain import SEAL, Chain, Commit, FileEntry, Taken
from speclake.archive.digests import digests_by_commit, originals_digest, rows_digest, total
from speclake.archive.locations import LocalDisk
from speclake.archive.originals import OriginalsReader, OriginalsWriter
from speclake.archive.schemas import COMMIT_NUMBER, ORIGINALS, TABLES, sealed_schema
from speclake.errors import ArchiveDamaged

_ROWS_AT_ONCE = 1024


@dataclass(frozen=True)
class Live:
    """Batches that no later one replaces, as of a commit.

    Parameters
    ----------
    head : the commit, None before the first.
    days : the day (UTC) on which the oldest of its rows was taken in, for the number of each.
    """

    head: Commit | None
    days: Mapping[int, date]


def live_batches(chain: Chain) -> Live:
    """Batches that count now.

    Raises
    ------
    speclake.errors.ArchiveDamaged
        A record is damaged, or replaces what was replaced already.
    """
    head: Commit | None = None
    days: dict[int, date] = {}
    for commit in chain.after(0):
        gone = [number for number in commit.replaces if number not in days]
        if gone:
            raise ArchiveDamaged(
                f"commit {commit.number}: found that it replaces {gone[0]}, which does not "
                "count any more; expected batches that do"
            )
        replaced = [days.pop(number) for number in commit.replaces]
        days[commit.number] = min(replaced, default=commit.at.date())
        head = commit
    return Live(head, days)


def groups(days: Mapping[int, date], before: date) -> list[tuple[int, ...]]:
    """Numbers of the batches to seal together: past months, and past days of this month.

    "This" is the month of `before`. Where a day or month is one batch, there is nothing to do.
    """
    found: dict[tuple[int, ...], list[int]] = {}
    for number, day in days.items():
        if day >= before:
            continue
        is_past_month = (day.year, day.month) < (before.year, before.month)
        key = (day.year, day.month) if is_past_month else (day.year, day.month, day.day)
        found.setdefault(key, []).append(number)
    return [tuple(sorted(numbers)) for _, numbers in sorted(found.items()) if len(numbers) > 1]


@dataclass(frozen=True)
class Sealer:
    """One that seals the batches of an archive."""

    root: Path
    chain: Chain
    disk: LocalDisk
    clock: Callable[[], datetime]

    def seal(self, before: date, *, who: str, why: str) -> list[Commit]:
        """Commits that replace the batches of the days before a day, one for each month or day.

        A group that another sealer was faster with is left to it.

        Raises
        ------
        speclake.errors.ArchiveDamaged
            Rows were not read back as they were committed; nothing was replaced.
        """
        live = live_batches(self.chain)
        sealed = []
        for numbers in groups(live.days, before):
            day = min(live.days[number] for number in numbers)
            commit = self._seal_group(live, numbers, day, who, why)
            if commit is not None:
                sealed.append(commit)
        return sealed

    def _seal_group(
        self, live: Live, numbers: tuple[int, ...], day: date, who: str, why: str
    ) -> Commit | None:
        holders = [self.chain.read(number) for number in numbers]
        new = NewBatch(self.root, datetime(day.year, day.month, day.day, tzinfo=UTC), self.disk)
        try:
            entries = self._write(holders, new)
            digests = self._proven(holders, entries)
        except FileNotFoundError as error:
            new.give_up()
            self._check_overtaken(live, numbers, error)
            return None
        except BaseException:
            new.give_up()
            raise
        try:
            append = partial(
                self.chain.append,
                at=self.clock(), who=who, why=why, kind=SEAL,
                adds=entries, replaces=numbers, digests=digests,
            )  # fmt: skip
            commit = self._appended(append, live.head, frozenset(numbers))
        finally:
            new.release()
        if commit is None:
            new.give_up()
        return commit

    def _appended(
        self, append: Callable[..., Commit], head: Commit | None, numbers: frozenset[int]
    ) -> Commit | None:
        """The record in its place, None where another sealer replaced one of the batches."""
        while True:
            for commit in self.chain.after(head.number if head else 0):
                if not numbers.isdisjoint(commit.replaces):
                    return None
                head = commit
            try:
                return append(head)
            except Taken:
                continue

    def _check_overtaken(
        self, live: Live, numbers: tuple[int, ...], error: FileNotFoundError
    ) -> None:
        """Nothing, where another sealer replaced a batch whose file is gone; else it is lost."""
        for commit in self.chain.after(live.head.number if live.head else 0):
            if not set(numbers).isdisjoint(commit.replaces):
                return
        raise ArchiveDamaged(f"{error.filename}: found no file; expected it as committed")

    # --- writing ------------------------------------------------------------------------------

    def _write(self, holders: Sequence[Commit], new: NewBatch) -> tuple[FileEntry, ...]:
        entries = [
            self._write_table(table, holders, new)
            for table in TABLES
            if any(holder.entry(table) for holder in holders)
        ]
        if any(holder.entry(ORIGINALS) for holder in holders):
            entries.append(self._write_originals(holders, new))
        new.finish()
        return tuple(entries)

    def _write_table(self, table: str, holders: Sequence[Commit], new: NewBatch) -> FileEntry:
        rows = 0
        with self.disk.create(new.path(table)) as sink:
            sink_file = pa.PythonFile(sink, mode="w")
            with parquet_writer(sink_file, table, sealed_schema(table)) as writer:
                for group in _regrouped(self._blocks(table, holders), rows_a_group(table)):
                    writer.write_table(group)
                    rows += group.num_rows
        return new.entry(table, rows, sink.size, sink.sha256)

    def _blocks(self, table: str, holders: Sequence[Commit]) -> Iterator[Any]:
        """Rows of a table in the order of their commits, some at a time."""
        at_once = min(_ROWS_AT_ONCE, rows_a_group(table))
        for holder, first, rows in _stretches(self.root, table, holders):
            for start in range(first, first + rows, at_once):
                stop = min(start + at_once, first + rows)
                yield read_rows(self.root, holder, table, np.arange(start, stop))

    def _write_originals(self, holders: Sequence[Commit], new: NewBatch) -> FileEntry:
        with self.disk.create(new.path(ORIGINALS)) as sink:
            archive = OriginalsWriter(sink)
            for holder in holders:
                if entry := holder.entry(ORIGINALS):
                    with OriginalsReader(self.root / entry.path, entry.path) as originals:
                        for member, data in originals.members():
                            archive.copy(member, data)
            count = archive.finish()
        return new.entry(ORIGINALS, count, sink.size, sink.sha256)

    # --- proving ------------------------------------------------------------------------------

    def _proven(self, holders: Sequence[Commit], entries: Sequence[FileEntry]) -> dict[str, str]:
        """Digest of each table of the new batch, once it is shown to hold the rows of the old."""
        expected = expected_digests(self.chain, holders)
        for entry in entries:
            check_rows(self.root, entry, 0, expected[entry.table])
        return {table: total(digests.values()) for table, digests in expected.items()}


def expected_digests(chain: Chain, holders: Sequence[Commit]) -> dict[str, dict[int, str]]:
    """Digest that each first commit gave to its rows, by table and number.

    Parameters
    ----------
    holders : commits whose batches hold the rows; seals are followed to the first commits.
    """
    digests: dict[str, dict[int, str]] = {}
    for record in _first_commits(chain, holders):
        for table, digest in record.digests.items():
            digests.setdefault(table, {})[record.number] = digest
    return digests


def _first_commits(chain: Chain, holders: Iterable[Commit]) -> Iterator[Commit]:
    for holder in holders:
        if holder.kind == SEAL:
            yield from _first_commits(chain, map(chain.read, holder.replaces))
        else:
            yield holder


def check_rows(
    root: Path,
    entry: FileEntry,
    number: int,
    expected: Mapping[int, str],
    see: Callable[[str, Any], None] | None = None,
) -> None:
    """Read a file of a batch and hold it against the digests of the commits that first added it.

    Parameters
    ----------
    number : number of the commit that the batch is of, whose rows it holds if it is plain.
    expected : digest of the rows of each first commit, by its number.
    see : is shown the name of the table and its rows, some at a time; for originals, their names.

    Raises
    ------
    speclake.errors.ArchiveDamaged
        A row was lost, doubled, altered or given to another commit.
    """
    found: dict[int, str] = {}
    wanted = dict(expected)
    if entry.table == ORIGINALS:
        with OriginalsReader(root / entry.path, entry.path) as originals:
            names = originals.names()
            for name in names:
                for _ in originals.parts(name):
                    pass  # each is checked as it is read
        # a zip does not say which commit added a member, but all together must be there
        found, wanted = {number: originals_digest(names)}, {number: total(expected.values())}
        if see is not None:
            see(ORIGINALS, names)
    else:
        with open_table(root, entry) as file:
            for group in range(file.num_row_groups):
                rows = file.read_row_group(group)
                for first, digest in _digests(rows, number).items():
                    found[first] = total((found[first], digest)) if first in found else digest
                if see is not None:
                    see(entry.table, rows)
    if found != wanted:
        differing = sorted(n for n in found.keys() | wanted if found.get(n) != wanted.get(n))
        shown = ", ".join(map(str, differing[:5]))
        raise ArchiveDamaged(
            f"{entry.path}: found other rows than those of the commits {shown}; expected rows of "
            "the digests in their records"
        )


def _digests(rows: Any, number: int) -> dict[int, str]:
    if COMMIT_NUMBER in rows.column_names:
        return digests_by_commit(rows)
    return {number: rows_digest(rows)}


def _stretches(root: Path, table: str, holders: Sequence[Commit]) -> list[tuple[Commit, int, int]]:
    """Holder, first row and number of rows of each stretch to copy, in the order of commits."""
    pieces: list[tuple[int, Commit, int, int]] = []
    for holder in holders:
        entry = holder.entry(table)
        if entry is None:
            continue
        if holder.kind != SEAL:
            pieces.append((holder.number, holder, 0, entry.rows))
            continue
        numbers = read_table(root, holder, table, ()).column(COMMIT_NUMBER).to_numpy()
        found, firsts, counts = np.unique(numbers, return_index=True, return_counts=True)
        for number, first, count in zip(
            *(a.tolist() for a in (found, firsts, counts)), strict=True
        ):
            pieces.append((number, holder, first, count))
    stretches: list[tuple[Commit, int, int]] = []
    for _, holder, first, count in sorted(pieces, key=lambda piece: piece[0]):
        if stretches and stretches[-1][0] is holder and sum(stretches[-1][1:]) == first:
            stretches[-1] = (holder, stretches[-1][1], stretches[-1][2] + count)
        else:
            stretches.append((holder, first, count))
    return stretches


def _regrouped(blocks: Iterator[Any], size: int) -> Iterator[Any]:
    """The same rows in tables of `size` rows, the last one shorter."""
    waiting: list[Any] = []
    count = 0
    for block in blocks:
        waiting.append(block)
        count += block.num_rows
        while count >= size:
            joined = pa.concat_tables(waiting)
            yield joined.slice(0, size)
            waiting, count = [joined.slice(size)], count - size
    if count:
        yield pa.concat_tables(waiting)
