"""A Parquet or Arrow IPC file opened for reading: its schema, and its rows batch by batch."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from speclake_plugins.arrowtables.footer import PARQUET_MARK, check_footer
from speclake_plugins.arrowtables.ipc import check_stream, start_of_stream

from speclake.errors import MalformedFile
from speclake.importing.interface import Source

if TYPE_CHECKING:
    import pyarrow as pa

ROWS_AT_A_TIME = 64
"""Rows of a Parquet file that are held at once, where a row is a spectrum."""


@dataclass(frozen=True)
class Opened:
    """A table: `batches` gives its rows from the first on, so many at a time."""

    name: str
    schema: "pa.Schema"
    batches: Callable[[int], Iterator["pa.RecordBatch"]]

    def refusal(self, place: str, found: str, expected: str) -> MalformedFile:
        """The error that refuses the file."""
        return MalformedFile(self.name, place, found, expected)


@contextmanager
def opened(source: Source) -> Iterator[Opened]:
    """File opened from its bytes.

    Raises
    ------
    speclake.errors.MalformedFile
        The library fails on the file, now or later, or it declares more than it can hold.
    MemoryError
        The file is more than the memory allowed holds.
    """
    import pyarrow as pa

    errors = (
        pa.ArrowException, OSError, ValueError, TypeError, LookupError, ArithmeticError,
        RuntimeError, AttributeError,
    )  # fmt: skip
    try:
        yield _parquet(source) if source.held[:4] == PARQUET_MARK else _ipc(source)
    except (MalformedFile, MemoryError):
        raise
    except errors as error:
        found = f"what the Arrow library cannot read ({type(error).__name__}: {_first(error)})"
        raise MalformedFile(source.name, "", found, "a whole, undamaged file") from error


def _first(error: BaseException) -> str:
    return str(error).split("\n", 1)[0][:200]


def _checked(name: str, schema: Any) -> Any:
    if len(set(schema.names)) < len(schema.names):
        twice = next(each for each in schema.names if schema.names.count(each) > 1)
        raise MalformedFile(name, "", f"two columns {twice!r}", "a name of its own for each column")
    return schema


def _texts(schema: Any) -> list[str]:
    import pyarrow as pa

    tests = (pa.types.is_string, pa.types.is_large_string, pa.types.is_binary)
    return [each.name for each in schema if any(test(each.type) for test in tests)]


def _parquet(source: Source) -> Opened:
    import pyarrow.parquet as pq

    check_footer(source)
    names = _texts(pq.read_schema(source.open()))
    # one long text may stand in every row: held once, it costs no more than the file declares
    file = pq.ParquetFile(
        source.open(), pre_buffer=False, page_checksum_verification=True, read_dictionary=names
    )

    def batches(rows: int) -> Iterator[Any]:
        for batch in file.iter_batches(batch_size=rows, use_threads=False):
            batch.validate(full=True)
            yield batch

    return Opened(source.name, _checked(source.name, file.schema_arrow), batches)


def _ipc(source: Source) -> Opened:
    import pyarrow as pa

    start = start_of_stream(source)
    check_stream(source, start)

    def reader() -> Any:
        stream = source.open()
        stream.seek(start)
        return pa.ipc.open_stream(stream, options=pa.ipc.IpcReadOptions(use_threads=False))

    def batches(rows: int) -> Iterator[Any]:
        for batch in reader():
            batch.validate(full=True)
            yield from (batch.slice(at, rows) for at in range(0, batch.num_rows, rows))

    return Opened(source.name, _checked(source.name, reader().schema), batches)
