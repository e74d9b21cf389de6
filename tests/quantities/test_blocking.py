"""Rejection: what was measured is exact, what was not is a bound, and company changes nothing."""

import doctest

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import speclake.quantities.blocking
from speclake.quantities import (
    FloorCurve,
    Place,
    exported_step,
    largest_leakage,
    leakage_share,
    optical_density,
)
from speclake.quantities.values import AT_LEAST, AT_MOST, EXACT
from speclake.spectrum import Axis, SpectrumSet
from speclake.units import convert_positions, convert_values

GRID = np.arange(400.0, 501.0)
BAND = Place(low=410, high=490, medium="vacuum", largest_interval=2)
DEFINITIONS = ("minimum", "mean", "of mean transmittance")
DARK = np.random.default_rng(3).uniform(0.5e-5, 1.5e-5, (20, GRID.size))


def spectra_of(rows, unit="T", grid=GRID, axis_unit="nm", medium="vacuum"):
    values = np.atleast_2d(np.asarray(rows, float))
    keys = tuple(f"m{i}" for i in range(len(values)))
    return SpectrumSet(Axis(grid, axis_unit, medium), values, unit, keys)


TAKEN = {
    **{
        name: lambda s, name=name: optical_density(s, BAND, name, floor=0.6e-5)
        for name in DEFINITIONS
    },
    "largest leakage": lambda s: largest_leakage(s, [BAND]),
    "share": lambda s: leakage_share(
        s, Place(low=492, high=498, medium="vacuum"), [BAND], floor=1e-6
    ),
}


@pytest.mark.parametrize("taken", TAKEN.values(), ids=TAKEN)
def test_a_number_depends_on_its_own_spectrum_only(taken):
    rows = DARK.copy()
    rows[7, 50] = np.nan
    together = taken(spectra_of(rows))
    for row in range(len(rows)):
        alone = taken(spectra_of(rows[row]))
        assert alone.value.tobytes() == together.value[row : row + 1].tobytes()
        assert alone.bound[0] == together.bound[row]
        assert alone.reasons.get(0) == together.reasons.get(row)
    assert "missing" in together.reasons[7]


@pytest.mark.parametrize("taken", TAKEN.values(), ids=TAKEN)
def test_an_axis_that_does_not_cover_the_band_gives_no_number(taken):
    found = taken(spectra_of(DARK[:, :50], grid=GRID[:50]))
    assert np.isnan(found.value).all()
    assert "does not cover" in found.reasons[0]


@given(density=st.floats(0.0, 8.0), unit=st.sampled_from(["A", "T", "%T"]))
def test_a_constant_has_its_density_by_every_definition(density, unit):
    values = convert_values(np.full(GRID.size, density), "A", unit)
    for definition in DEFINITIONS:
        found = optical_density(spectra_of(values, unit), BAND, definition)
        assert found.value[0] == pytest.approx(density, abs=1e-9)


@given(factor=st.floats(0.01, 1.0))
def test_an_attenuator_adds_its_density(factor):
    """Half of the light is 0.30103 more by every definition, wherever no floor is met."""
    for definition in DEFINITIONS:
        plain = optical_density(spectra_of(DARK[0]), BAND, definition).value
        darker = optical_density(spectra_of(DARK[0] * factor), BAND, definition).value
        assert darker - plain == pytest.approx(-np.log10(factor), abs=1e-9)


@pytest.mark.parametrize("axis_unit", ["um", "cm-1", "eV"])
def test_other_axes_have_the_same_extreme(axis_unit):
    x = convert_positions(GRID, "nm", "vacuum", axis_unit)
    order = np.argsort(x)
    found = optical_density(
        spectra_of(DARK[:, order], grid=x[order], axis_unit=axis_unit), BAND, "minimum"
    )
    usual = optical_density(spectra_of(DARK), BAND, "minimum")
    assert found.value == pytest.approx(usual.value, abs=1e-9)
    mean = optical_density(
        spectra_of(DARK[:, order], grid=x[order], axis_unit=axis_unit), BAND, "mean"
    )
    assert mean.value == pytest.approx(optical_density(spectra_of(DARK), BAND, "mean").value)


@pytest.mark.parametrize("definition", DEFINITIONS)
def test_zero_with_two_decimals_of_a_percent_is_at_least_half_a_digit(definition):
    values = np.zeros(GRID.size)
    values[-1] = 45.31
    found = optical_density(spectra_of(values, "%T"), BAND, definition)
    assert found.value[0] == pytest.approx(4.30103, abs=1e-5)
    assert found.bound[0] == AT_LEAST


@pytest.mark.parametrize("definition", DEFINITIONS)
def test_a_stated_floor_counts_where_it_is_larger_than_the_digits(definition):
    values = np.full(GRID.size, -0.00001)
    found = optical_density(spectra_of(values), BAND, definition, floor=1e-3)
    assert (found.value[0], found.bound[0]) == (3.0, AT_LEAST)
    fine = optical_density(spectra_of(values), BAND, definition, floor=1e-9)
    assert fine.value[0] == pytest.approx(5.30103, abs=1e-5)


def test_significant_digits_of_small_values_prove_nothing_about_zero():
    values = np.zeros(GRID.size)
    values[[5, 30, 100]] = 1.234e-9, 1.234e-9, 45.312
    found = optical_density(spectra_of(values, "%T"), BAND, "minimum")
    assert (found.value[0], found.bound[0]) == (pytest.approx(5.30103, abs=1e-5), AT_LEAST)
    values[:100] = 1.234e-9
    measured = optical_density(spectra_of(values, "%T"), BAND, "minimum")
    assert (measured.value[0], measured.bound[0]) == (pytest.approx(10.9087, abs=1e-4), EXACT)


