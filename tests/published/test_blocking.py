"""Optical density against closed forms and the photometric definition A = -log10 T.

No standard works an example of a blocking band; half a band at one density and half at another is
the closed form that tells the three definitions apart.
"""

import numpy as np
import pytest

from speclake.quantities import Place, optical_density
from speclake.spectrum import Axis, SpectrumSet

STEP = np.array([400.0, 450.0 - 1e-9, 450.0 + 1e-9, 500.0])
BAND = Place(low=400, high=500, largest_interval=60)


@pytest.mark.parametrize(
    ("definition", "expected"),
    [("minimum", 4.0), ("mean", 5.0), ("of mean transmittance", 4.2967)],
)
@pytest.mark.parametrize("unit", ["A", "T", "%T"])
def test_half_at_four_and_half_at_six(definition, expected, unit):
    density = np.array([[4.0, 4.0, 6.0, 6.0]])
    values = {"A": density, "T": 10**-density, "%T": 100 * 10**-density}[unit]
    spectra = SpectrumSet(Axis(STEP, "nm"), values, unit, ("a",))
    found = optical_density(spectra, BAND, definition)
    assert found.value[0] == pytest.approx(expected, abs=5e-5)
    assert found.bound[0] == 0


@pytest.mark.parametrize(
    ("transmittance", "absorbance"), [(0.01, 2.0), (0.5, 0.301030), (0.9, 0.0457575), (1e-6, 6.0)]
)
def test_transmittance_and_density(transmittance, absorbance):
    """The definition A = -log10 T, to the digits usually printed."""
    spectra = SpectrumSet(Axis(STEP, "nm"), np.full((1, 4), transmittance), "T", ("a",))
    for definition in ("minimum", "mean", "of mean transmittance"):
        found = optical_density(spectra, BAND, definition)
        assert found.value[0] == pytest.approx(absorbance, abs=1e-7)
