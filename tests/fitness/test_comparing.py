"""Two instruments on one grid, and the arithmetic of their differences."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from speclake.errors import UnitError
from speclake.fitness.comparing import agreement, on_one_grid, share_within, turned_to_nm
from speclake.fitness.interlaboratory import cochran, grubbs, precision
from speclake.spectrum import Axis, SpectrumSet


def line(start: float, stop: float, step: float, unit="%T", *, axis_unit="nm", medium=None):
    """One spectrum T = 10 + w / 10 over a grid."""
    at = np.arange(start, stop + step / 2, step)
    return SpectrumSet(Axis(at, axis_unit, medium), [10 + at / 10], unit, ("a",))


def test_the_finer_is_taken_at_the_points_of_the_coarser_within_both():
    found = on_one_grid(line(400, 700, 1), line(380, 650, 5))
    assert found.first.axis.values.tolist() == list(range(400, 651, 5))
    assert found.first.axis.id == found.second.axis.id
    np.testing.assert_allclose(found.first.values, found.second.values, rtol=1e-12)
    assert found.how == (
        "the first was taken on straight lines at the 51 points of the other from 400 to 650 nm"
    )
    turned = on_one_grid(line(380, 650, 5), line(400, 700, 1))
    assert turned.how.startswith("the second was taken")


def test_the_same_grid_is_left_alone():
    first = line(400, 700, 1)
    found = on_one_grid(first, line(400, 700, 1))
    assert found.first is first
    assert "same grid" in found.how


def test_units_and_media_become_those_of_the_first():
    vacuum = line(400, 700, 1, axis_unit="nm", medium="vacuum")
    air = line(400, 700, 1, axis_unit="nm", medium="air")
    found = on_one_grid(vacuum, air)
    assert found.second.axis.medium == "vacuum"
    # 0.15 nm between air and vacuum at 550 nm: 0.015 %T on this slope
    middle = np.searchsorted(found.first.axis.values, 550.0)
    difference = found.first.values[0, middle] - found.second.values[0, middle]
    assert difference == pytest.approx(0.0153, abs=3e-4)
    fractions = SpectrumSet(vacuum.axis, vacuum.values / 100, "T", ("a",))
    assert on_one_grid(vacuum, fractions).second.unit == "%T"


def test_what_cannot_be_compared_is_refused():
    with pytest.raises(ValueError, match="a stretch in common"):
        on_one_grid(line(400, 500, 1), line(600, 700, 1))
    with pytest.raises(UnitError):
        on_one_grid(line(400, 500, 1), line(400, 500, 1, "%R"))
    with pytest.raises(UnitError):
        on_one_grid(line(400, 500, 1, medium="air"), line(400, 500, 1))


def test_no_line_bridges_a_gap():
    gappy = SpectrumSet(Axis(np.r_[400:450:1.0, 480:501:1.0], "nm"), np.ones((1, 71)), "%T", ("a",))
    found = on_one_grid(line(400, 500, 5), gappy)
    missing = found.first.axis.values[np.isnan(found.second.values[0])]
    assert missing.tolist() == [450.0, 455.0, 460.0, 465.0, 470.0, 475.0]


def test_wavenumbers_become_wavelengths():
    at = np.arange(10_000.0, 20_001.0, 100.0)
    found = turned_to_nm(SpectrumSet(Axis(at, "cm-1"), [at], "%T", ("a",)))
    assert found.axis.unit == "nm"
    assert found.axis.medium == "vacuum"
    np.testing.assert_allclose(found.axis.values * found.values[0], 1e7)


@given(st.integers(0, 10_000), st.integers(3, 30))
def test_the_interval_of_the_bias_is_that_of_the_paired_t_test(seed, n):
    """Against scipy.stats.ttest_rel, an independent implementation."""
    random = np.random.default_rng(seed)
    first, second = random.normal(50, 3, (2, n, 4))
    found = agreement(first - second)
    reference = stats.ttest_rel(first, second).confidence_interval(0.95)
    np.testing.assert_allclose(found.bias_low, reference.low)
    np.testing.assert_allclose(found.bias_high, reference.high)


def test_the_interval_of_the_bias_holds_it_as_often_as_it_says():
    """5,000 wavelengths without a bias: 95 % within three binomial standard deviations."""
    found = agreement(np.random.default_rng(1).normal(0, 0.1, (8, 5000)))
    expected, sd = 0.05 * 5000, np.sqrt(5000 * 0.05 * 0.95)
    assert abs(found.differs.sum() - expected) < 3 * sd


def test_pairs_are_counted_at_each_wavelength():
    found = agreement([[0.1, np.nan, np.nan], [0.2, 0.3, np.nan]])
    assert found.pairs.tolist() == [2, 1, 0]
    assert found.bias[1] == 0.3
    assert np.isnan(found.bias[2])
    assert np.isnan([found.sd[1], found.bias_low[1], found.upper[1]]).all()
    assert not found.differs.any()
    with pytest.raises(ValueError, match="pieces x wavelengths"):
        agreement([0.1, 0.2])


@given(st.integers(0, 10_000), st.integers(2, 6), st.integers(2, 5))
def test_precision_is_the_analysis_of_variance(seed, labs, replicates):
    """Against scipy.stats.f_oneway: F = (s_r² + n s_L²) / s_r² wherever s_L² is not negative."""
    y = np.random.default_rng(seed).normal(0, 1, (labs, replicates, 1))
    y += np.arange(labs)[:, np.newaxis, np.newaxis]
    found = precision(y)
    reference = stats.f_oneway(*y[:, :, 0]).statistic
    within = found.repeatability_sd[0] ** 2
    if reference >= 1:
        assert 1 + replicates * found.between_sd[0] ** 2 / within == pytest.approx(reference)
    else:
        assert found.between_sd[0] == 0.0


def test_precision_without_balance_is_unbiased():
    """2,000 studies with 5, 3, 2 and 4 results: s_r = 1, s_L = 2 on average, each within 3 %."""
    random = np.random.default_rng(2)
    y = random.normal(0, 1, (40, 5, 2000)) + random.normal(0, 2, (40, 1, 2000))
    for lab in range(40):
        y[lab, (5, 3, 2, 4)[lab % 4] :] = np.nan
    found = precision(y)
    assert found.results.tolist() == [140] * 2000
    assert np.sqrt((found.repeatability_sd**2).mean()) == pytest.approx(1, rel=0.03)
    assert np.sqrt((found.between_sd**2).mean()) == pytest.approx(2, rel=0.03)


def test_missing_laboratories_and_single_results_take_no_part_in_what_they_cannot_say():
    y = np.full((4, 2, 2), np.nan)
    y[:3, :, 0] = [[1.0, 1.2], [1.1, 1.3], [1.5, 1.4]]
    y[:, 0, 1] = [1.0, 1.1, 1.2, 1.3]
    found = precision(y)
    assert found.labs.tolist() == [3, 4]
    assert np.isnan(found.h[3, 0])
    assert np.isnan([found.repeatability_sd[1], found.reproducibility_sd[1]]).all()
    np.testing.assert_allclose(found.h[:, 1], [-1.1619, -0.3873, 0.3873, 1.1619], atol=1e-4)
    with pytest.raises(ValueError, match="two or more laboratories"):
        precision(y[:1])


def test_tests_of_single_laboratories_say_nothing_where_there_is_no_scatter():
    assert grubbs([1.0, 2.0]) is None
    assert grubbs([1.0, 1.0, 1.0]) is None
    assert cochran([0.0, 0.0], 3) is None
    assert cochran([np.nan, 1.0], 3) is None
    assert grubbs([1.0, 1.1, 1.2]).standing == ""
    found = grubbs([np.nan, 1.0, 1.1, 0.9, 1.05, 0.95, 9.0])
    assert (found.lab, found.standing) == (6, "outlier")


def test_the_test_of_means_alarms_as_often_as_it_says():
    """Grubbs at 5 %, ten laboratories, 4,000 studies: within three binomial deviations."""
    random = np.random.default_rng(3)
    alarms = sum(bool(grubbs(random.normal(0, 1, 10)).standing) for _ in range(4000))
    assert abs(alarms - 200) < 3 * np.sqrt(4000 * 0.05 * 0.95)


@pytest.mark.parametrize("pairs", [3, 6, 30])
def test_share_of_further_pieces_within_the_limits_is_what_trials_give(pairs):
    """By simulation: differences of normal scatter, and one piece more each time."""
    drawn = np.random.default_rng(pairs).normal(0, 1, (pairs + 1, 40_000))
    found = agreement(drawn[:-1])
    inside = ((drawn[-1] > found.lower) & (drawn[-1] < found.upper)).mean()
    assert share_within(pairs) == pytest.approx(inside, abs=4 * np.sqrt(0.25 / 40_000))
    with pytest.raises(ValueError, match="at least 2"):
        share_within(1)
