"""Smoothing in nm: polynomials stay, ends and holes have no value, company changes nothing."""

import doctest

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import speclake.quantities.smoothing
from speclake.quantities import derivative, smoothed
from speclake.spectrum import Axis, SpectrumSet
from speclake.units import convert_positions

GRID = np.arange(400.0, 451.0)
UNEVEN = 400 + 50 * np.linspace(0, 1, 80) ** 1.5
ROWS = np.random.default_rng(5).normal(90, 1, (15, GRID.size))


def spectra_of(rows, grid=GRID, axis_unit="nm", medium="vacuum"):
    values = np.atleast_2d(np.asarray(rows, float))
    keys = tuple(f"m{i}" for i in range(len(values)))
    return SpectrumSet(Axis(grid, axis_unit, medium), values, "%T", keys)


TAKEN = {
    "smoothed": lambda s: smoothed(s, 6, 2).values,
    "first": lambda s: derivative(s, 6, 2),
    "second": lambda s: derivative(s, 8, 3, 2),
}


@pytest.mark.parametrize("taken", TAKEN.values(), ids=TAKEN)
def test_a_row_depends_on_its_own_spectrum_only(taken):
    rows = ROWS.copy()
    rows[7, 20] = np.nan
    together = taken(spectra_of(rows))
    assert np.isnan(together[7, 20])
    for row in range(len(rows)):
        assert taken(spectra_of(rows[row])).tobytes() == together[row].tobytes()


@given(
    value=st.floats(-1e3, 1e3),
    window=st.floats(4, 20),
    degree=st.integers(0, 2),
    grid=st.sampled_from([GRID, UNEVEN]),
)
def test_a_constant_stays_to_the_last_bit(value, window, degree, grid):
    found = smoothed(spectra_of(np.full(grid.size, value), grid), window, degree).values
    inside = found[~np.isnan(found)]
    assert inside.size
    assert (inside == value).all()


@given(
    coefficients=st.lists(st.floats(-5, 5), min_size=4, max_size=4),
    window=st.floats(6, 20),
    grid=st.sampled_from([GRID, UNEVEN]),
)
def test_a_polynomial_up_to_the_degree_stays_and_has_its_derivatives(coefficients, window, grid):
    cubic = np.polynomial.Polynomial(coefficients, domain=[400, 450])
    spectra = spectra_of(cubic(grid), grid)
    found = smoothed(spectra, window, 3).values[0]
    inside = ~np.isnan(found)
    assert inside.any()
    assert found[inside] == pytest.approx(cubic(grid)[inside], abs=1e-9)
    for order in (1, 2, 3):
        slope = derivative(spectra, window, 3, order)[0]
        assert slope[inside] == pytest.approx(cubic.deriv(order)(grid)[inside], abs=1e-7)


@pytest.mark.parametrize("axis_unit", ["um", "cm-1", "eV"])
@pytest.mark.parametrize("taken", TAKEN.values(), ids=TAKEN)
def test_the_window_is_in_nm_on_any_axis(axis_unit, taken):
    grid = UNEVEN
    rows = 90 + np.sin(grid / 3)
    x = convert_positions(grid, "nm", "vacuum", axis_unit)
    order = np.argsort(x)
    other = taken(spectra_of(rows[order], x[order], axis_unit))[0]
    usual = taken(spectra_of(rows, grid))[0]
    back = other if order[0] == 0 else other[::-1]
    assert np.array_equal(np.isnan(back), np.isnan(usual))
    assert back == pytest.approx(usual, abs=1e-8, nan_ok=True)


def test_no_value_near_an_end_or_a_hole():
    rows = ROWS[:2].copy()
    rows[1, 25] = np.nan
    found = smoothed(spectra_of(rows), 4, 2).values
    assert np.flatnonzero(np.isnan(found[0])).tolist() == [0, 1, 49, 50]
    assert np.flatnonzero(np.isnan(found[1])).tolist() == [0, 1, 23, 24, 25, 26, 27, 49, 50]
    wider = smoothed(spectra_of(rows), 5, 2).values
    assert np.flatnonzero(np.isnan(wider[0])).tolist() == [0, 1, 2, 48, 49, 50]


def test_no_value_where_points_are_few_or_on_one_side_only():
    assert np.isnan(smoothed(spectra_of(ROWS), 2, 2).values).all()
    gap = np.delete(GRID, np.arange(20, 31))
    found = smoothed(spectra_of(np.full(gap.size, 9.0), gap), 10, 1).values[0]
    assert np.isnan(found[gap == 419.0]).all()
    assert np.isnan(found[gap == 431.0]).all()
    assert found[gap == 417.0] == 9.0


def test_refining_the_grid_converges():
    """A parabola through a sine: the error of the mean over the window, however fine the steps."""
    found = []
    for step in (0.5, 0.1, 0.02):
        x = np.arange(400.0, 420.0, step)
        near = np.abs(x - 410).argmin()
        found.append(smoothed(spectra_of(np.sin(x / 2), x), 4, 2).values[0, near])
    assert abs(found[2] - found[1]) < abs(found[1] - found[0]) < 0.01


def test_an_axis_from_zero_has_no_wavelength():
    axis = np.arange(0.0, 50.0)
    assert np.isnan(smoothed(spectra_of(np.ones(50), axis, "cm-1"), 5, 1).values).all()


@pytest.mark.parametrize(("window", "degree"), [(0, 2), (np.nan, 2), (5, 6), (5, -1)])
def test_what_cannot_be_fitted_is_refused(window, degree):
    with pytest.raises(ValueError, match="window above zero"):
        smoothed(spectra_of(ROWS), window, degree)


@pytest.mark.parametrize("order", [0, 3])
def test_a_derivative_that_the_polynomial_has_not_is_refused(order):
    with pytest.raises(ValueError, match="order 1 to the degree"):
        derivative(spectra_of(ROWS), 6, 2, order)


def test_the_examples_of_the_docstrings_hold():
    found = doctest.testmod(speclake.quantities.smoothing)
    assert found.attempted
    assert not found.failed
