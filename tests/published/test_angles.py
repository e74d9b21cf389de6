"""Angle shift against the tmm package, an independent generator of thin-film spectra.

Half-wave films have maxima at 2 n d cos(theta') / m, at every angle and in s and p alike: their
effective index is that of the film (closed form). That of a narrow filter with one cavity was given
by Pidgeon and Smith, J. Opt. Soc. Am. 54 (1964) 1459, first order, small angles, from memory:
sqrt(nH nL) for a cavity of the high index, nL / sqrt(1 - nL/nH + (nL/nH)^2) for one of the low.
"""

import numpy as np
import pytest
from tmm import coh_tmm

from speclake.quantities import Level, Place, centre, effective_index, place_of_extreme
from speclake.spectrum import Axis, SpectrumSet

HIGH, LOW, GLASS = 2.35, 1.38, 1.52


def transmittance(indices, thicknesses, grid, angle_deg, polarisation):
    stack = [1.0, *indices]
    layers = [np.inf, *thicknesses, np.inf]
    angle = np.deg2rad(angle_deg)
    values = [coh_tmm(polarisation, stack, layers, angle, each)["T"] for each in grid]
    return SpectrumSet(Axis(grid, "nm"), [values], "T", ("m",))


@pytest.mark.parametrize("polarisation", ["s", "p"])
def test_a_free_film_shifts_with_its_own_index(polarisation):
    """A film of index 2.0 and 550 nm, order 4: maxima at 550 nm times cos(theta')."""
    angles = [0.0, 10.0, 20.0, 30.0]
    grid = np.arange(500.0, 570.0, 0.5)
    band = Place(low=505, high=565)
    found = [
        place_of_extreme(
            transmittance([2.0, 1.0], [550.0], grid, angle, polarisation), band, "maximum",
            "parabola",
        ).value[0]
        for angle in angles
    ]  # fmt: skip
    index = effective_index(np.array([found]), np.array([angles]), largest_misfit=0.01)
    assert index.value[0] == pytest.approx(2.0, rel=1e-3)


@pytest.mark.parametrize(
    ("cavity", "expected"),
    [
        ("high", np.sqrt(HIGH * LOW)),
        ("low", LOW / np.sqrt(1 - LOW / HIGH + (LOW / HIGH) ** 2)),
    ],
)
def test_a_filter_of_one_cavity_shifts_as_published(cavity, expected):
    mirror = [HIGH, LOW] * 4
    if cavity == "high":
        indices = [*mirror, HIGH, HIGH, *mirror[::-1]]
    else:
        mirror = [*mirror, HIGH]
        indices = [*mirror, LOW, LOW, *mirror[::-1]]
    quarters = [550.0 / 4 / each for each in indices]
    grid = np.arange(536.0, 560.0, 0.05)
    level = Level(50, "sampled")
    found = [
        centre(
            transmittance([*indices, GLASS], quarters, grid, angle, "s"),
            Place(low=537, high=559),
            "middle of the crossings",
            level=level,
        ).value[0]
        for angle in (0.0, 10.0)
    ]
    assert found[0] == pytest.approx(550.0, abs=0.01)
    index = effective_index(np.array([found]), np.array([[0.0, 10.0]])).value[0]
    assert index == pytest.approx(expected, rel=0.01)
