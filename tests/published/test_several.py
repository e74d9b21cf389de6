"""s and p, and 100 - T - R, against another program's transfer matrices.

Source: the package `tmm` (S. J. Byrnes, arXiv:1603.02720), which computes the reflectance of a
stack in unpolarised light, and what each of its layers absorbs, by itself. It is run here.
"""

import numpy as np
import pytest
import tmm

from speclake.quantities.combining import absorptance_and_scatter, unpolarised
from speclake.spectrum import Axis, SpectrumSet

GRID = np.arange(450.0, 651.0, 10.0)
INDICES, THICKNESSES = [1.0, 2.35, 1.38, 1.45 + 0.02j, 1.52], [np.inf, 60.0, 95.0, 400.0, np.inf]


def spectra(values, unit):
    return SpectrumSet(Axis(GRID, "nm"), np.array([values]), unit, ("a",))


def of_stack(polarisation, key, angle_deg):
    return [
        float(tmm.coh_tmm(polarisation, INDICES, THICKNESSES, np.deg2rad(angle_deg), each)[key])
        for each in GRID
    ]


@pytest.mark.parametrize("angle_deg", [0, 30, 45, 60])
def test_the_mean_of_s_and_p_is_the_reflectance_in_unpolarised_light(angle_deg):
    s, p = (spectra(of_stack(each, "R", angle_deg), "R") for each in "sp")
    expected = [
        float(tmm.unpolarized_RT(INDICES, THICKNESSES, np.deg2rad(angle_deg), each)["R"])
        for each in GRID
    ]
    assert unpolarised(s, p).values[0] == pytest.approx(expected, abs=1e-14)


@pytest.mark.parametrize("polarisation", ["s", "p"])
def test_what_t_and_r_leave_is_what_the_layers_absorb(polarisation):
    t, r = (spectra(of_stack(polarisation, key, 30), key) for key in "TR")
    expected = []
    for each in GRID:
        found = tmm.coh_tmm(polarisation, INDICES, THICKNESSES, np.deg2rad(30), each)
        expected.append(100 * float(sum(tmm.absorp_in_each_layer(found)[1:-1])))
    assert absorptance_and_scatter(t, r).values[0] == pytest.approx(expected, abs=1e-10)
    assert min(expected) > 1
