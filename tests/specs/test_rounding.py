"""Rounding of values, and values as printed."""

import doctest
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from speclake.specs import rounding
from speclake.specs.rounding import decimal_of, rounded, rounded_values, shown, shown_values

values = st.one_of(
    st.floats(-200, 200),
    st.integers(-200_000, 200_000).map(lambda x: x / 1000),
    st.integers(-2000, 2000).map(lambda x: x / 20),
)
limits = st.tuples(st.integers(-2000, 2000), st.integers(0, 3)).map(
    lambda pair: str(Decimal(pair[0]).scaleb(-pair[1]))
)


def test_examples_in_the_docstrings_hold():
    assert doctest.testmod(rounding).failed == 0


@pytest.mark.parametrize(
    ("value", "place", "text"),
    [
        (91.95, -1, "92.0"), (91.85, -1, "91.8"), (0.5, 0, "0"), (1.5, 0, "2"), (-0.25, -1, "-0.2"),
        (2.675, -2, "2.68"), (1.005, -2, "1.00"), (35_950.0, 2, "3.60E+4"), (91.949999, -1, "91.9"),
    ],
)  # fmt: skip
def test_halves_go_to_the_even_digit_of_the_decimal_text(value, place, text):
    assert str(rounded(value, place)) == text


@settings(deadline=None)
@given(st.lists(values, max_size=30), st.integers(-3, 2))
def test_many_are_rounded_as_each_alone(found, place):
    together = rounded_values(np.array(found, dtype=float), place)
    assert together.tolist() == [float(rounded(value, place)) for value in found]


def test_a_missing_value_stays_missing():
    assert np.isnan(rounded_values(np.array([np.nan]), -1)).all()
    assert shown_values(np.array([np.nan, 1.0]), ["2.0"], "absolute") == ["", "1.00"]


@settings(deadline=None)
@given(values, st.lists(limits, min_size=1, max_size=2), st.none() | st.floats(1e-3, 2))
def test_what_is_printed_lies_where_the_value_lies(value, written, uncertainty):
    text = Decimal(shown(value, written, "absolute", uncertainty))
    marks = [Decimal(limit) for limit in written]
    if uncertainty is not None:
        marks += [m + sign * decimal_of(uncertainty) for m in marks for sign in (1, -1)]
    exact = decimal_of(value)
    assert [text.compare(mark) for mark in marks] == [exact.compare(mark) for mark in marks]


@settings(deadline=None)
@given(values, limits)
def test_a_rounded_value_is_printed_with_the_digits_of_its_limit(value, limit):
    text = shown(value, [limit], "rounded")
    place = Decimal(limit).as_tuple().exponent
    assert Decimal(text) == rounded(value, place)
    assert Decimal(text).as_tuple().exponent == place


@settings(deadline=None)
@given(
    st.lists(values, max_size=20),
    st.lists(limits, min_size=1, max_size=2),
    st.sampled_from(["absolute", "rounded"]),
    st.none() | st.floats(1e-3, 2),
)
def test_many_are_printed_as_each_alone(found, written, decision, uncertainty):
    guard = None if uncertainty is None else np.full(len(found), uncertainty)
    together = shown_values(np.array(found, dtype=float), written, decision, guard)
    assert together == [shown(value, written, decision, uncertainty) for value in found]


def test_zero_has_no_sign():
    assert shown(-0.0001, ["1.0"], "absolute") == "0.00"
    assert shown(-0.0001, ["0.0"], "rounded") == "0.0"
