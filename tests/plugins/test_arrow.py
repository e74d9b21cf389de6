"""Parquet and Arrow files are read bit for bit as their format says, or refused."""

import tracemalloc
from datetime import date
from decimal import Decimal

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from speclake_plugins.arrowtables import ArrowImporter

from speclake.errors import MalformedFile
from speclake.importing import Confidence
from tests.plugins.arrow_files import (
    POINTS,
    POSITIONS,
    SPECTRA,
    arrow_file,
    arrow_stream,
    parquet,
    points,
    positions,
    source,
    spectra,
)

LISTS = """
importer = "arrow"
[settings]
rows = "spectra"
[settings.axis]
first = 400.1
step = 0.1
unit = "nm"
[settings.values]
columns = ["v"]
unit = "T"
"""
FORMS = [
    parquet,
    arrow_file,
    arrow_stream,
    lambda table: arrow_stream(table, "zstd"),
    lambda table: arrow_file(table, "lz4"),
]


def read(content: bytes, toml: str):
    return list(ArrowImporter().read(source(content, toml)))


def refused(content: bytes, toml: str) -> str:
    with pytest.raises(MalformedFile) as caught:
        read(content, toml)
    assert caught.value.file == "run.parquet"
    return str(caught.value)


@pytest.mark.parametrize("written", FORMS)
def test_a_row_is_a_spectrum(written):
    one, two = read(written(spectra()), SPECTRA)
    assert one.scan_direction == "descending"
    np.testing.assert_array_equal(one.values, [90.0, np.nan, 92.1])
    np.testing.assert_array_equal(two.axis.values, [401.0, 402.0])
    assert one.fields == {
        "sample": "W-1", "lot": "L7", "instrument": "bench 1",
        "scanned": "2026-05-04T08:12:32+00:00",
    }  # fmt: skip
    assert one.header == {"sample": "W-1", "time": "2026-05-04T08:12:32+00:00", "@lot": "L7"}
    assert (one.place, two.place, one.axis.medium) == ("row 1", "row 2", "air")


@pytest.mark.parametrize("written", FORMS)
def test_a_row_is_a_point(written):
    one, two = read(written(points()), POINTS)
    single = np.array([0.1, 0.3], "f4").astype("f8")
    np.testing.assert_array_equal(one.values, [*single, np.nan])
    assert list(one.axis.values) == [1000.0, 1002.0, 1004.0]
    assert (one.fields, two.fields["serial"]) == ({"serial": "P7", "site": "1"}, "P8")
    assert two.unit == "R"
    assert one.header["mode"] == "reflectance"
    assert "detector" not in one.header
    assert "column 'detector' differs from point to point and is not kept" in one.notes
    assert "column 'r' in single precision, widened exactly" in one.notes


@pytest.mark.parametrize("written", FORMS)
def test_a_row_is_a_position(written):
    one, two = read(written(positions()), POSITIONS)
    np.testing.assert_array_equal(one.values, [4.01, np.nan, 4.03])
    assert one.fields == {"serial": "P7", "site": "1"}
    assert two.header == {"column title": "P7-2 (%R)"}
    assert two.place == "column 'P7-2 (%R)'"


@given(
    st.lists(
        st.lists(st.floats(allow_infinity=False), min_size=1, max_size=9), min_size=1, max_size=5
    ),
    st.sampled_from(FORMS),
)
@settings(max_examples=60, deadline=None)
def test_any_numbers_come_back_bit_for_bit(rows, written):
    found = read(written(pa.table({"v": pa.array(rows, pa.list_(pa.float64()))})), LISTS)
    assert [each.values.tobytes() for each in found] == [np.array(r).tobytes() for r in rows]


def test_an_axis_of_first_and_step_is_reckoned_in_decimals():
    (spectrum,) = read(parquet(pa.table({"v": [[1.0] * 4]})), LISTS)
    assert list(spectrum.axis.values) == [400.1, 400.2, 400.3, 400.4]


