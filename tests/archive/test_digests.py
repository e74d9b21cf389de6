"""The digest of rows: the same wherever they lie, another where one bit differs."""

import hashlib
import random
import struct
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from speclake.archive.digests import NOTHING, digests_by_commit, rows_digest, total
from speclake.archive.rows import EncodedValues
from speclake.archive.schemas import COMMIT_FIELD, TABLES, to_table
from speclake.measurement import Link, LinkKind, Range
from tests import build
from tests.archive.full import full_batch

BATCH = full_batch("A1", "B2", "C3", "D4", "E5")


@pytest.mark.parametrize("table", TABLES)
def test_order_file_and_row_group_do_not_matter(table: str) -> None:
    rows = list(getattr(BATCH, table))
    whole = rows_digest(to_table(table, rows))
    shuffled = random.Random(1).sample(rows, len(rows))
    assert rows_digest(to_table(table, shuffled)) == whole
    made = to_table(table, rows)
    assert total([rows_digest(made.slice(0, 1)), rows_digest(made.slice(1))]) == whole
    chunked = pa.concat_tables([made.slice(0, 1), made.slice(1)])
    assert rows_digest(chunked) == whole
    assert whole != NOTHING


def test_a_row_twice_is_not_the_row_once() -> None:
    row = build.verdict()
    once, twice = (rows_digest(to_table("verdicts", [row] * n)) for n in (1, 2))
    assert once != twice
    assert rows_digest(to_table("verdicts", [])) == NOTHING == total([])


CHANGES: list[dict[str, Any]] = [
    {"comment": ""},  # empty is not unknown
    {"comment": "x"},
    {"notes": ("a", "b")},
    {"notes": ("ab",)},
    {"notes": ("", "")},
    {"header": {"a": "bc"}},
    {"header": {"ab": "c"}},
    {"lot": "A1", "sample": None},  # the same text in another column
    {"bounces": 0},
    {"bounces": 1},
    {"smoothed": False},
    {"x_mm": 0.0},
    {"x_mm": -0.0},
    {"x_mm": float("nan")},
    {"changeovers": (350.0,)},
    {"ranges": (Range(1.0, 2.0),)},
    {"ranges": (Range(1.0, 2.0, bandwidth_nm=2.0),)},
    {"ranges": (Range(1.0, 2.0, interval_nm=2.0),)},
    {"links": (Link(LinkKind.REPEAT_OF, "x", True, "header"),)},
    {"links": (Link(LinkKind.REPEAT_OF, "x", False, "header"),)},
    {"saved_at": build.NOON},
]


@pytest.mark.parametrize("change", CHANGES, ids=str)
def test_any_change_of_a_measurement_changes_the_digest(change: dict[str, Any]) -> None:
    rows = [build.measurement("A1"), build.measurement("B1")]
    changed = [rows[0], replace(rows[1], **change)]
    others = [
        rows_digest(to_table("measurements", [rows[0], replace(rows[1], **other)]))
        for other in CHANGES
        if str(other) != str(change)
    ]
    digest = rows_digest(to_table("measurements", changed))
    assert digest not in {rows_digest(to_table("measurements", rows)), *others}


def test_values_count_to_the_last_bit() -> None:
    spectrum = BATCH.spectra[0]
    digests = set()
    for values in (
        EncodedValues(0, np.array([1, 2], np.int32), None),
        EncodedValues(-1, np.array([1, 2], np.int32), None),
        EncodedValues(0, np.array([2, 1], np.int32), None),
        EncodedValues(None, None, np.array([0.0, 1.0])),
        EncodedValues(None, None, np.array([-0.0, 1.0])),
        EncodedValues(None, None, np.array([np.nextafter(0.0, 1.0), 1.0])),
    ):
        digests.add(rows_digest(to_table("spectra", [replace(spectrum, values=values)])))
    assert len(digests) == 6


def test_a_column_that_is_added_later_and_empty_changes_nothing() -> None:
    older = to_table("measurements", BATCH.measurements)
    newer = older.append_column(
        pa.field("mood", pa.string()), pa.nulls(older.num_rows, pa.string())
    )
    assert rows_digest(newer) == rows_digest(older)


def test_each_commit_of_a_sealed_table_has_its_own_digest() -> None:
    made = to_table("verdicts", BATCH.verdicts)
    sealed = made.append_column(COMMIT_FIELD, pa.array([3, 3, 7, 9, 9]))
    assert digests_by_commit(sealed) == {
        3: rows_digest(made.slice(0, 2)),
        7: rows_digest(made.slice(2, 1)),
        9: rows_digest(made.slice(3)),
    }
    assert total(digests_by_commit(sealed).values()) == rows_digest(sealed) == rows_digest(made)


def test_the_digest_is_what_its_description_says() -> None:
    """Records hold these numbers for good; here they are made by hand from what digests.py says."""
    row = replace(build.specification(), revision="")

    def value(name: str, content: bytes) -> bytes:
        return f"{name}=".encode() + struct.pack("<i", len(content)) + content

    microseconds = int(
        (row.first_used_at - datetime(1970, 1, 1, tzinfo=UTC)) / timedelta(microseconds=1)
    )
    by_hand = b"".join(
        (
            value("spec_version", row.spec_version.encode()),
            value("spec", b"window"),
            value("content", b"{}"),
            value("first_used_at", struct.pack("<q", microseconds)),
        )
    )
    digest = int(hashlib.sha256(by_hand).hexdigest(), 16)
    assert rows_digest(to_table("specifications", [row])) == f"{digest:064x}"
    assert rows_digest(to_table("specifications", [row, row])) == f"{2 * digest % 2**256:064x}"
