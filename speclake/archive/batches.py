"""The files of a batch: Parquet tables and the zip of originals, written once and read back."""

import contextlib
import hashlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.parquet as pq

from speclake.archive.chain import Commit, FileEntry
from speclake.archive.digests import originals_digest, rows_digest, total
from speclake.archive.locations import LocalDisk, Sink
from speclake.archive.originals import OriginalsReader, OriginalsWriter, check_hash, packed
from speclake.archive.rows import Batch
from speclake.archive.schemas import (
    COMMIT_FIELD,
    COMMIT_NUMBER,
    ORIGINALS,
    TABLES,
    conformed,
    sealed_schema,
    to_table,
)
from speclake.errors import ArchiveDamaged, NotFound

FOLDER = "batches"

# Measured on 20,000 spectra of 2,401 points on the 0.001 grid, 2 cores, warm cache: one spectrum
# at random takes 2.9, 2.0, 1.7, 3.2, 5.7, 11.8 ms with 20, 50, 100, 250, 500, 1,000 spectra a
# group (the footer grows below, the group to be decoded above); reading all takes 0.31, 0.24,
# 0.21, 0.21 s with 50, 100, 250, 500; the size differs by 0.4 %.
SPECTRA_A_GROUP = 128
ROWS_A_GROUP = 16_384
_WITH_VALUES = ("spectra", "derived", "axes")


@dataclass(frozen=True)
class EncodedBatch:
    """A batch as it will lie on disk: its tables, without the empty ones, and its originals."""

    tables: Mapping[str, Any]
    originals: Mapping[str, bytes | Path]
    digests: Mapping[str, str]

    def is_same_as(self, other: "EncodedBatch") -> bool:
        """Whether the other would write the same rows in the same order."""
        return (
            self.digests == other.digests
            and self.tables.keys() == other.tables.keys()
            and all(self.tables[name].equals(other.tables[name]) for name in self.tables)
        )


def encoded(batch: Batch) -> EncodedBatch:
    """Tables, originals and digests of a batch.

    Raises
    ------
    ValueError
        The spectra are not those of the measurements, an original has another hash than its
        name, or a row cannot be written.
    """
    _check(batch)
    rows: dict[str, Sequence[Any]] = {name: getattr(batch, name) for name in TABLES}
    order = {spectrum.measurement_id: spectrum for spectrum in batch.spectra}
    rows["spectra"] = [order[m.measurement_id] for m in batch.measurements]
    tables = {name: to_table(name, rows[name]) for name in TABLES if rows[name]}
    digests = {name: rows_digest(table) for name, table in tables.items()}
    if batch.originals:
        digests[ORIGINALS] = originals_digest(batch.originals)
    return EncodedBatch(tables, batch.originals, digests)


def _check(batch: Batch) -> None:
    measured = [measurement.measurement_id for measurement in batch.measurements]
    stored = [spectrum.measurement_id for spectrum in batch.spectra]
    if sorted(measured) != sorted(stored) or len(set(measured)) != len(measured):
        odd = sorted(set(measured) ^ set(stored)) or ["one of them twice"]
        raise ValueError(
            f"found {len(measured)} measurements and {len(stored)} spectra, which differ in "
            f"{', '.join(odd[:3])}; expected one spectrum for each measurement"
        )
    for name, content in batch.originals.items():
        if isinstance(content, bytes):  # the others are checked as they are read
            check_hash(name, hashlib.sha256(content).hexdigest())


# --- writing ----------------------------------------------------------------------------------


class NewBatch:
    """The folder of a batch that is being written, held until its record stands or it is given up.

    While it is held, `clean` of any process leaves it alone; the hold ends with the process.
    """

    def __init__(self, root: Path, at: datetime, disk: LocalDisk) -> None:
        self._root, self._disk = root, disk
        month = root / FOLDER / f"{at.astimezone(UTC):%Y-%m}"
        disk.make_folders(month)
        self._held: int | None = None
        while self._held is None:
            name = f"{at.astimezone(UTC):%d-%H%M%S}-{self._disk.token()}"
            self.folder = self._make_held(month / name)
        disk.sync_folder(month)

    def _make_held(self, folder: Path) -> Path:
        """Make the folder and hold it, unless a cleaner takes it for a left-over before that."""
        self._disk.make_folder(folder)
        with contextlib.suppress(FileNotFoundError):
            self._held = self._disk.hold(folder)
        if self._held is not None and not folder.is_dir():
            self.release()
        return folder

    def path(self, table: str) -> Path:
        """File that holds the rows of a table."""
        return self.folder / file_name(table)

    def entry(self, table: str, rows: int, size: int, sha256: str) -> FileEntry:
        """Entry of a file in the commit's record."""
        path = self.path(table).relative_to(self._root).as_posix()
        return FileEntry(table, path, rows, size, sha256)

    def finish(self) -> None:
        """Make the names of the files durable."""
        self._disk.sync_folder(self.folder)

    def release(self) -> None:
        """Hold the folder no longer."""
        if self._held is not None:
            self._disk.release(self._held)
            self._held = None

    def give_up(self) -> None:
        """Remove the folder; no record names it."""
        try:
            self._disk.remove_tree(self.folder)
        finally:
            self.release()