def test_an_axis_may_stand_in_the_metadata_or_in_the_format():
    table = pa.table({"v": [[1.0, 2.0]]}).replace_schema_metadata({"axis": "[400.5, 401]"})
    start = "first = 400.1\nstep = 0.1"
    (spectrum,) = read(parquet(table), LISTS.replace(start, 'metadata = "axis"'))
    assert list(spectrum.axis.values) == [400.5, 401.0]
    (spectrum,) = read(parquet(table), LISTS.replace(start, "values = [1.5, 1.25]"))
    assert spectrum.scan_direction == "descending"
    assert "no such metadata" in refused(parquet(table), LISTS.replace(start, 'metadata = "x"'))


@pytest.mark.parametrize(
    ("kind", "note"),
    [
        (pa.float16(), "column 'v' in half precision, widened exactly"),
        (pa.float32(), "column 'v' in single precision, widened exactly"),
        (pa.decimal128(9, 4), "column 'v': decimals, each as the nearest float64"),
        (pa.int64(), None),
        (pa.uint8(), None),
    ],
)
@pytest.mark.parametrize("shape", ["list", "large list", "fixed-size list"])
def test_types_of_numbers(kind, note, shape):
    numbers = {"decimal128(9, 4)": [Decimal("0.1"), None, Decimal("2.5")]}.get(
        str(kind), np.array([1, 0, 3], kind.to_pandas_dtype()).tolist()
    )
    if not pa.types.is_decimal(kind):
        numbers[1] = None
    list_of = {
        "list": pa.list_(kind),
        "large list": pa.large_list(kind),
        "fixed-size list": pa.list_(kind, 3),
    }[shape]
    (spectrum,) = read(arrow_stream(pa.table({"v": pa.array([numbers], list_of)})), LISTS)
    expected = [np.nan if number is None else float(number) for number in numbers]
    np.testing.assert_array_equal(spectrum.values, expected)
    assert spectrum.notes == ((note,) if note else ())


@pytest.mark.parametrize(
    ("cell", "kind", "found"),
    [
        ([float("inf")], pa.float64(), "an infinite value"),
        ([2**53 + 1], pa.int64(), "the integer 9007199254740993"),
        (["1.5"], pa.string(), "cells of the type string"),
        ([True], pa.bool_(), "cells of the type bool"),
    ],
)
def test_what_is_no_finite_number_is_refused(cell, kind, found):
    table = pa.table({"v": pa.array([cell], pa.list_(kind))})
    assert found in refused(parquet(table), LISTS)


def test_a_missing_list_a_missing_position_and_a_length_that_differs_are_refused():
    table = pa.table({"v": pa.array([[1.0], None], pa.list_(pa.float64()))})
    assert "a cell without a list" in refused(parquet(table), LISTS)
    changed = spectra().set_column(2, "wavelength", pa.array([[1.0, None, 3.0], [1.0, 2.0]]))
    assert "a position that is missing" in refused(parquet(changed), SPECTRA)
    changed = spectra().set_column(2, "wavelength", pa.array([[1.0, 2.0], [1.0, 2.0]]))
    assert "3 values for 2 positions" in refused(parquet(changed), SPECTRA)


def test_a_position_that_comes_twice_in_a_group_is_refused():
    table = points().set_column(4, "cm", pa.array([1000, 1000, 1002, 1000, 1004], pa.int32()))
    message = refused(parquet(table), POINTS)
    assert "spectrum 2" in message
    assert "strictly ascending" in message


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (('"transmittance"', '"t"'), "no column 't'"),
        (('unit = "%T"', ""), "format 'lab', key settings.values"),
        (('rows = "spectra"', 'rows = "points"'), "cells of the type list"),
        (('rows = "spectra"', 'rows = "scans"'), "settings.rows"),
    ],
)
def test_a_format_that_does_not_fit_says_what_to_change(change, message):
    assert message in refused(parquet(spectra()), SPECTRA.replace(*change))


