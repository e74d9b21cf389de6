"""Schemas of the tables, and rows to tables and back."""

import types
import typing
from collections.abc import Mapping
from dataclasses import fields, is_dataclass, replace
from datetime import UTC, datetime, timedelta, timezone
from enum import StrEnum
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from speclake.archive.batches import parquet_writer
from speclake.archive.encoding import encode
from speclake.archive.rows import EncodedValues
from speclake.archive.schemas import (
    ROWS,
    SCHEMAS,
    TABLES,
    conformed,
    from_table,
    sealed_schema,
    to_table,
)
from speclake.errors import ArchiveDamaged
from speclake.spectrum import Axis
from tests import build
from tests.archive.shown import shown

CHECKED_IN = Path(__file__).with_name("schemas.txt")


def described() -> str:
    """Every column of every table, one a line."""
    lines = []
    for table in TABLES:
        lines.append(table)
        lines += [
            f"    {field.name}: {field.type}{'' if field.nullable else ', never null'}"
            for field in SCHEMAS[table]
        ]
    return "\n".join(lines) + "\n"


def test_schemas_are_those_that_were_reviewed() -> None:
    """A changed column must be seen in review: put it into schemas.txt as well."""
    assert described() == CHECKED_IN.read_text("utf-8")


# --- every row comes back as it was -----------------------------------------------------------

_TIMES = st.integers(0, 7_000_000_000_000_000).map(
    lambda us: datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=us)
)
_TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
_SIMPLE: dict[Any, st.SearchStrategy[Any]] = {
    str: _TEXTS,
    int: st.integers(-(2**63), 2**63 - 1),
    float: st.floats(),
    bool: st.booleans(),
    datetime: _TIMES,
}
_VALUES = st.lists(st.floats(allow_infinity=False) | st.integers(-99, 99).map(float), min_size=1)


def values_of(hint: Any) -> st.SearchStrategy[Any]:
    """Strategy for a field, from its annotation."""
    origin, arguments = typing.get_origin(hint), typing.get_args(hint)
    if hint in _SIMPLE:
        return _SIMPLE[hint]
    if origin in (typing.Union, types.UnionType):
        return st.one_of([st.none() if a is type(None) else values_of(a) for a in arguments])
    if origin is typing.Literal:
        return st.sampled_from(arguments)
    if origin is Mapping:
        return st.dictionaries(_TEXTS, _TEXTS, max_size=4)
    if origin is tuple:
        return st.lists(values_of(arguments[0]), max_size=3).map(tuple)
    if hint is EncodedValues:
        return _VALUES.map(encode)
    if isinstance(hint, type) and issubclass(hint, StrEnum):
        return st.sampled_from(hint)
    return rows_of(hint)


def rows_of(row: type) -> st.SearchStrategy[Any]:
    """Strategy for a row or a record inside one."""
    if row is Axis:
        positions = st.lists(st.floats(-1e6, 1e6), min_size=1, unique=True).map(sorted)
        return st.builds(
            Axis, positions, st.sampled_from(["nm", "eV"]), st.sampled_from([None, "air"])
        )
    assert is_dataclass(row)
    hints = typing.get_type_hints(row)
    return st.builds(row, **{field.name: values_of(hints[field.name]) for field in fields(row)})


@pytest.mark.parametrize("table", TABLES)
@settings(max_examples=25, deadline=None)
@given(data=st.data())
def test_rows_come_back_from_parquet_as_they_were(table: str, data: st.DataObject) -> None:
    rows = data.draw(st.lists(rows_of(ROWS[table]), max_size=4))
    made = to_table(table, rows)
    made.validate(full=True)
    assert made.schema.equals(SCHEMAS[table])
    buffer = pa.BufferOutputStream()
    with parquet_writer(buffer, table, made.schema) as writer:
        writer.write_table(made, row_group_size=2)
    read = pq.read_table(pa.BufferReader(buffer.getvalue()))
    assert conformed(table, read) is read  # the types survive, without a cast
    for back in (from_table(table, made), from_table(table, read), from_table(table, read[1:])):
        assert list(map(shown, back)) == list(map(shown, rows))[len(rows) - len(back) :]


def test_times_come_back_in_utc_whatever_their_offset() -> None:
    east = datetime(2026, 3, 1, 1, 30, tzinfo=timezone(timedelta(hours=9)))
    back = from_table("measurements", to_table("measurements", [build.measurement(saved_at=east)]))
    assert back[0].saved_at == east
    assert back[0].saved_at.tzinfo is UTC


def test_a_time_without_its_offset_is_refused() -> None:
    naive = build.measurement(saved_at=datetime(2026, 3, 1, 1, 30))  # noqa: DTZ001  # the mistake
    with pytest.raises(ValueError, match=r"measurements, column saved_at: .*with its offset"):
        to_table("measurements", [naive])


def test_a_text_that_is_no_text_is_refused() -> None:
    """Names of files on a disk need not be UTF-8; intake must say what it makes of them."""
    with pytest.raises(ValueError, match="table files, column path"):
        to_table("files", [build.file_row(path="run\udcff.csv")])


def test_lists_of_numbers_are_not_copied() -> None:
    table = to_table("spectra", build.batch("A1").spectra)
    back = from_table("spectra", table)[0].values.integers
    assert back.tolist() == [90, 90, 90, 90, 90]
    assert not back.flags.owndata


# --- batches of other versions ----------------------------------------------------------------


def test_a_column_that_an_older_version_did_not_write_is_empty() -> None:
    row = build.measurement()
    older = to_table("measurements", [row]).drop_columns(["conflict", "links", "header"])
    assert from_table("measurements", older) == [replace(row, header={})]


@pytest.mark.parametrize("column", ["measurement_id", "arrived_at", "kind"])
def test_a_column_that_is_missing_and_cannot_be_empty_is_damage(column: str) -> None:
    table = to_table("measurements", [build.measurement()]).drop_columns([column])
    with pytest.raises(ArchiveDamaged, match=f"found no column {column}"):
        from_table("measurements", table)


def test_a_column_of_a_later_version_is_said_and_not_dropped() -> None:
    table = to_table("events", [build.event()]).append_column("mood", pa.array(["good"]))
    with pytest.raises(ArchiveDamaged, match="found the columns mood"):
        from_table("events", table)


def test_a_column_of_another_type_is_damage() -> None:
    table = to_table("verdicts", [build.verdict()])
    index = table.schema.get_field_index("value")
    table = table.set_column(index, "value", pa.array(["90"]))
    with pytest.raises(ArchiveDamaged, match="column value: found the type string"):
        from_table("verdicts", table)


def test_a_word_out_of_the_vocabulary_is_damage() -> None:
    table = to_table("verdicts", [build.verdict()])
    for column, word in (("outcome", "splendid"), ("bound", "about")):
        index = table.schema.get_field_index(column)
        field = table.schema.field(index)
        odd = table.set_column(index, field, pa.array([word]))
        with pytest.raises(ArchiveDamaged, match=word):
            from_table("verdicts", odd)


def test_a_sealed_table_has_the_commit_number_last() -> None:
    for table in TABLES:
        assert sealed_schema(table).names == [*SCHEMAS[table].names, "commit_number"]


def test_an_outsider_reads_values_with_numpy_alone() -> None:
    """Plain Parquet: integers, a power of ten, nothing of ours needed."""
    table = to_table("spectra", build.batch("A1", of=[build.spectrum([1.25, -3.5])]).spectra)
    integers, exponent = table["integers"][0].as_py(), table["exponent"][0].as_py()
    assert np.array(integers) / 10.0**-exponent == pytest.approx([1.25, -3.5], abs=0)
