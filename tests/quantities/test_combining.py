"""Several measurements of one part: sums that must close, and spectra that do not fit."""

import numpy as np
import pytest

from speclake.errors import UnitError
from speclake.quantities.combining import absorptance_and_scatter, haze, unpolarised
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
    assert found == pytest.approx(-0.5)
    assert found.shape == (2, GRID.size)


def test_two_transmittances_close_no_balance():
    with pytest.raises(UnitError, match="do not convert"):
        absorptance_and_scatter(spectra_of(92.0), spectra_of(8.0))


@pytest.mark.parametrize("illuminant", ["A", "C"])
def test_haze_of_a_worked_case(illuminant):
    """Four grey readings: 6/90 - 1/100; the same if the lamp is brighter by any factor."""
    for lamp in (1.0, 0.7):
        readings = [spectra_of(lamp * value) for value in (100.0, 90.0, 1.0, 6.0)]
        found = haze(*readings, illuminant=illuminant, largest_interval=5)
        assert found.value == pytest.approx(100 * (6 / 90 - 1 / 100), rel=1e-12)


def test_haze_counts_what_the_eye_sees():
    """Scatter in the deep red, beyond the weights of the eye, is next to nothing."""
    readings = [spectra_of(value) for value in (100.0, 90.0, 0.0)]
    scattered = spectra_of(np.where(GRID > 740, 50.0, 0.0))
    assert 0 < haze(*readings, scattered, illuminant="C", largest_interval=5).value[0] < 0.1


def test_haze_without_light_or_with_a_missing_value_says_why():
    bright, dark = spectra_of(100.0), spectra_of(0.0)
    found = haze(bright, dark, dark, dark, illuminant="C", largest_interval=5)
    assert np.isnan(found.value).all()
    assert found.reasons[0] == "no light without, or through, the specimen"
    holed = spectra_of(np.where(GRID == 550, np.nan, 90.0))
    found = haze(bright, holed, dark, dark, illuminant="C", largest_interval=5)
    assert np.isnan(found.value).all()
    assert "missing" in found.reasons[1]
