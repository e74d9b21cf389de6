"""Minimum, maximum, mean and value of many spectra at once."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from speclake.quantities import coverage, maximum, mean, minimum, value_at
from speclake.spectrum import Axis, SpectrumSet
from speclake.units import convert_positions

ROW = [10.0, 20.0, 0.0, 40.0, 30.0]
GRID = [400.0, 410.0, 420.0, 430.0, 440.0]


def make_set(values, positions=GRID, axis_unit="nm", medium="air", unit="%T"):
    rows = np.atleast_2d(np.asarray(values, dtype=float))
    return SpectrumSet(
        axis=Axis(np.asarray(positions, dtype=float), axis_unit, medium),
        values=rows,
        unit=unit,
        keys=tuple(f"m{i}" for i in range(len(rows))),
    )


def same_bits(left, right):
    return np.array_equal(left.view(np.int64), right.view(np.int64))


def test_minimum_and_maximum_name_the_wavelength_that_decides():
    low = minimum(make_set(ROW), 400, 440)
    high = maximum(make_set(ROW), 400, 440)
    assert (low.value[0], low.at[0]) == (0.0, 420.0)
    assert (high.value[0], high.at[0]) == (40.0, 430.0)


def test_the_ends_of_a_band_count_where_no_point_lies_on_them():
    low = minimum(make_set(ROW), 403, 412)
    assert (low.value[0], low.at[0]) == (13.0, 403.0)
    high = maximum(make_set(ROW), 421, 424)
    assert (high.value[0], high.at[0]) == (16.0, 424.0)
    low = minimum(make_set(ROW), 421, 424)
    assert (low.value[0], low.at[0]) == (4.0, 421.0)


def test_of_equal_values_the_first_on_the_axis_is_named():
    flat = make_set([5.0] * 5)
    assert minimum(flat, 405, 435).at[0] == 405.0
    assert maximum(flat, 410, 440).at[0] == 410.0


def test_mean_is_the_integral_by_trapezoids_over_the_width():
    assert mean(make_set(ROW), 400, 440).value[0] == (15 + 10 + 20 + 35) / 4
    # 405 to 415: from 15 up to 20 at 410 and down to 10
    assert mean(make_set(ROW), 405, 415).value[0] == (17.5 + 15) / 2
    assert mean(make_set(ROW), 412, 418).value[0] == 10.0
    assert mean(make_set(ROW), 400, 440).at is None


def test_a_band_in_wavenumbers_may_be_averaged_over_the_wavelength():
    wavelengths = np.linspace(400.0, 1000.0, 601)
    spectra = make_set([wavelengths, np.full(601, 7.7)], wavelengths, medium="vacuum")
    over = {each: mean(spectra, 1e7 / 900, 1e7 / 500, unit="cm-1", over=each).value
            for each in (None, "cm-1", "nm", "um", "eV")}  # fmt: skip
    # a straight line over the wavelength has its middle there; over the wavenumber it is 1e7/x
    assert over["nm"][0] == pytest.approx(700, rel=1e-12)
    assert over["um"][0] == pytest.approx(700, rel=1e-12)
    low, high = 1e7 / 900, 1e7 / 500
    expected = 1e7 * np.log(high / low) / (high - low)
    assert over["cm-1"][0] == over[None][0] == pytest.approx(expected, rel=1e-6)
    assert over["eV"][0] == pytest.approx(expected, rel=1e-6)
    assert {values[1] for values in over.values()} == {7.7}
    as_nm = mean(spectra, 500, 900).value[0]
    assert mean(spectra, 500, 900, over="um").value[0] == pytest.approx(as_nm, rel=1e-12)


def test_value_is_as_exported_on_a_point_and_linear_between_two():
    spectra = make_set([0.1, 0.2, 0.3, 0.7, 0.9], unit="T")
    assert value_at(spectra, 430).value[0] == 0.7
    assert value_at(spectra, 432.5).value[0] == pytest.approx(0.75, abs=1e-15)
    assert value_at(spectra, 432.5).at[0] == 432.5
    assert value_at(spectra, 440).value[0] == 0.9


def test_a_band_in_another_unit_is_looked_up_on_the_axis():
    spectra = make_set(ROW, medium="vacuum")
    assert minimum(spectra, 0.40, 0.44, unit="um").at[0] == 420.0
    wavenumbers = (1e7 / 440, 1e7 / 400)
    assert minimum(spectra, *wavenumbers, unit="cm-1").at[0] == 420.0
    turned = make_set(ROW[::-1], [1e7 / x for x in GRID[::-1]], "cm-1", "vacuum")
    found = minimum(turned, 400, 440, medium="vacuum")
    assert (found.value[0], found.at[0]) == (0.0, 1e7 / 420.0)


def test_air_or_vacuum_matters_at_an_edge():
    edge = make_set([0, 0, 100, 100, 100], [549.0, 550.0, 550.1, 551.0, 552.0], medium="air")
    said_in_air = value_at(edge, 550.0, medium="air", largest_interval=2).value[0]
    said_in_vacuum = value_at(edge, 550.2, medium="vacuum", largest_interval=2).value[0]
    assert said_in_air == 0.0
    # 550.2 nm in vacuum are 550.0472 nm in air, half way up the edge
    assert said_in_vacuum == pytest.approx(47.2, abs=0.1)


def test_a_mean_runs_over_the_unit_of_the_band_whatever_the_axis_is_spaced_in():
    nm = np.linspace(400.0, 800.0, 4001)
    ramp = (nm - 400) / 4
    by_wavelength = make_set(ramp, nm, "nm", "vacuum")
    by_wavenumber = make_set(ramp[::-1], 1e7 / nm[::-1], "cm-1", "vacuum")
    assert mean(by_wavelength, 400, 800).value[0] == pytest.approx(50.0, rel=1e-12)
    again = mean(by_wavenumber, 400, 800, unit="nm", medium="vacuum").value[0]
    assert again == pytest.approx(50.0, rel=1e-12)
    # over wavenumber the mean of a ramp in wavelength is (800 x 400 ln 2 / 400 - 400) / 4
    exact = (800 * np.log(2) - 400) / 4
    for spectra in (by_wavelength, by_wavenumber):
        over_wavenumber = mean(spectra, 12_500, 25_000, unit="cm-1").value[0]
        assert over_wavenumber == pytest.approx(exact, rel=1e-6)


@settings(deadline=None)
@given(
    value=st.floats(-5, 150).map(lambda x: round(x, 3)),
    points=st.lists(st.integers(4000, 8000), min_size=2, max_size=60, unique=True),
    ends=st.tuples(st.floats(0, 1), st.floats(0, 1)),
    unit=st.sampled_from(["nm", "um", "cm-1", "eV"]),
    medium=st.sampled_from(["air", "vacuum"]),
)
def test_a_constant_has_that_mean_exactly_in_any_unit_and_on_any_grid(
    value, points, ends, unit, medium
):
    nm = np.sort(np.asarray(points)) / 10.0
    spectra = make_set(np.full(nm.size, value), nm, medium=medium)
    span = np.sort(convert_positions(nm[[0, -1]], "nm", medium, unit))
    low, high = sorted(
        span[0] + np.asarray(ends) * (span[1] - span[0]) * 0.998 + 1e-3 * np.ptp(span)
    )
    high = max(high, low * 1.0001)
    if high > span[1]:
        return
    found = mean(spectra, float(low), float(high), unit=unit, largest_interval=1e9)
    assert found.value[0] == value
    found = minimum(spectra, float(low), float(high), unit=unit, largest_interval=1e9)
    assert found.value[0] == value


@settings(deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(2, 40), st.floats(1.0, 38.0), st.floats(0.5, 30.0))
def test_a_mean_lies_between_minimum_and_maximum(seed, points, begin, width):
    rng = np.random.default_rng(seed)
    grid = 400 + np.sort(rng.choice(400, points, replace=False)) / 10.0
    low, high = 400 + begin, 400 + begin + width
    if grid[0] > low or grid[-1] < high:
        return
    spectra = make_set(rng.normal(50, 30, (3, points)), grid)
    span = {"largest_interval": 100.0}
    least, most = (f(spectra, low, high, **span).value for f in (minimum, maximum))
    middle = mean(spectra, low, high, **span).value
    assert (least <= middle + 1e-9).all()
    assert (middle <= most + 1e-9).all()


@settings(deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_a_mean_agrees_with_rational_arithmetic(seed):
    rng = np.random.default_rng(seed)
    grid = np.unique(np.round(rng.uniform(400, 500, 50), 1))
    row = np.round(rng.uniform(-1, 101, grid.size), 3)
    found = mean(make_set(row, grid), grid[0], grid[-1], largest_interval=100).value[0]
    x, y = ([Fraction(repr(float(each))) for each in array] for array in (grid, row))
    steps = range(grid.size - 1)
    exact = sum((x[i + 1] - x[i]) * (y[i] + y[i + 1]) / 2 for i in steps) / (x[-1] - x[0])
    assert found == pytest.approx(float(exact), rel=1e-13, abs=1e-13)


def test_refining_a_grid_leads_to_the_integral():
    errors = []
    for points in (21, 41, 81):
        x = np.linspace(400, 500, points)
        curve = make_set(np.exp((x - 400) / 50), x)
        errors.append(abs(mean(curve, 400, 500).value[0] - (np.e**2 - 1) / 2))
    assert errors[0] > 3.9 * errors[1] > 15 * errors[2]


@pytest.mark.parametrize("quantity", [minimum, maximum, mean])
@pytest.mark.parametrize("points", [5, 401, 2401, 20_001])
def test_a_spectrum_gives_the_same_bits_alone_and_in_any_company(quantity, points):
    rng = np.random.default_rng(points)
    grid = 400 + np.arange(points) * 0.1
    rows = np.round(rng.uniform(0, 100, (67, points)), 3)
    rows[5, points // 2] = np.nan
    band = (float(grid[0]) + 0.03, float(grid[-1]) - 0.04)
    whole = quantity(make_set(rows, grid), *band).value
    order = rng.permutation(67)
    assert same_bits(whole[order], quantity(make_set(rows[order], grid), *band).value)
    for size in (1, 2, 13, 50):
        pieces = [
            quantity(make_set(rows[begin : begin + size], grid), *band).value
            for begin in range(0, 67, size)
        ]
        assert same_bits(whole, np.concatenate(pieces))
    columns_first = make_set(np.asfortranarray(rows), grid)
    assert same_bits(whole, quantity(columns_first, *band).value)


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 2**32 - 1))
def test_a_spectrum_gives_the_same_whatever_the_others_hold(seed):
    rng = np.random.default_rng(seed)
    grid = np.linspace(400, 500, 101)
    rows = rng.uniform(0, 100, (8, 101))
    others = rows.copy()
    others[1:] = rng.normal(0, 1e6, (7, 101))
    others[3, 50] = np.nan
    for quantity in (minimum, maximum, mean):
        first = quantity(make_set(rows, grid), 410.05, 488.8).value[:1]
        assert same_bits(first, quantity(make_set(others, grid), 410.05, 488.8).value[:1])


def test_a_missing_value_in_the_band_gives_no_number_and_says_where():
    rows = np.array([ROW, ROW])
    rows[1, 2] = np.nan
    spectra = make_set(rows)
    for quantity in (minimum, maximum, mean):
        assert np.isnan(quantity(spectra, 405, 435).value).tolist() == [False, True]
    assert np.isnan(minimum(spectra, 405, 435).at).tolist() == [False, True]
    found = coverage(spectra, 405, 435)
    assert found.reasons == (None, "the value at 420 nm is missing")


def test_a_missing_neighbour_of_an_end_counts_and_one_beyond_does_not():
    row = [np.nan, 20.0, 0.0, 40.0, np.nan]
    spectra = make_set(row)
    for quantity in (minimum, maximum, mean):
        assert np.isnan(quantity(spectra, 405, 425).value[0])
        assert np.isnan(quantity(spectra, 415, 435).value[0])
        assert not np.isnan(quantity(spectra, 410, 430).value[0])
    assert coverage(spectra, 405, 425).reasons == ("the value at 400 nm is missing",)
    assert coverage(spectra, 410, 430).reasons == (None,)
    assert np.isnan(value_at(spectra, 435).value[0])
    assert value_at(spectra, 430).value[0] == 40.0


@pytest.mark.parametrize("band", [(399.9, 430), (410, 440.1), (100, 200), (500, 600)])
def test_a_band_beyond_the_spectrum_is_not_extrapolated(band):
    spectra = make_set(ROW)
    for quantity in (minimum, maximum, mean):
        assert np.isnan(quantity(spectra, *band).value).all()
    (reason,) = coverage(spectra, *band).reasons
    assert reason.startswith("the spectrum runs from 400 nm to 440 nm and does not cover")


def test_a_gap_is_a_stretch_longer_than_five_usual_intervals():
    grid = [*range(400, 420), 426, *range(427, 440)]
    spectra = make_set(np.ones(len(grid)), grid)
    assert coverage(spectra, 400, 439).reasons == (
        "the spectrum has no point between 419 nm and 426 nm, an interval of 7 nm; "
        "the largest allowed is 5 nm, 5 times the usual interval",
    )
    assert np.isnan(mean(spectra, 400, 439).value[0])
    assert coverage(spectra, 422, 423).problem is not None
    assert coverage(spectra, 400, 419).problem is None
    assert coverage(spectra, 426, 439).problem is None
    assert coverage(spectra, 400, 439, 7.0).problem is None
    assert coverage(spectra, 426, 439, 0.5).problem is not None


def test_an_interval_of_the_largest_size_allowed_is_allowed_on_a_decimal_grid():
    grid = np.round(np.arange(4000, 4400) / 10, 1)
    spectra = make_set(np.ones(grid.size), grid)
    assert coverage(spectra, 400, 439, 0.1).problem is None
    assert coverage(spectra, 400, 439, 0.0999).problem is not None


def test_a_band_whose_medium_matters_needs_an_axis_whose_medium_is_known():
    spectra = make_set(ROW, medium=None)
    assert coverage(spectra, 405, 435).problem is None
    for wanted in ({"medium": "air"}, {"medium": "vacuum"}):
        assert "nobody said" in coverage(spectra, 405, 435, **wanted).problem
    assert "nobody said" in coverage(spectra, 23_000, 24_000, unit="cm-1").problem
    turned = make_set(ROW, [22_000, 22_500, 23_000, 23_500, 24_000], "cm-1", None)
    assert "nobody said" in coverage(turned, 425, 440).problem


def test_an_axis_may_reach_to_where_the_band_could_not():
    # air ends at 185 nm and a wavenumber of zero is no wavelength; neither lies in the band
    purged = make_set(np.ones(3151), np.arange(150, 3301), medium="vacuum")
    assert mean(purged, 400, 700, medium="air").value[0] == 1.0
    infrared = make_set(np.ones(6001), np.arange(0, 30_001, 5), "cm-1", None)
    assert mean(infrared, 400, 700, medium="vacuum").value[0] == 1.0


@pytest.mark.parametrize("band", [(430, 410), (410, 410), (0, 410), (-1, 5), (400, np.inf)])
def test_a_band_that_is_none_is_a_mistake(band):
    with pytest.raises(ValueError, match="a band runs from a lower to a higher position"):
        minimum(make_set(ROW), *band)


def test_an_empty_set_gives_no_numbers():
    nobody = SpectrumSet(Axis(np.asarray(GRID), "nm"), np.empty((0, 5)), "%T", ())
    for quantity in (minimum, maximum, mean):
        assert quantity(nobody, 405, 435).value.shape == (0,)
    assert coverage(nobody, 405, 435).reasons == ()
