"""Edges and passbands of curves whose answers follow from their corners or from a formula.

There is no published worked example of these definitions; the numbers below are closed forms of
piecewise straight curves and of a Gaussian (full width at half maximum = sqrt(8 ln 2) sigma).
"""

import numpy as np
import pytest

from speclake.quantities import (
    Level,
    Place,
    centre,
    edge,
    extreme_value,
    passband_width,
    place_of_extreme,
    steepness,
)
from speclake.spectrum import Axis, SpectrumSet


def one(x, y, unit="T", axis_unit="nm"):
    return SpectrumSet(Axis(np.asarray(x, float), axis_unit, "vacuum"), np.array([y]), unit, ("a",))


TRAPEZOID = one(np.arange(480.0, 621.0), np.interp(
    np.arange(480.0, 621.0), [500, 510, 590, 600], [1e-5, 0.95, 0.95, 1e-5]
))  # fmt: skip
BAND = Place(low=480, high=620)
HALF = Level(50, "sampled")


def test_trapezoid_filter():
    """Corners 500, 510, 590, 600 nm, peak 0.95: edges 505 and 595, centre 550, width 90 nm."""
    half_of_peak = 505 - 10 * 0.5e-5 / (0.95 - 1e-5)
    assert edge(TRAPEZOID, BAND, HALF, "rising").value == pytest.approx(half_of_peak, abs=1e-9)
    assert edge(TRAPEZOID, BAND, HALF, "falling").value == pytest.approx(595.0, abs=1e-4)
    assert passband_width(TRAPEZOID, BAND, HALF).value == pytest.approx(90.0, abs=2e-4)
    middle = centre(TRAPEZOID, BAND, "middle of the crossings", level=HALF)
    assert middle.value == pytest.approx(550.0, abs=1e-9)
    assert centre(TRAPEZOID, BAND, "centroid").value == pytest.approx(550.0, abs=1e-9)


def test_ramp_edge():
    """From 0 at 500 nm to 1 at 510 nm: half at 505, 80 % at 508, 20 % at 502, 10 % per nm."""
    ramp, band = one([490, 500, 510, 520], [0, 0, 100, 100], "%T"), Place(low=490, high=520)
    at = {level: edge(ramp, band, Level(level), "rising").value[0] for level in (20, 50, 80)}
    assert at == {20: 502.0, 50: 505.0, 80: 508.0}
    pair = (Level(80), Level(20))
    assert steepness(ramp, band, pair, "rising", "slope").value == pytest.approx(10.0)
    assert steepness(ramp, band, pair, "rising", "distance").value == pytest.approx(6.0)
    relative = steepness(ramp, band, (Level(80), Level(5)), "rising", "relative distance",
                         middle=Level(50))  # fmt: skip
    assert relative.value == pytest.approx(100 * 7.5 / 505)


@pytest.mark.parametrize(("step", "width"), [(1.0, 20.017), (5.0, 20.061)])
def test_sampling_widens_a_gaussian(step, width):
    """Centre 550.3, FWHM 20 nm, half of the sampled peak: 20.017 on 1 nm, 20.061 on 5 nm."""
    x = np.arange(500.0, 600.0 + step, step)
    y = np.exp(-4 * np.log(2) * ((x - 550.3) / 20) ** 2)
    found = passband_width(one(x, y), Place(low=500, high=600), HALF)
    assert found.value == pytest.approx(width, abs=1e-3)


def test_parabola_finds_the_top_of_a_parabola_exactly():
    x = np.array([500.0, 501.0, 502.5, 504.0, 505.0])
    y = 90 - 0.3 * (x - 502.2) ** 2
    for extreme, sign in (("maximum", 1), ("minimum", -1)):
        spectra = one(x, sign * y, "%T")
        found = place_of_extreme(spectra, Place(low=500, high=505), extreme, "parabola")
        assert found.value == pytest.approx(502.2, abs=1e-9)
        sampled = place_of_extreme(spectra, Place(low=500, high=505), extreme, "sampled")
        assert sampled.value == 502.5
        top = extreme_value(spectra, Place(low=500, high=505), extreme, "parabola")
        assert top.value == pytest.approx(sign * 90, abs=1e-9)
        assert top.at == pytest.approx(502.2, abs=1e-9)
        point = extreme_value(spectra, Place(low=500, high=505), extreme, "sampled")
        assert (point.value, point.at) == (sign * y[2], 502.5)
