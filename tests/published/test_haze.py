"""Haze against sums by another hand: the illuminants and V(lambda) of the colour-science package.

ASTM D1003 prints no worked case known to us; the readings below are invented. The package's tables
are those of CIE 15 at 5 nm; the sums are written here anew.
"""

import numpy as np
import pytest

from speclake.quantities import haze
from speclake.quantities.tristimulus import library_of_colour
from speclake.spectrum import Axis, SpectrumSet

GRID = np.arange(380.0, 781.0, 5.0)
READINGS = {
    "T1": 100.0 - 2.0 * np.exp(-(((GRID - 400) / 40) ** 2)),
    "T2": 88.0 + 4.0 * np.sin(GRID / 90.0),
    "T3": 0.6 + 0.3 * (550.0 / GRID) ** 2,
    "T4": 4.0 * (550.0 / GRID) ** 4,
}


@pytest.mark.parametrize("illuminant", ["A", "C"])
def test_haze_agrees_with_other_tables_and_the_two_quotients_of_the_standard(illuminant):
    colour = library_of_colour()
    shape = colour.SpectralShape(380, 780, 5)
    light = colour.SDS_ILLUMINANTS[illuminant].copy().align(shape).values
    eye = colour.SDS_LEFS["CIE 1924 Photopic Standard Observer"].copy().align(shape).values
    t1, t2, t3, t4 = (float((light * eye * each).sum()) for each in READINGS.values())
    total = t2 / t1
    diffuse = (t4 - t3 * total) / t1
    sets = [SpectrumSet(Axis(GRID, "nm"), [each], "%T", ("m",)) for each in READINGS.values()]
    found = haze(*sets, illuminant=illuminant, largest_interval=5).value[0]
    assert found == pytest.approx(100 * diffuse / total, abs=2e-4)
