"""Noise: what a trend leaves, in the unit of the spectrum, alike in any company."""

import doctest

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import speclake.quantities.noise
from speclake.quantities import Place, rms_noise
from speclake.spectrum import Axis, SpectrumSet
from speclake.units import convert_positions

GRID = np.arange(400.0, 501.0)
BAND = Place(low=409.5, high=490.5, medium="vacuum")
ROWS = 90 + np.random.default_rng(5).normal(0, 0.1, (15, GRID.size))


def spectra_of(rows, grid=GRID, axis_unit="nm"):
    values = np.atleast_2d(np.asarray(rows, float))
    keys = tuple(f"m{i}" for i in range(len(values)))
    return SpectrumSet(Axis(grid, axis_unit, "vacuum"), values, "%T", keys)


def test_a_number_depends_on_its_own_spectrum_only():
    rows = ROWS.copy()
    rows[7, 50] = np.nan
    together = rms_noise(spectra_of(rows), BAND, 2)
    for row in range(len(rows)):
        alone = rms_noise(spectra_of(rows[row]), BAND, 2)
        assert alone.value.tobytes() == together.value[row : row + 1].tobytes()
    assert together.reasons == {7: "the value at 450 nm is missing"}


@pytest.mark.parametrize("degree", range(4))
def test_it_is_the_residual_of_an_independent_fit(degree):
    inside = (GRID >= 410) & (GRID <= 490)
    x, found = GRID[inside], rms_noise(spectra_of(ROWS), BAND, degree)
    for row, value in zip(ROWS[:, inside], found.value, strict=True):
        left = row - np.polynomial.Polynomial.fit(x, row, degree)(x)
        assert value == pytest.approx(np.sqrt((left**2).sum() / (x.size - degree - 1)))
    assert found.standard_uncertainty == pytest.approx(
        found.value / np.sqrt(2 * (x.size - degree - 1))
    )


@pytest.mark.parametrize("degree", range(4))
def test_white_noise_has_its_own_rms_on_average(degree):
    """Divided by the degrees of freedom, the mean square is that of the source, 1."""
    short = Place(low=400, high=415, medium="vacuum")
    rows = np.random.default_rng(1).normal(0, 1, (20_000, GRID.size))
    mean_square = (rms_noise(spectra_of(rows), short, degree).value ** 2).mean()
    # 20,000 spectra of 12 degrees of freedom or more: standard error 0.003, five of them
    assert mean_square == pytest.approx(1.0, abs=0.015)


@given(
    degree=st.integers(0, 3),
    coefficients=st.lists(st.floats(-100, 100), min_size=4, max_size=4),
    scale=st.floats(0.01, 100),
)
def test_a_trend_changes_nothing_and_a_factor_scales(degree, coefficients, scale):
    trend = np.polynomial.Polynomial(coefficients[: degree + 1], domain=[400, 500])(GRID)
    plain = rms_noise(spectra_of(ROWS[0]), BAND, degree).value
    moved = rms_noise(spectra_of(scale * ROWS[0] + trend), BAND, degree).value
    assert moved == pytest.approx(scale * plain, rel=1e-7)


@given(value=st.floats(-1e6, 1e6), degree=st.integers(0, 3))
def test_a_constant_has_none(value, degree):
    assert rms_noise(spectra_of(np.full(GRID.size, value)), BAND, degree).value[0] == 0.0


@pytest.mark.parametrize("axis_unit", ["um", "cm-1", "eV"])
def test_other_axes_have_the_same_noise_about_a_mean(axis_unit):
    x = convert_positions(GRID, "nm", "vacuum", axis_unit)
    order = np.argsort(x)
    found = rms_noise(spectra_of(ROWS[:, order], x[order], axis_unit), BAND, 0)
    assert found.value == pytest.approx(rms_noise(spectra_of(ROWS), BAND, 0).value)


def test_few_points_and_a_band_that_is_not_covered_give_no_number():
    few = rms_noise(spectra_of(ROWS), Place(low=400, high=411), 2)
    assert few.reasons[0].endswith("it needs 13")
    assert rms_noise(spectra_of(ROWS), Place(low=400, high=412), 2).reasons == {}
    assert "does not cover" in rms_noise(spectra_of(ROWS), Place(low=390, high=450), 2).reasons[0]


def test_another_degree_is_refused():
    with pytest.raises(ValueError, match="degree 0 to 3"):
        rms_noise(spectra_of(ROWS), BAND, 4)


def test_the_examples_of_the_docstrings_hold():
    found = doctest.testmod(speclake.quantities.noise)
    assert found.attempted
    assert not found.failed