def test_only_the_points_that_decide_matter():
    values = np.full(GRID.size, 1e-7)
    values[30] = 1e-4
    found = {each: optical_density(spectra_of(values), BAND, each, floor=1e-6)
             for each in DEFINITIONS}  # fmt: skip
    assert found["minimum"].value[0] == 4.0
    assert found["minimum"].at[0] == 430.0
    assert [each.bound[0] for each in found.values()] == [EXACT, AT_LEAST, EXACT]


def test_of_equal_densities_one_that_was_measured_decides():
    values = np.full(GRID.size, 1e-9)
    values[[30, 60]] = 2e-6
    curve = FloorCurve([400, 450, 450.5, 500], [2e-6, 2e-6, 1e-6, 1e-6])
    found = optical_density(spectra_of(values), BAND, "minimum", floor=curve)
    assert (found.at[0], found.bound[0]) == (460.0, EXACT)


def test_negative_values_are_noise_around_zero_for_the_mean_of_transmittance():
    signs = np.where(np.arange(GRID.size) % 2, -1.0, 1.0)
    values = 1e-5 + 4e-5 * signs * np.pi
    mean = optical_density(spectra_of(values), BAND, "of mean transmittance", floor=1e-7)
    assert mean.bound[0] == EXACT
    assert mean.value[0] == pytest.approx(5.0, abs=1e-2)
    nothing = optical_density(spectra_of(values - 1e-4), BAND, "of mean transmittance", floor=1e-7)
    assert (nothing.value[0], nothing.bound[0]) == (7.0, AT_LEAST)


def test_a_negative_value_without_digits_bounds_by_its_own_size():
    values = np.full(GRID.size, 1e-7 / 3)
    values[50] = -1e-5 / 3
    found = optical_density(spectra_of(values), BAND, "minimum")
    assert (found.value[0], found.bound[0]) == (pytest.approx(5.477121), AT_LEAST)


def test_zero_without_any_floor_is_no_number():
    for definition in DEFINITIONS:
        found = optical_density(spectra_of(np.zeros(GRID.size)), BAND, definition)
        assert np.isnan(found.value[0])
        assert "T is zero" in found.reasons[0]
        assert found.bound[0] == EXACT
    assert "T is zero" in largest_leakage(spectra_of(np.zeros(GRID.size)), [BAND]).reasons[0]


def test_a_floor_that_changes_along_the_axis():
    curve = FloorCurve([400, 450, 500], [1e-5, 1e-6, 1e-5], "nm", "vacuum")
    found = optical_density(spectra_of(np.full(GRID.size, 1e-9)), BAND, "minimum", floor=curve)
    assert found.value[0] == pytest.approx(-np.log10(8.2e-6))
    assert found.bound[0] == AT_LEAST
    turned = FloorCurve([0.4, 0.45, 0.5], curve.values, "um", "vacuum")
    again = optical_density(spectra_of(np.full(GRID.size, 1e-9)), BAND, "minimum", floor=turned)
    assert again.value[0] == pytest.approx(found.value[0])


@pytest.mark.parametrize(
    ("curve", "said"),
    [
        (FloorCurve([420, 500], [1e-6, 1e-6]), "known from 420 nm to 500 nm"),
        (FloorCurve([20000, 25000], [1e-6, 1e-6], "cm-1"), "air or in vacuum"),
    ],
)
def test_a_floor_that_is_not_known_over_the_band_gives_no_number(curve, said):
    band = Place(low=410, high=490)
    found = optical_density(spectra_of(DARK, medium=None), band, "minimum", floor=curve)
    assert np.isnan(found.value).all()
    assert said in found.reasons[0]


def test_leakage():
    values = np.where((GRID >= 440) & (GRID <= 460), 0.8, 1e-4)
    signal = Place(low=440, high=460)
    bands = [Place(low=405, high=435), Place(low=465, high=495)]
    values[10] = 2e-4
    found = largest_leakage(spectra_of(values), bands)
    assert (found.value[0], found.at[0], found.bound[0]) == (2e-4, 410.0, EXACT)
    share = leakage_share(spectra_of(values), signal, bands)
    assert share.value[0] == pytest.approx(100 * (60e-4 + 1e-4) / 16)
    bounded = leakage_share(spectra_of(values), signal, bands, floor=1e-3)
    assert bounded.value[0] == pytest.approx(100 * 60e-3 / 16)
    assert bounded.bound[0] == AT_MOST
    assert largest_leakage(spectra_of(values), bands, floor=1e-3).bound[0] == AT_MOST
    dark = leakage_share(spectra_of(-values), signal, bands)
    assert dark.reasons[0] == "the integral over the passband is not above zero"


@given(digits=st.integers(0, 8), counts=st.lists(st.integers(-99999, 99999), min_size=1))
def test_the_last_digit_exported_is_found_again(digits, counts):
    values = np.array([[float(f"{count}e-{digits}") for count in counts]])
    step = exported_step(values)[0]
    if not any(counts):
        assert np.isnan(step)
        return
    zeros = 0
    while zeros < digits and all(count % 10 ** (zeros + 1) == 0 for count in counts):
        zeros += 1
    assert step == pytest.approx(10.0 ** (zeros - digits))


def test_values_without_a_last_digit_have_no_step():
    assert np.isnan(exported_step(np.array([[1 / 3, 2 / 7, np.nan], [np.nan] * 3]))).all()


def test_the_examples_of_the_docstrings_hold():
    found = doctest.testmod(speclake.quantities.blocking)
    assert found.attempted
    assert not found.failed
