"""Lines of oxygen and water vapour against published levels, origins and the solar spectrum."""

from pathlib import Path

import numpy as np
import pytest

from speclake.fitness.gaslines import HIGHEST_J, WATER, levels, oxygen, water
from speclake.fitness.matching import student
from speclake.fitness.structures import drawn
from speclake.units import vacuum_from_air

G173 = Path(__file__).parent.parent / "data" / "astm_g173_03.csv"

# rotational levels of the ground state of H2 16O in cm-1, J. Tennyson and others, J. Quant.
# Spectrosc. Radiat. Transfer 117 (2013) 29, table of energy levels; from memory
WATER_LEVELS = {
    (0, 1): [0.0],
    (1, 1): [23.794, 42.372],
    (1, -1): [37.137],
    (2, 1): [70.091, 95.176, 136.164],
    (2, -1): [79.496, 134.902],
    (3, 1): [142.278, 173.366, 212.156, 285.219],
}

# origins of (v',0) in cm-1, computed from the constants of K. P. Huber and G. Herzberg, Constants
# of Diatomic Molecules (1979): nu00 49358.15, we' 709.31, wexe' 10.65, weye' -0.139
HUBER_HERZBERG = (49358.2, 50045.7, 50710.7, 51352.3, 51969.7, 52562.1)

CHEUNG = (49357.965, 50045.529, 50710.686, 51351.939, 51969.431, 52560.939)
"""The origins of the data file, A. S. C. Cheung and others (1986)."""


@pytest.mark.parametrize(("j", "parity"), WATER_LEVELS)
def test_rotational_levels_of_water_are_the_published_ones(j, parity):
    expected = WATER_LEVELS[j, parity]
    found = {
        round(float(e), 2) for p in (1, -1) for e in levels(WATER, j, p)[0]
    } if j == 3 else {round(float(e), 2) for e in levels(WATER, j, parity)[0]}  # fmt: skip
    for each in expected:
        assert min(abs(each - e) for e in found) < 0.1


def test_origins_of_two_sources_agree():
    np.testing.assert_allclose(CHEUNG, HUBER_HERZBERG, atol=1.5)


def test_oxygen_lines_start_at_the_published_origins_and_trail_off_to_the_red():
    lines = oxygen()
    for origin, following in zip(CHEUNG, (*CHEUNG[1:], 53122.65), strict=True):
        band = lines.cm1[(lines.cm1 > origin - 300) & (lines.cm1 < origin + 5)]
        # the heads lie a little to the blue of the origins
        assert origin - 1 < band.max() < origin + 5
        assert following - origin > 500


def test_strength_of_the_bands_rises_as_the_franck_condon_factors_say():
    # (4,0) over (2,0): 2.973e-6 / 2.29e-7 = 13.0, Cheung and others (1994)
    lines = oxygen()

    def of(origin: float) -> float:
        near = (lines.cm1 > origin - 330) & (lines.cm1 < origin + 20)
        return float(lines.strength[near].sum())

    assert of(CHEUNG[4]) / of(CHEUNG[2]) == pytest.approx(13.0, rel=0.05)


def test_strengths_of_all_lines_of_a_level_add_up_to_its_weight():
    # sum rule: over all upper levels the moments of one state add up to a constant times 2 J + 1
    # (here J + 1 and J of branches R, Q, P give (2 J + 1) for each K); checked for J = 3
    from speclake.fitness.gaslines import _moments

    for parity in (1, -1):
        low, states = levels(WATER, 3, parity)
        total = np.zeros(low.size)
        for j, p, amplitude in _moments(3, parity):
            moment = levels(WATER, j, p)[1].T @ (amplitude @ states)
            total += (moment**2).sum(axis=0)
        np.testing.assert_allclose(total, 7.0, rtol=1e-9)


@pytest.mark.parametrize("band", ["1380 nm", "1870 nm"])
def test_bands_of_water_look_like_those_in_the_solar_spectrum(band):
    # ASTM G173-03: direct irradiance over extraterrestrial. The core is opaque there, so that
    # the likeness of the absorbances cannot be perfect; a shifted band is much less like it.
    nm, above, _, direct = np.loadtxt(G173, delimiter=",", skiprows=2).T
    low, high, width = {"1380 nm": (1330, 1440, 3.0), "1870 nm": (1780, 1990, 6.0)}[band]
    seen = (nm >= low) & (nm <= high)
    depth = -np.log10(np.maximum(direct[seen] / above[seen], 1e-6))

    def likeness(shift_nm: float) -> float:
        at = vacuum_from_air(nm[seen]) + shift_nm
        return float(np.corrcoef(drawn(water(band), at, width, 0.5), depth)[0, 1])

    assert likeness(0) > 0.82
    assert all(likeness(shift) < likeness(0) for shift in (-20, -12, -8, 8, 12, 20))


def test_higher_levels_than_are_taken_do_not_count():
    low, _ = levels(WATER, HIGHEST_J, 1)
    strongest = max(levels(WATER, 3, 1)[0])
    assert (2 * HIGHEST_J + 1) * np.exp(-low.min() / 205.75) < 0.01 * 7 * np.exp(
        -strongest / 205.75
    )


@pytest.mark.parametrize("freedom", [5.0, 10.0, 30.0, 100.0])
def test_quantile_of_student_is_the_one_of_a_reference_library(freedom):
    from scipy import stats

    normal = float(stats.norm.ppf(1 - 1e-4))
    found = float(student(normal, np.array([freedom]))[0])
    # 1e-4 on one side; the expansion is coarser for few degrees of freedom
    expected = float(stats.t.ppf(1 - 1e-4, freedom))
    assert found == pytest.approx(expected, rel=0.06 if freedom == 5 else 0.005)
