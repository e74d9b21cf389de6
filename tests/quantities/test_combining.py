"""Several measurements of one part: sums that must close, and spectra that do not fit."""

import numpy as np
import pytest

from speclake.errors import UnitError
from speclake.quantities.combining import absorptance_and_scatter, resampled, unpolarised
from speclake.quantities.substrates import face_reflectance
from speclake.spectrum import Axis, SpectrumSet

GRID = np.arange(380.0, 781.0, 5.0)


def spectra_of(values, unit="%T", grid=GRID):
    values = np.broadcast_to(np.atleast_2d(np.asarray(values, float)), (2, grid.size))
    return SpectrumSet(Axis(grid, "nm"), values, unit, ("a", "b"))


def test_the_mean_of_s_and_p_is_what_unpolarised_light_shows():
    s, p = (face_reflectance(1.52, angle_deg=45, polarisation=each) for each in "sp")
    found = unpolarised(spectra_of(s, "R"), spectra_of(p, "R"))
    assert found.unit == "R"
    assert found.values == pytest.approx(float(face_reflectance(1.52, angle_deg=45)))


@pytest.mark.parametrize(
    ("p", "said"),
    [
        (spectra_of(1.0, grid=GRID + 1), "both must lie on one axis"),
        (spectra_of(1.0, "T"), "one linear unit"),
        (SpectrumSet(Axis(GRID, "nm"), np.ones((1, GRID.size)), "%T", ("a",)), "2 and 1 spectra"),
    ],
)
def test_spectra_that_do_not_fit_are_refused(p, said):
    with pytest.raises(ValueError, match=said):
        unpolarised(spectra_of(1.0), p)


def test_logarithms_have_no_mean():
    with pytest.raises(ValueError, match="linear unit"):
        unpolarised(spectra_of(1.0, "A"), spectra_of(1.0, "A"))


def test_what_is_missing_from_a_hundred_is_absorbed_or_scattered():
    found = absorptance_and_scatter(spectra_of(0.92, "T"), spectra_of(8.5, "%R"))
    assert found.unit == "%A+S"
    assert np.array_equal(found.values, np.full((2, GRID.size), -0.5))


def test_two_transmittances_close_no_balance():
    with pytest.raises(UnitError, match="do not convert"):
        absorptance_and_scatter(spectra_of(92.0), spectra_of(8.0))


def test_resampling_takes_points_as_they_stand_and_lines_between_them():
    coarse = SpectrumSet(
        Axis(np.array([400.0, 410.0, 430.0]), "nm"), np.array([[90.0, 80.0, 60.0]]), "%T", ("a",)
    )
    wanted = Axis(np.array([399.0, 400.0, 405.0, 410.0, 420.0, 430.0, 431.0]), "nm")
    found = resampled(coarse, wanted, largest_interval=20.0).values[0]
    assert np.array_equal(found, [np.nan, 90, 85, 80, 70, 60, np.nan], equal_nan=True)
    near = resampled(coarse, wanted, largest_interval=10.0).values[0]
    assert np.array_equal(near, [np.nan, 90, 85, 80, np.nan, 60, np.nan], equal_nan=True)


def test_resampling_beside_a_missing_value_invents_none():
    holed = SpectrumSet(
        Axis(np.array([400.0, 410.0, 420.0]), "nm"), np.array([[90.0, np.nan, 60.0]]), "%T", ("a",)
    )
    wanted = Axis(np.array([400.0, 401.0, 419.0, 420.0]), "nm")
    found = resampled(holed, wanted, largest_interval=10.0).values[0]
    assert np.array_equal(found, [90, np.nan, np.nan, 60], equal_nan=True)


def test_scans_in_air_and_in_vacuum_are_not_resampled_onto_one_another():
    in_air = SpectrumSet(Axis(GRID, "nm", "air"), np.ones((1, GRID.size)), "%T", ("a",))
    with pytest.raises(ValueError, match="one unit and medium"):
        resampled(in_air, Axis(GRID, "nm", "vacuum"), largest_interval=10.0)
