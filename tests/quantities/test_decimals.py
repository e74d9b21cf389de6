"""Sums of exported decimals: the float nearest to the true result, held against exact fractions."""

from fractions import Fraction

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from speclake.quantities.decimals import decimal_places, hundredfold, summed

DECIMALS = st.integers(-200_000, 200_000)


def exact(value):
    return Fraction(repr(float(value)))


@given(st.integers(0, 6), st.lists(DECIMALS, min_size=1, max_size=4), st.data())
def test_sums_and_means_of_decimals_are_rounded_once(places, first, data):
    second = data.draw(st.lists(DECIMALS, min_size=len(first), max_size=len(first)))
    a, b = (np.array([numbers]) / 10.0**places for numbers in (first, second))
    mean, rest = summed(0, [(1, a), (1, b)], over=2), summed(100, [(-1, a), (-1, b)])
    for column, (x, y) in enumerate(zip(a[0], b[0], strict=True)):
        assert mean[0, column] == float((exact(x) + exact(y)) / 2)
        assert rest[0, column] == float(100 - exact(x) - exact(y))


@given(st.integers(0, 6), DECIMALS)
def test_a_hundred_times_a_decimal_is_rounded_once(places, number):
    value = number / 10.0**places
    assert hundredfold(np.array([[value]]))[0, 0] == float(100 * exact(value))


def test_one_tenth_and_two_tenths_are_three_tenths():
    tenth, fifth = np.array([[0.1]]), np.array([[0.2]])
    assert 0.1 + 0.2 != 0.3
    assert summed(0, [(1, tenth), (1, fifth)])[0, 0] == 0.3


def test_what_is_no_decimal_is_summed_as_it_stands_and_a_missing_value_stays_missing():
    third = np.array([[1 / 3, 0.5], [0.25, np.nan]])
    assert decimal_places(third).tolist() == [-1, 2]
    found = summed(0, [(1, third), (1, third)], over=2)
    assert found[0].tolist() == [1 / 3, 0.5]
    assert found[1, 0] == 0.25
    assert np.isnan(found[1, 1])


@given(st.permutations(range(4)))
def test_what_a_row_gives_does_not_depend_on_its_company(order):
    values = np.array([[0.1, 0.7], [1 / 3, 0.2], [12.345, 0.1], [np.nan, 0.3]])
    whole = summed(100, [(-1, values), (-1, values[::-1])])
    rows = list(order)
    turned = summed(100, [(-1, values[rows]), (-1, values[::-1][rows])])
    assert np.array_equal(turned, whole[rows], equal_nan=True)
