"""Numbers of runs whose neighbouring points share their noise, as after smoothing.

A mean of m neighbours leaves noise of which m points are alike; of a mean over n points it then
has the variance m/n (H. Flyvbjerg and H. G. Petersen, J. Chem. Phys. 91 (1989) 461, for correlated
data in general). With k = 2 about 95 % of errors are meant to be covered (JCGM 100:2008, 6.3.3).
"""

import numpy as np
import pytest

from speclake.fitness.pointnoise import shared_by
from speclake.fitness.qualifying.peaks import find_band
from speclake.fitness.qualifying.scan import Measured, Scan

NM = np.arange(400.0, 601.0)


def means_of(points, rng, size, sigma=0.05):
    white = rng.standard_normal(size + points - 1)
    return sigma * np.convolve(white, np.ones(points), "valid") / np.sqrt(points)


def scan_of(values, nm=NM):
    return Scan(nm, values, "%T", "air")


@pytest.mark.parametrize("points", [1, 3, 5])
def test_the_uncertainty_of_means_and_values_covers_their_errors(points):
    rng, means, values = np.random.default_rng(3), [], []
    for _ in range(400):
        scan = scan_of(50 + means_of(points, rng, NM.size))
        for found, covered in ((scan.mean_over(420, 580), means), (scan.value_at(500.0), values)):
            assert isinstance(found, Measured)
            covered.append(abs(found.value - 50.0) <= 2 * found.standard_uncertainty)
    assert np.mean(means) >= 0.88
    assert np.mean(values) >= 0.88


@pytest.mark.parametrize(("points", "low", "high"), [(1, 1, 1), (3, 3, 8), (5, 5, 8)])
def test_it_is_told_how_many_points_share_their_noise(points, low, high):
    rng = np.random.default_rng(5)
    found = [shared_by(means_of(points, rng, 600), np.arange(600.0)) for _ in range(50)]
    assert low <= np.median([each for _, each in found]) <= high
    assert np.median([noise for noise, _ in found]) == pytest.approx(0.05, rel=0.15)


@pytest.mark.parametrize("points", [3, 5])
def test_the_uncertainty_of_a_band_covers_its_error(points):
    rng, covered = np.random.default_rng(2), []
    for _ in range(150):
        nm = np.arange(430.0, 475.0, 0.1) + rng.uniform(0, 0.1)
        band = 90 - 30 * np.exp(-(((nm - 451.4) / 1.5) ** 2) / 2)
        scan = scan_of(band + means_of(points, rng, nm.size), nm)
        found = find_band(scan, 451.4, (448.9, 453.9), 5.0)
        assert not isinstance(found, str)
        assert found.standard_uncertainty < 0.03
        covered.append(abs(found.at - 451.4) <= 2 * found.standard_uncertainty)
    assert np.mean(covered) >= 0.92


def test_the_uncertainty_of_a_skewed_band_covers_what_a_cubic_does_not_follow():
    """Two bands on top of each other; the minimum as it stands on a fine grid."""
    nm = np.arange(430.0, 475.0, 0.1)

    def doublet(x):
        return (90 - 30 * np.exp(-(((x - 451.4) / 1.5) ** 2) / 2)
                - 15 * np.exp(-(((x - 454.0) / 1.8) ** 2) / 2))  # fmt: skip

    fine = np.arange(451.0, 452.0, 1e-5)
    true = float(fine[np.argmin(doublet(fine))])
    rng, covered = np.random.default_rng(4), []
    for _ in range(150):
        shifted = nm + rng.uniform(0, 0.1)
        scan = scan_of(doublet(shifted) + 0.05 * rng.standard_normal(nm.size), shifted)
        found = find_band(scan, true, (true - 2.5, true + 2.5), 5.0)
        assert not isinstance(found, str)
        covered.append(abs(found.at - true) <= 2 * found.standard_uncertainty)
    assert np.mean(covered) >= 0.86


def test_points_that_are_alike_by_their_digits_have_the_rounding_of_the_others():
    """A digit d has the standard uncertainty d / sqrt(12); JCGM 100:2008, F.2.2.1."""
    values = np.round(50.03 + 0.003 * np.sin(NM), 1)
    values[:40] = np.round(50 - 0.1 * np.arange(40), 1)
    found = scan_of(values).value_at(550.0)
    assert isinstance(found, Measured)
    assert found.standard_uncertainty == pytest.approx(0.1 / 12**0.5)
