"""Shape of a band: closed forms of straight curves, and the same answer in any company."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from speclake.quantities import Place, mean
from speclake.quantities.shapes import (
    fitted_value,
    mask_margin,
    median,
    ripple,
    share_above,
    slope,
    step_mean,
)
from speclake.spectrum import Axis, SpectrumSet
from speclake.units import convert_positions

GRID = np.arange(400.0, 701.0)
BAND = Place(low=420, high=680, medium="vacuum", largest_interval=2)


def spectra_of(rows, grid=GRID, axis_unit="nm"):
    values = np.atleast_2d(np.asarray(rows, float))
    keys = tuple(f"m{i}" for i in range(len(values)))
    return SpectrumSet(Axis(grid, axis_unit, "vacuum"), values, "%T", keys)


TAKEN = {
    "step mean": lambda s: step_mean(s, BAND, 10),
    "median": lambda s: median(s, BAND),
    "ripple": lambda s: ripple(s, BAND, "peak to valley"),
    "relative ripple": lambda s: ripple(s, BAND, "peak to valley of the mean"),
    "residual ripple": lambda s: ripple(s, BAND, "residual peak to valley"),
    "end slope": lambda s: slope(s, BAND, "end to end"),
    "slope": lambda s: slope(s, BAND, "least squares"),
    "share": lambda s: share_above(s, BAND, 91.0),
    "fit": lambda s: fitted_value(s, 550, half_width=5, degree=2, medium="vacuum"),
    "mask": lambda s: mask_margin(s, BAND, lower=[(420, 90), (500, 91), (500, 88), (680, 88)]),
}


@pytest.mark.parametrize("taken", TAKEN.values(), ids=TAKEN)
def test_a_number_depends_on_its_own_spectrum_only(taken):
    rows = 91 + np.random.default_rng(2).normal(0, 1.0, (30, GRID.size))
    rows[7, 150] = np.nan
    together = taken(spectra_of(rows))
    for row in range(len(rows)):
        alone = taken(spectra_of(rows[row]))
        assert alone.value.tobytes() == together.value[row : row + 1].tobytes()
        assert alone.reasons.get(0) == together.reasons.get(row)
    assert "missing" in together.reasons[7]


@pytest.mark.parametrize("taken", TAKEN.values(), ids=TAKEN)
def test_an_axis_that_does_not_cover_the_place_gives_no_number(taken):
    found = taken(spectra_of(np.full(100, 90.0), GRID[:100]))
    assert np.isnan(found.value).all()
    assert found.reasons[0]


CONSTANT = {"step mean": 90.1, "median": 90.1, "fit": 90.1, "share": 0.0, "mask": -0.9}


@pytest.mark.parametrize("name", TAKEN)
@pytest.mark.parametrize("axis_unit", ["nm", "um", "cm-1", "eV"])
def test_a_constant_on_any_axis(name, axis_unit):
    turned = convert_positions(GRID, "nm", "vacuum", axis_unit)
    spectra = spectra_of(np.full(GRID.size, 90.1), np.sort(turned), axis_unit)
    assert TAKEN[name](spectra).value == pytest.approx(CONSTANT.get(name, 0.0), abs=1e-9)


def test_a_straight_line():
    line = spectra_of(50 + 0.1 * (GRID - 400))
    assert median(line, BAND).value == pytest.approx(65.0)
    assert step_mean(line, BAND, 26).value == pytest.approx(65.0)
    assert ripple(line, BAND, "peak to valley").value == pytest.approx(26.0)
    assert ripple(line, BAND, "peak to valley of the mean").value == pytest.approx(40.0)
    assert ripple(line, BAND, "residual peak to valley").value == pytest.approx(0.0, abs=1e-9)
    for how in ("end to end", "least squares"):
        assert slope(line, BAND, how).value == pytest.approx(0.1)
    assert share_above(line, BAND, 75.5).value == pytest.approx(100 * (680 - 655) / 260)
    found = fitted_value(line, 555.3, half_width=4, degree=1, medium="vacuum")
    assert found.value == pytest.approx(65.53)


def test_a_polynomial_comes_back_from_its_fit():
    cubic = spectra_of(80 + 1e-6 * (GRID - 551.7) ** 3)
    found = fitted_value(cubic, 560, half_width=6, degree=3, medium="vacuum")
    assert found.value == pytest.approx(80 + 1e-6 * 8.3**3, abs=1e-9)
    few = fitted_value(cubic, 560, half_width=2, degree=4, medium="vacuum")
    assert few.reasons[0] == "5 points for a polynomial of degree 4; it needs 7"


def test_a_step_mean_is_the_average_of_the_readings_and_no_trapezoid():
    ramp = spectra_of(np.interp(GRID, [420, 430, 680], [0.0, 100.0, 100.0]))
    readings = np.interp(np.arange(420, 681, 10), GRID, ramp.values[0])
    assert step_mean(ramp, BAND, 10).value == pytest.approx(readings.mean())
    assert mean(ramp, 420, 680).value[0] > step_mean(ramp, BAND, 10).value[0]
    with pytest.raises(ValueError, match="whole number of steps"):
        step_mean(ramp, BAND, 7)


def test_crowded_points_weigh_no_more():
    crowded = np.union1d(GRID, np.linspace(420.1, 440.05, 400))
    curve = 90 + np.sin(GRID / 20)
    plain, more = spectra_of(curve), spectra_of(np.interp(crowded, GRID, curve), crowded)
    for name in ("median", "share", "ripple"):
        assert TAKEN[name](more).value == pytest.approx(TAKEN[name](plain).value, abs=1e-9)
    assert TAKEN["slope"](more).value == pytest.approx(TAKEN["slope"](plain).value, abs=2e-4)


@given(st.lists(st.integers(-5, 5), min_size=3, max_size=12), st.integers(0, 1000))
def test_the_median_halves_the_band(heights, seed):
    chance = np.random.default_rng(seed)
    x = 400 + np.cumsum(chance.uniform(0.5, 3.0, len(heights)))
    spectra = spectra_of(np.array(heights, float), x)
    place = Place(low=x[0], high=x[-1], largest_interval=10)
    middle = median(spectra, place).value[0]
    above = share_above(spectra, place, middle).value[0]
    just_above = share_above(spectra, place, np.nextafter(middle, np.inf)).value[0]
    assert above >= 50 - 1e-9
    assert just_above <= 50 + 1e-9


class TestMask:
    LOWER = ((420.0, 80.0), (500.0, 90.0), (500.0, 85.0), (680.0, 85.0))

    def test_the_nearest_point_decides_and_is_named(self):
        curve = np.full(GRID.size, 91.0)
        curve[GRID == 600] = 84.0
        found = mask_margin(spectra_of(curve), BAND, lower=self.LOWER)
        assert (found.value[0], found.at[0]) == (-1.0, 600.0)

    def test_a_knot_between_two_points_counts(self):
        coarse = np.arange(400.0, 701.0, 10.0)
        curve = spectra_of(np.interp(coarse, [400, 700], [90, 90]), coarse)
        peak = ((420.0, 80.0), (555.0, 89.0), (680.0, 80.0))
        found = mask_margin(curve, Place(low=420, high=680), lower=peak)
        assert found.value[0] == pytest.approx(1.0)
        assert found.at[0] == pytest.approx(555.0)

    def test_at_a_step_the_stricter_limit_holds(self):
        found = mask_margin(spectra_of(np.full(GRID.size, 90.0)), BAND, lower=self.LOWER)
        assert (found.value[0], found.at[0]) == (0.0, 500.0)

    def test_both_curves(self):
        curve = spectra_of(np.full(GRID.size, 90.0))
        upper = ((420.0, 95.0), (680.0, 90.5))
        found = mask_margin(curve, BAND, lower=((420.0, 88.0), (680.0, 88.0)), upper=upper)
        assert (found.value[0], found.at[0]) == (0.5, 680.0)

    @given(st.lists(st.floats(0, 100), min_size=261, max_size=261))
    def test_it_is_the_smallest_distance_at_any_finely_sampled_place(self, heights):
        values = np.concatenate((np.zeros(20), heights, np.zeros(20)))
        fine = np.linspace(420, 680, 2601)
        limits = np.interp(fine, [420, 500], [80, 90])
        limits[fine > 500] = 85
        curve = np.interp(fine, GRID, values)
        found = mask_margin(spectra_of(values), BAND, lower=self.LOWER)
        assert found.value[0] == pytest.approx((curve - limits).min(), abs=1e-9)