def file_name(table: str) -> str:
    """Name of the file that holds a table in the folder of a batch."""
    return "originals.zip" if table == ORIGINALS else f"{table}.parquet"


def write(batch: EncodedBatch, new: NewBatch, disk: LocalDisk) -> tuple[FileEntry, ...]:
    """Entries of the files of a plain batch, which are on the medium with their names."""
    entries = []
    for name, table in batch.tables.items():
        buffer = pa.BufferOutputStream()
        with parquet_writer(buffer, name, table.schema) as writer:
            writer.write_table(table, row_group_size=rows_a_group(name))
        with disk.create(new.path(name)) as sink:
            sink.write(memoryview(buffer.getvalue()))
        entries.append(new.entry(name, table.num_rows, sink.size, sink.sha256))
    if batch.originals:
        with disk.create(new.path(ORIGINALS)) as sink:
            archive = OriginalsWriter(sink)
            _add_originals(archive, batch.originals)
            count = archive.finish()
        entries.append(new.entry(ORIGINALS, count, sink.size, sink.sha256))
    new.finish()
    return tuple(entries)


def _add_originals(archive: OriginalsWriter, originals: Mapping[str, bytes | Path]) -> None:
    for sha256, content in originals.items():
        if isinstance(content, bytes):
            archive.add(*packed(sha256, content))
        else:
            archive.pack(sha256, content)


Written = tuple[tuple[FileEntry, ...], dict[str, str]]
"""Entries of the files of a batch, and the digests of their rows."""


def write_parts(parts: Iterable[Batch], new: NewBatch, disk: LocalDisk) -> Written:
    """Entries and digests of a plain batch whose rows come in parts, on the medium with its names.

    Of each table no more rows are held than a row group and a part.

    Raises
    ------
    ValueError
        As for `encoded`.
    """
    digests: dict[str, str] = {}
    tables: dict[str, _GrowingTable] = {}
    with contextlib.ExitStack() as files:
        originals: tuple[Sink, OriginalsWriter] | None = None
        for part in parts:
            batch = encoded(part)
            for name, digest in batch.digests.items():
                digests[name] = total((digests[name], digest)) if name in digests else digest
            for name, table in batch.tables.items():
                if name not in tables:
                    sink = files.enter_context(disk.create(new.path(name)))
                    tables[name] = _GrowingTable(name, sink, table.schema, files)
                tables[name].add(table)
            if batch.originals:
                if originals is None:
                    sink = files.enter_context(disk.create(new.path(ORIGINALS)))
                    originals = sink, OriginalsWriter(sink)
                _add_originals(originals[1], batch.originals)
        counts = {name: tables[name].finish() for name in TABLES if name in tables}
        sinks = {name: tables[name].sink for name in counts}
        if originals is not None:
            sinks[ORIGINALS], counts[ORIGINALS] = originals[0], originals[1].finish()
    new.finish()
    entries = (new.entry(n, counts[n], sink.size, sink.sha256) for n, sink in sinks.items())
    return tuple(entries), digests


class _GrowingTable:
    """A table of a batch that is written a row group at a time."""

    def __init__(self, name: str, sink: Sink, schema: pa.Schema, files: contextlib.ExitStack):
        self.sink = sink
        self._size = rows_a_group(name)
        self._file = files.enter_context(parquet_writer(pa.PythonFile(sink, "w"), name, schema))
        self._waiting: list[Any] = []
        self._waiting_rows = self._rows = 0

    def add(self, table: Any) -> None:
        """Take rows, and write what fills row groups."""
        self._waiting.append(table)
        self._waiting_rows += table.num_rows
        if whole := self._waiting_rows // self._size * self._size:
            self._write(whole)

    def _write(self, rows: int) -> None:
        joined = pa.concat_tables(self._waiting)
        self._file.write_table(joined.slice(0, rows), row_group_size=self._size)
        self._rows += rows
        self._waiting_rows -= rows
        self._waiting = [joined.slice(rows)] if self._waiting_rows else []

    def finish(self) -> int:
        """Number of rows, once all of them and the footer are written."""
        if self._waiting_rows:
            self._write(self._waiting_rows)
        self._file.close()
        return self._rows


def rows_a_group(table: str) -> int:
    """Rows in one row group of a table."""
    return SPECTRA_A_GROUP if table in _WITH_VALUES else ROWS_A_GROUP


def parquet_writer(sink: Any, table: str, schema: pa.Schema) -> Any:
    """Writer of one table: integers as differences, floats byte by byte, the rest by dictionary."""
    dictionary: Any = True
    encodings: dict[str, str] | None = None
    if table in _WITH_VALUES:
        names = {"integers": "DELTA_BINARY_PACKED", "floats": "BYTE_STREAM_SPLIT"}
        names = {"values": "BYTE_STREAM_SPLIT"} if table == "axes" else names
        encodings = {f"{name}.list.element": how for name, how in names.items()}
        dictionary = [field.name for field in schema if pa.types.is_string(field.type)]
    return pq.ParquetWriter(
        sink,
        schema,
        compression="zstd",
        compression_level=1,
        use_dictionary=dictionary,
        column_encoding=encodings,
        write_statistics=table not in _WITH_VALUES,
    )