def test_header_texts_keep_the_digits_of_their_type():
    table = pa.table(
        {
            "angle": pa.array([8.1], pa.float32()),
            "half": pa.array([0.1], pa.float16()),
            "amount": pa.array([Decimal("1.50")]),
            "good": [True],
            "day": pa.array([date(2026, 5, 4)]),
            "at": pa.array([1777882352250000001], pa.timestamp("ns")),
            "old": pa.array([-1500], pa.timestamp("ms", "UTC")),
            "none": pa.nulls(1),
            "raw": pa.array([b"\xff"]),
            "v": [[1.0]],
        }
    )
    (spectrum,) = read(arrow_file(table), LISTS)
    assert spectrum.header == {
        "angle": "8.1", "half": "0.1", "amount": "1.50", "good": "true", "day": "2026-05-04",
        "at": "2026-05-04T08:12:32.250000001", "old": "1969-12-31T23:59:58.5+00:00",
    }  # fmt: skip
    assert spectrum.notes == ("column 'raw' is of the type binary and is not read",)


@pytest.mark.parametrize("written", FORMS)
def test_a_file_cut_short_anywhere_is_refused(written):
    content = written(spectra())
    for length in range(0, len(content), 7):
        assert refused(content[:length], SPECTRA)


def test_more_than_the_file_can_hold_is_refused_before_it_is_unpacked():
    table = pa.table({"v": pa.array([np.zeros(9_000_000)])})
    assert "values declared in a file of" in refused(arrow_stream(table, "zstd"), LISTS)
    packed = parquet(table, compression="zstd", use_dictionary=False)
    assert "values declared in a file of" in refused(packed, LISTS)


@pytest.mark.parametrize("compression", ["zstd", "lz4"])
def test_a_packed_buffer_that_claims_more_than_any_memory_is_refused(compression):
    small = bytearray(arrow_stream(pa.table({"v": [[1.0] * 500]}), compression))
    at = small.index((4000).to_bytes(8, "little"))
    small[at : at + 8] = (2**60).to_bytes(8, "little")
    assert "values declared in a file of" in refused(bytes(small), LISTS)


def test_offsets_that_point_elsewhere_are_refused():
    content = bytearray(arrow_stream(pa.table({"v": [[1.0, 2.0], [3.0]]})))
    at = content.index(np.array([0, 2, 3], "<i4").tobytes())
    content[at + 4 : at + 8] = (10**6).to_bytes(4, "little")
    assert "cannot read" in refused(bytes(content), LISTS)


def test_many_spectra_are_read_batch_by_batch():
    values = np.random.default_rng(1).normal(size=(4_000, 1_000))
    content = parquet(pa.table({"v": list(values)}), row_group_size=500)
    reading = ArrowImporter().read(source(content, LISTS))
    next(reading)
    tracemalloc.start()
    start = pa.total_allocated_bytes()
    peak, count = 0, 1
    for _ in reading:
        count += 1
        peak = max(peak, pa.total_allocated_bytes() - start)
    python_peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert count == 4_000
    assert peak + python_peak < len(content) / 2


def test_each_kind_of_file_is_known_by_its_mark():
    importer = ArrowImporter()
    for written in FORMS:
        guess = importer.sniff(source(written(spectra()), SPECTRA))
        assert (guess.confidence, guess.format) == (Confidence.CERTAIN, "lab")
    assert importer.sniff(source(b"PK\x03\x04")).confidence is Confidence.NO


def test_a_table_that_nobody_describes_is_refused_with_its_columns():
    assert "'wavelength', 'transmittance'" in refused(parquet(spectra()), "")


def test_a_text_that_every_row_repeats_is_held_once():
    table = pa.table(
        {"v": [[1.0, 2.0]] * 64, "long": ["A" * 1_000_000] * 64, "short": ["A" * 65_536] * 64}
    )
    content = parquet(table, compression="zstd")
    before = pa.total_allocated_bytes()
    found = ArrowImporter().read(source(content, LISTS))
    one = next(found)
    assert pa.total_allocated_bytes() - before < 8e6
    assert "long" not in one.header
    assert len(one.header["short"]) == 65_536
    assert "column 'long' holds a text of over 64 KiB and is not read" in one.notes
