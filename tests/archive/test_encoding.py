"""Values as integers and a power of ten: not one bit may change."""

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from speclake.archive.encoding import decode, decode_rows, encode
from speclake.archive.rows import StoredSpectrum
from speclake.archive.schemas import to_table


def same_bits(one: npt.ArrayLike, other: npt.ArrayLike) -> bool:
    a, b = np.asarray(one, np.float64), np.asarray(other, np.float64)
    return a.shape == b.shape and bool((a.view(np.int64) == b.view(np.int64)).all())


@given(st.lists(st.floats(allow_infinity=False), min_size=1))
def test_any_values_come_back_bit_for_bit(values: list[float]) -> None:
    assert same_bits(decode(encode(values)), values)


@given(
    st.integers(0, 9),
    st.lists(st.integers(-(2**31) + 1, 2**31 - 1), min_size=1, max_size=60),
)
def test_decimals_of_an_export_are_kept_as_integers(places: int, digits: list[int]) -> None:
    """Numbers as a text export prints them, read as Python reads decimals."""
    values = [float(f"{number}e-{places}") for number in digits]
    encoded = encode(values)
    assert encoded.floats is None
    assert encoded.exponent is not None
    assert -places <= encoded.exponent <= 0
    assert same_bits(decode(encoded), values)


@pytest.mark.parametrize(
    ("values", "exponent"),
    [
        ([90.0, 91.0], 0),
        ([90.0, 91.5], -1),
        ([0.001, 12.5], -3),
        ([1e-9], -9),
        ([0.1 + 0.2], None),  # 0.30000000000000004: no decimal of nine places
        ([1e-10], None),
        ([2.0**31], None),
        ([2147483647.0], 0),
        ([21474836.48], None),  # its integer needs 32 bits
        ([1.0, float("nan")], None),
        ([0.0, -0.0], None),
        ([-0.0], None),
        ([0.0], 0),
    ],
)
def test_the_largest_power_of_ten_that_loses_nothing(
    values: list[float], exponent: int | None
) -> None:
    encoded = encode(values)
    assert encoded.exponent == exponent
    assert (encoded.floats is None) == (exponent is not None)
    assert same_bits(decode(encoded), values)


def test_one_value_that_needs_more_places_is_not_missed() -> None:
    """A few values are looked at first; the one that differs is not among them."""
    for odd in (1.23456, float("nan"), -0.0, 1 / 3):
        values = np.full(2401, 90.5)
        values[1234] = odd
        assert same_bits(decode(encode(values)), values)


@given(st.data(), st.integers(1, 7), st.integers(1, 9))
def test_rows_on_one_axis_are_decoded_together(data: st.DataObject, n: int, points: int) -> None:
    value = st.one_of(
        st.floats(allow_infinity=False), st.integers(-9999, 9999).map(lambda i: i / 100)
    )
    rows = [data.draw(st.lists(value, min_size=points, max_size=points)) for _ in range(n)]
    table = to_table("spectra", [StoredSpectrum("m", "a", encode(row)) for row in rows])
    assert same_bits(decode_rows(table, points), rows)
    assert same_bits(
        decode_rows(table.slice(n // 2), points), np.reshape(rows[n // 2 :], (-1, points))
    )


def test_a_row_of_another_length_is_refused() -> None:
    table = to_table("spectra", [StoredSpectrum("m", "a", encode([1.0, 2.0]))])
    with pytest.raises(ValueError, match=r"found spectra of \[2\] points; expected 3"):
        decode_rows(table, 3)