# --- reading ----------------------------------------------------------------------------------


def read_table(root: Path, commit: Commit, table: str, columns: Sequence[str] | None = None) -> Any:
    """Rows of one table in the batch of a commit, each with the number of the commit that added it.

    Parameters
    ----------
    columns : names to read; all where None. `COMMIT_NUMBER` always comes along, as the last.

    Returns
    -------
    pyarrow.Table, with `sealed_schema` (or the named columns of it), plain batch or sealed; rows
    stand in the order of `COMMIT_NUMBER`, then of the first writing. Empty where the batch has
    no such table.

    Raises
    ------
    FileNotFoundError
        The batch was replaced and cleaned away; its rows are in that of the commit replacing it.
    speclake.errors.ArchiveDamaged
        The file is not the Parquet file that was committed.
    """
    entry = commit.entry(table)
    if entry is None:
        return conformed(table, sealed_schema(table).empty_table(), columns=columns)
    with open_table(root, entry) as file:
        return _finished(file.read(_present(file, columns)), commit, entry, columns)


def read_rows(
    root: Path,
    commit: Commit,
    table: str,
    positions: npt.NDArray[np.int64],
    columns: Sequence[str] | None = None,
) -> Any:
    """Rows at the given positions of a table in the batch of a commit, in that order.

    Only the row groups that hold one of them are read.

    Raises
    ------
    FileNotFoundError, speclake.errors.ArchiveDamaged
        As for `read_table`; also where a position lies outside the table.
    """
    entry = commit.entry(table)
    n = entry.rows if entry else 0
    if entry is None or (positions.size and not 0 <= positions.min() <= positions.max() < n):
        raise ArchiveDamaged(
            f"commit {commit.number}: found {n} rows of {table}; expected one at each of the "
            f"positions {positions.min()} to {positions.max()}"
        )
    with open_table(root, entry) as file:
        sizes = np.array([file.metadata.row_group(g).num_rows for g in range(file.num_row_groups)])
        first_rows = np.cumsum(sizes) - sizes
        groups = np.searchsorted(first_rows, positions, side="right") - 1
        needed = np.unique(groups)
        rows = file.read_row_groups(needed.tolist(), _present(file, columns))
    first_read = np.cumsum(sizes[needed]) - sizes[needed]
    local = positions - first_rows[groups] + first_read[np.searchsorted(needed, groups)]
    return _finished(rows.take(pa.array(local)), commit, entry, columns)


def read_original(root: Path, commit: Commit, sha256: str) -> bytes:
    """Bytes of a file whose original lies in the batch of a commit, checked against their hash.

    Raises
    ------
    speclake.errors.NotFound
        The batch does not hold it.
    FileNotFoundError, speclake.errors.ArchiveDamaged
        As for `read_table`.
    """
    path = originals_file(root, commit, sha256)
    with OriginalsReader(path, path.relative_to(root).as_posix()) as originals:
        return originals.read(sha256)


def originals_file(root: Path, commit: Commit, sha256: str) -> Path:
    """Zip archive of the batch of a commit.

    Raises
    ------
    speclake.errors.NotFound
        The batch has none.
    FileNotFoundError
        As for `read_table`.
    """
    entry = commit.entry(ORIGINALS)
    if entry is None:
        raise NotFound(f"commit {commit.number}: found no originals; expected {sha256}")
    path = root / entry.path
    path.stat()
    return path


@contextlib.contextmanager
def open_table(root: Path, entry: FileEntry) -> Iterator[Any]:
    """Open pyarrow.parquet.ParquetFile of an entry, whose errors are those of `read_table`."""
    try:
        with pq.ParquetFile(root / entry.path) as file:
            found = file.metadata.num_rows
            if found != entry.rows:
                raise ArchiveDamaged(f"{entry.path}: found {found} rows; expected {entry.rows}")
            yield file
    except pa.ArrowException as error:
        raise ArchiveDamaged(f"{entry.path}: {error}; expected the table as committed") from error
    except FileNotFoundError as error:  # whose name pyarrow leaves out
        raise FileNotFoundError(error.errno, "no such file", entry.path) from error
    except OSError as error:
        if error.errno is not None:  # the disk's error; pyarrow's own of a bad file have no number
            raise
        raise ArchiveDamaged(f"{entry.path}: {error}; expected the table as committed") from error


def _present(file: Any, columns: Sequence[str] | None) -> list[str] | None:
    if columns is None:
        return None
    return [name for name in file.schema_arrow.names if name in {*columns, COMMIT_NUMBER}]


def _finished(rows: Any, commit: Commit, entry: FileEntry, columns: Sequence[str] | None) -> Any:
    """Rows with today's columns and the commit number of each."""
    if COMMIT_NUMBER not in rows.column_names:
        numbers = pa.array(np.full(rows.num_rows, commit.number, np.int64))
        rows = rows.append_column(COMMIT_FIELD, numbers)
    return conformed(entry.table, rows, entry.path, columns)
