"""Numbers in rational arithmetic agree with those in float64, and say what decimals say."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from speclake.quantities.bands import reduced
from speclake.quantities.exact import exact
from speclake.quantities.windows import locate
from speclake.spectrum import Axis


@settings(deadline=None)
@given(
    st.integers(0, 2**32 - 1),
    st.sampled_from(["minimum", "maximum", "mean"]),
    st.tuples(st.floats(0, 1), st.floats(0, 1)),
    st.booleans(),
)
def test_rational_and_binary_numbers_agree(seed, what, ends, on_points):
    rng = np.random.default_rng(seed)
    grid = np.unique(np.round(rng.uniform(400, 450, 40), 1))
    row = np.round(rng.uniform(-5, 105, grid.size), 3)
    low, high = sorted(grid[0] + np.asarray(ends) * (grid[-1] - grid[0]))
    if on_points:
        low, high = grid[0], grid[-1]
    if not low < high:
        return
    window = locate(Axis(grid, "nm"), float(low), float(high), largest_interval=1e3)
    if window.problem is not None:
        return
    binary = reduced(what, row[np.newaxis], window).value[0]
    assert binary == pytest.approx(float(exact(what, row, window)), rel=1e-12, abs=1e-12)


def test_a_value_between_two_points_is_exact():
    axis = Axis([400.1, 400.4], "nm")
    row = np.array([0.1, 0.4])
    assert exact("value", row, locate(axis, 400.3)) == Fraction(3, 10)
    assert exact("value", row, locate(axis, 400.4)) == Fraction(4, 10)


def test_a_mean_of_decimals_is_exact_where_float64_is_not():
    axis = Axis(np.arange(400.0, 411.0), "nm")
    row = np.array([91.9, 92.1] * 5 + [91.9])
    window = locate(axis, 400.5, 408.5)
    assert exact("mean", row, window) == 92
    row = np.full(11, 0.57)
    assert exact("mean", row, window) * 100 == 57
    assert 0.57 * 100 != 57


def test_a_band_between_two_neighbours_has_its_ends_alone():
    window = locate(Axis([400.0, 410.0], "nm"), 402.0, 404.0)
    row = np.array([10.0, 20.0])
    assert exact("mean", row, window) == 13
    assert exact("minimum", row, window) == 12
    assert exact("maximum", row, window) == 14
