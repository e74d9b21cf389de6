"""Haze: four readings, each on an axis of its own, weighted for the eye before they meet."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from speclake.errors import UnitError
from speclake.quantities import haze
from speclake.quantities.haze import IS_DIFFUSING, haze_of_readings, luminous_reading
from speclake.quantities.values import AT_LEAST, EXACT, Values
from speclake.spectrum import Axis, SpectrumSet

GRID = np.arange(380.0, 781.0, 5.0)


def reading(values, unit="%T", grid=GRID, n=2):
    values = np.broadcast_to(np.atleast_2d(np.asarray(values, float)), (n, grid.size))
    keys = tuple(f"m{number}" for number in range(n))
    return SpectrumSet(Axis(grid, "nm"), values, unit, keys)


def of(*readings, illuminant="C"):
    return haze(*readings, illuminant=illuminant, largest_interval=10)


@pytest.mark.parametrize("illuminant", ["A", "C"])
@pytest.mark.parametrize("lamp", [1.0, 0.7])
def test_grey_readings_give_the_quotients_whatever_the_lamp(illuminant, lamp):
    readings = [reading(lamp * value) for value in (100.0, 90.0, 1.0, 6.0)]
    found = of(*readings, illuminant=illuminant)
    assert found.value == pytest.approx(100 * (6 / 90 - 1 / 100), rel=1e-12)
    assert (found.bound == EXACT).all()
    assert found.reasons == {}


def test_each_reading_may_have_its_own_axis_and_unit():
    fine, backward = np.arange(370.0, 801.0), np.arange(800.0, 369.0, -10.0)[::-1]
    found = of(
        reading(1.0, "T"), reading(90.0, grid=fine), reading(1.0, grid=backward), reading(0.06, "T")
    )
    assert found.value == pytest.approx(100 * (6 / 90 - 1 / 100), rel=1e-12)


def test_haze_counts_what_the_eye_sees():
    """Scatter in the deep red, beyond the weights of the eye, is next to nothing."""
    scattered = reading(np.where(GRID > 740, 50.0, 0.0))
    found = of(reading(100.0), reading(90.0), reading(0.0), scattered)
    assert 0 < found.value[0] < 0.1


def test_more_scatter_by_the_instrument_than_with_the_specimen_stays_below_zero():
    found = of(reading(100.0), reading(90.0), reading(2.0), reading(0.9))
    assert found.value == pytest.approx(-1.0)


def test_a_diffusing_specimen_has_a_bound_and_a_reason():
    found = of(reading(100.0), reading(90.0), reading(0.0), reading(45.0))
    assert found.value.tolist() == [30.0, 30.0]
    assert (found.bound == AT_LEAST).all()
    assert found.reasons[1] == IS_DIFFUSING


def test_haze_without_light_names_the_reading():
    bright, dark = reading(100.0), reading(0.0)
    found = of(bright, dark, dark, dark)
    assert np.isnan(found.value).all()
    assert found.reasons[0] == "T2 (specimen, white standard): no light"


def test_a_missing_value_and_a_short_scan_name_the_reading():
    one_lacks = np.full((2, GRID.size), 90.0)
    one_lacks[1, GRID == 550] = np.nan
    found = of(reading(100.0), reading(one_lacks), reading(1.0), reading(6.0))
    assert found.value[0] == pytest.approx(100 * (6 / 90 - 1 / 100))
    assert np.isnan(found.value[1])
    assert found.reasons == {
        1: "T2 (specimen, white standard): the value at 550 nm is missing",
    }
    short = reading(1.0, grid=np.arange(400.0, 781.0, 5.0))
    found = of(reading(100.0), reading(90.0), short, reading(6.0))
    assert np.isnan(found.value).all()
    assert found.reasons[0].startswith("T3 (no specimen, light trap): ")


def test_a_reflectance_is_no_reading():
    with pytest.raises(UnitError, match="do not convert"):
        of(reading(100.0), reading(90.0, "%R"), reading(1.0), reading(6.0))


@pytest.mark.parametrize("sizes", [(2, 2, 2), (2, 2, 2, 3)])
def test_readings_that_are_not_four_of_as_many_are_refused(sizes):
    with pytest.raises(ValueError, match="expected four of as many spectra"):
        haze_of_readings([Values(np.ones(size)) for size in sizes])


@given(st.lists(st.floats(0.01, 1.0), min_size=1, max_size=5), st.floats(0.1, 10.0))
def test_the_haze_of_one_depends_on_no_other_and_on_no_scale(shares, scale):
    """A lamp or an amplifier scales all readings of a row together, and leaves the haze alone."""
    rows = np.array(shares)[:, np.newaxis] * np.linspace(0.5, 1.0, GRID.size)
    n = len(shares)
    sets = [reading(part * rows, n=n) for part in (100.0, 90.0, 1.0, 6.0)]
    together = of(*sets).value
    for row in range(n):
        alone = [reading(each.values[row], n=1) for each in sets]
        assert of(*alone).value[0] == together[row]
    scaled = [reading(scale * each.values, n=n) for each in sets]
    assert of(*scaled).value == pytest.approx(together, rel=1e-10)


def test_a_finer_scan_of_a_smooth_reading_converges():
    def weighted(step: float) -> float:
        grid = np.arange(380.0, 780.0 + step / 2, step)
        curve = 50.0 + 30.0 * np.sin(grid / 60.0)
        return float(luminous_reading(reading(curve, grid=grid, n=1), "C", 20.0).value[0])

    finest = weighted(0.5)
    coarse, finer = (abs(weighted(step) - finest) for step in (20.0, 10.0))
    assert finer < coarse / 3
