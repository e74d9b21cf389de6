"""Values, check sample, stray light, lines, drift and repeatability against their limits."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from speclake.conversion import convert_set
from speclake.fitness.qualifying import Setup, qualify
from speclake.fitness.qualifying.reading import compared
from speclake.fitness.qualifying.repeated import interval_of_deviation, slope_with_interval
from speclake.measurement import Range
from speclake.specs.verdicts import Outcome
from speclake.spectrum import Axis, SpectrumSet
from speclake.standards.certificates import Certificate, CertifiedValue
from speclake.standards.programmes import (
    CheckSample,
    Drift,
    Flatness,
    Noise,
    Repeatability,
    Resolution,
    StrayLight,
    Values,
)

NM = np.arange(400.0, 801.0, 1.0)
START = datetime(2026, 3, 2, 8, tzinfo=UTC)


def spectra(*rows, unit="%T", nm=NM):
    keys = tuple(f"{i}" for i in range(len(rows)))
    return SpectrumSet(Axis(nm, "nm", "air"), np.stack(rows), unit, keys)


def setup(count=1, *, minutes=10, bandwidth_nm=None):
    times = tuple(START + timedelta(minutes=minutes * i) for i in range(count))
    ranges = () if bandwidth_nm is None else (Range(400, 800, bandwidth_nm),)
    return Setup(taken_at=times, range_nm=(400.0, 800.0), ranges=ranges)


def level(value, noise=0.0, seed=1, nm=NM):
    return value + np.random.default_rng(seed).normal(0, noise or 1e-12, nm.size)


def filter_certificate(**keys):
    said = {"unit": "%T", "bandwidth_nm": 2.0, **keys}
    values = ((440.0, 30.5, 0.2), (546.1, 30.0, 0.2), (635.0, 29.0, 0.2))
    return Certificate(
        name="grey", material="glass", identification="F-1", certificate="c 2",
        issued_by="a laboratory", issued_on=date(2025, 1, 1), valid_until=None,
        value=tuple(CertifiedValue(at_nm=a, value=v, uncertainty=u) for a, v, u in values), **said,
    )  # fmt: skip


def values_check(**keys):
    said = keys or {"largest_error": 0.5}
    return Values(id="grey", what="values", every_days=30, standard="grey", **said)


CURVE = np.interp(NM, [440, 546.1, 635], [30.5, 30.0, 29.0])


@given(
    st.floats(-2, 2), st.floats(1e-9, 1), st.floats(0.01, 2),
    st.sampled_from(["guarded", "simple acceptance"]),
)  # fmt: skip
def test_an_outcome_is_never_at_odds_with_its_numbers(error, uncertainty, limit, by):
    found = compared(50 + error, uncertainty, (-limit, limit), by, unit="%T", expected=50)
    guard = uncertainty if by == "guarded" else 0.0
    if found.outcome is Outcome.PASS:
        assert abs(found.error) + guard <= limit * (1 + 1e-12)
    elif found.outcome is Outcome.FAIL:
        assert abs(found.error) - guard > limit * (1 - 1e-12)
        assert found.reason
    else:
        assert by == "guarded"
        assert limit - uncertainty < abs(found.error) <= limit + uncertainty + 1e-12
        assert found.reason


@pytest.mark.parametrize("by", ["guarded", "simple acceptance"])
def test_nothing_is_known_exactly(by):
    found = compared(50.0, 0.0, (-1.0, 1.0), by, unit="%T", expected=50)
    assert (found.outcome, found.value) == (Outcome.NOT_MEASURABLE, None)
    assert "all the same" in found.reason


def test_a_difference_on_the_limit_is_not_lost_to_rounding():
    """90.3 - 90 is 0.29999999999999716 in floats, and 30.3 - 30 is 0.3000000000000007."""
    for value, expected in ((90.3, 90.0), (30.3, 30.0)):
        found = compared(value, 0.1, (-0.3, 0.3), "simple acceptance", unit="%T", expected=expected)
        assert found.outcome is Outcome.PASS


def test_values_are_taken_at_the_certified_wavelengths():
    found = qualify(values_check(), spectra(CURVE + 0.1), setup(), filter_certificate())
    assert [r.at for r in found] == [440.0, 546.1, 635.0]
    assert [r.error for r in found] == pytest.approx([0.1] * 3, abs=2e-3)
    assert [r.uncertainty for r in found] == pytest.approx([0.2] * 3, abs=0.02)
    assert {r.outcome for r in found} == {Outcome.PASS}


def test_noise_adds_to_the_uncertainty_of_a_value():
    noisy = spectra(CURVE + level(0, 0.2))
    found = qualify(values_check(), noisy, setup(), filter_certificate())
    # 2 sqrt(0.1^2 + 0.2^2); the noise itself is taken from 25 points
    assert [r.uncertainty for r in found] == pytest.approx([2 * np.hypot(0.1, 0.2)] * 3, rel=0.5)


def test_values_follow_the_unit_of_the_certificate():
    absorbance = convert_set(spectra(CURVE + 1.0), unit="A")
    found = qualify(values_check(), absorbance, setup(), filter_certificate())
    assert [r.unit for r in found] == ["%T"] * 3
    assert [r.outcome for r in found] == [Outcome.FAIL] * 3
    reflectance = spectra(CURVE, unit="%R")
    (refused,) = qualify(values_check(), reflectance, setup(), filter_certificate())
    assert refused.outcome is Outcome.NOT_MEASURABLE
    assert "different measurements" in refused.reason


def test_limits_in_percent_are_of_the_value():
    check = values_check(largest_error_percent=2.0)
    found = qualify(check, spectra(CURVE), setup(), filter_certificate())
    assert [r.high for r in found] == pytest.approx([0.61, 0.6, 0.58])


def test_a_missing_value_is_told_and_the_others_stand():
    holed = np.where(np.abs(NM - 546) < 4, np.nan, CURVE)
    found = qualify(values_check(), spectra(holed), setup(), filter_certificate())
    assert [r.outcome for r in found] == [Outcome.PASS, Outcome.NOT_MEASURABLE, Outcome.PASS]
    assert found[1].reason == "values are missing around 546.1 nm"


def test_a_wider_slit_than_certified_is_told():
    found = qualify(values_check(), spectra(CURVE), setup(bandwidth_nm=5.0), filter_certificate())
    assert "hold at 2 nm bandwidth, and the scan has 5 nm" in found[0].reason


def test_the_check_sample_is_a_mean_or_a_value():
    keys = {"id": "daily", "what": "check sample", "every_days": 1, "unit": "%T"}
    over = CheckSample(**keys, band=(500.0, 600.0), target=30.0, tolerance=0.3)
    (mean,) = qualify(over, spectra(level(30.1, 0.05)), setup(), None)
    assert mean.value == pytest.approx(30.1, abs=0.02)
    assert mean.uncertainty == pytest.approx(2 * 0.05 / np.sqrt(101), rel=0.4)
    assert (mean.expected, mean.outcome) == (30.0, Outcome.PASS)
    at = CheckSample(**keys, at_nm=550.0)
    (single,) = qualify(at, spectra(level(30.1)), setup(), None)
    assert single.value == pytest.approx(30.1)
    assert single.outcome is Outcome.PASS
    assert single.high is None
    assert "control chart" in single.reason
    (beyond,) = qualify(CheckSample(**keys, at_nm=900.0), spectra(level(30)), setup(), None)
    assert beyond.outcome is Outcome.NOT_MEASURABLE
    (short,) = qualify(CheckSample(**keys, band=(700.0, 900.0)), spectra(level(30)), setup(), None)
    assert "from 700 nm to 800 nm only" in short.reason


def stray(**keys):
    return StrayLight(id="stray", what="stray light", every_days=90, band=(420.0, 480.0), **keys)


def test_stray_light_is_the_mean_that_is_left():
    left = spectra(level(0.05, 0.02))
    (found,) = qualify(stray(unit="%T", limit=0.1), left, setup(), None)
    assert found.value == pytest.approx(0.05, abs=0.01)
    assert found.high == 0.1
    assert found.outcome is Outcome.PASS
    (strict,) = qualify(stray(unit="%T", limit=0.01), left, setup(), None)
    assert strict.outcome is Outcome.FAIL
    (absorbance,) = qualify(stray(unit="A", limit=3.0), left, setup(), None)
    assert absorbance.value == pytest.approx(-np.log10(found.value / 100), abs=1e-6)
    assert absorbance.low == 3.0
    assert absorbance.outcome is Outcome.PASS


def test_where_noise_hides_the_light_only_a_least_absorbance_is_known():
    dark = level(0.0, 0.02, seed=4)
    dark -= dark[(NM >= 420) & (NM <= 480)].mean()
    (found,) = qualify(stray(unit="A", limit=3.0), spectra(dark), setup(), None)
    assert found.outcome is Outcome.PASS
    assert "at least" in found.reason
    (asked,) = qualify(stray(unit="A", limit=5.0), spectra(dark), setup(), None)
    assert asked.outcome is Outcome.UNDECIDED
    (below,) = qualify(stray(unit="A", limit=3.0), spectra(dark - 0.5), setup(), None)
    assert below.outcome is Outcome.NOT_MEASURABLE
    assert "zero line is off" in below.reason


def test_flatness_is_that_of_the_line_not_of_its_noise():
    check = Flatness(
        id="flat", what="flatness", every_days=7, band=(450.0, 750.0),
        largest_deviation_percent=0.3,
    )  # fmt: skip
    (flat,) = qualify(check, spectra(level(100, 0.1)), setup(), None)
    assert flat.outcome is Outcome.PASS
    bump = level(100, 0.05) - 1.0 * np.exp(-0.5 * ((NM - 620) / 15) ** 2)
    (uneven,) = qualify(check, spectra(bump), setup(), None)
    assert uneven.outcome is Outcome.FAIL
    assert uneven.at == pytest.approx(620, abs=5)
    assert uneven.error == pytest.approx(-1.0, abs=0.1)
    in_absorbance = convert_set(spectra(bump), unit="A")
    (same,) = qualify(check, in_absorbance, setup(), None)
    assert same.error == pytest.approx(uneven.error)
    zero = check.model_copy(update={"level_percent": 0})
    assert qualify(zero, spectra(level(0.0, 0.1)), setup(), None)[0].outcome is Outcome.PASS
    outside = spectra(level(100)[:100], nm=NM[:100])
    assert qualify(check, outside, setup(), None)[0].outcome is Outcome.NOT_MEASURABLE


def test_noise_is_the_rms_about_the_course_of_the_line():
    check = Noise(
        id="noise", what="noise", every_days=7, band=(450.0, 750.0), largest_rms=0.1, unit="%T"
    )
    found = [
        qualify(check, spectra(level(100, 0.06, seed) + NM / 50), setup(), None)[0]
        for seed in range(60)
    ]
    ratios = np.array([(r.value - 0.06) / (r.uncertainty / 2) for r in found])
    assert np.mean([r.value for r in found]) == pytest.approx(0.06, rel=0.02)
    assert ratios.std() == pytest.approx(1, abs=0.3)
    assert {r.outcome for r in found} == {Outcome.PASS}
    (loud,) = qualify(check, spectra(level(100, 0.2)), setup(), None)
    assert loud.outcome is Outcome.FAIL


def test_resolution_asks_for_both_extremes():
    nm = np.arange(260.0, 268.0, 0.1)
    check = Resolution(
        id="toluene", what="resolution", every_days=90, maximum_nm=269.0, minimum_nm=266.0,
        least_ratio=1.5,
    )  # fmt: skip
    (found,) = qualify(check, spectra(level(0.3, nm=nm), unit="A", nm=nm), setup(), None)
    assert found.outcome is Outcome.NOT_MEASURABLE


# Several scans


def drift_check(**keys):
    return Drift(
        id="drift", what="drift", every_days=90, at_nm=500.0, largest_an_hour=0.2, unit="%T", **keys
    )


def test_a_slope_and_its_interval_are_those_of_a_library():
    """scipy.stats.linregress and the t distribution."""
    rng = np.random.default_rng(11)
    x = np.sort(rng.uniform(0, 3, 12))
    y = 4 + 0.3 * x + rng.normal(0, 0.1, 12)
    slope, half = slope_with_interval(x, y)
    other = stats.linregress(x, y)
    assert slope == pytest.approx(other.slope)
    assert half == pytest.approx(stats.t.ppf(0.975, 10) * other.stderr)


def test_drift_is_the_slope_an_hour():
    rows = [level(100 + 0.5 * i / 6, 0.005, seed=i) for i in range(7)]
    (found,) = qualify(drift_check(), spectra(*rows), setup(7), None)
    assert found.value == pytest.approx(0.5, abs=0.03)
    assert found.unit == "%T/h"
    assert found.outcome is Outcome.FAIL
    steady = [level(100, 0.005, seed=i) for i in range(7)]
    assert qualify(drift_check(), spectra(*steady), setup(7), None)[0].outcome is Outcome.PASS


def test_drift_takes_only_the_scans_of_its_hours():
    rows = [level(80 if i < 3 else 100, 0.005, seed=i) for i in range(9)]
    spread = setup(9, minutes=20)  # the last two hours are rows 2 to 8
    (all_day,) = qualify(drift_check(within_h=3.0), spectra(*rows), spread, None)
    assert all_day.outcome is Outcome.FAIL
    (recent,) = qualify(drift_check(within_h=1.7), spectra(*rows), spread, None)
    assert recent.outcome is Outcome.PASS
    (few,) = qualify(drift_check(within_h=0.4), spectra(*rows), spread, None)
    assert few.reason == "2 scans in 0.4 h; a drift needs 3"


def repeat_check(**keys):
    said = {"scans": 6, "largest_sd": 0.1, **keys}
    return Repeatability(
        id="repeat", what="repeatability", every_days=90, at_nm=500.0, unit="%T", **said
    )


def test_the_interval_of_a_standard_deviation_is_that_of_the_tables():
    """Factors for n = 6 and n = 30 at 95 %, tables of the chi-square distribution, from memory."""
    assert interval_of_deviation(1.0, 6) == pytest.approx((0.624, 2.453), abs=1e-3)
    assert interval_of_deviation(1.0, 30) == pytest.approx((0.796, 1.344), abs=1e-3)


@pytest.mark.parametrize(
    ("deviation", "outcome"),
    [(0.03, Outcome.PASS), (0.08, Outcome.UNDECIDED), (0.4, Outcome.FAIL)],
)
def test_repeatability_needs_its_whole_interval_on_one_side(deviation, outcome):
    offsets = np.array([-1, 1, -1, 1, -1, 1]) * deviation * np.sqrt(5 / 6)
    rows = [level(50 + each) for each in offsets]
    (found,) = qualify(repeat_check(), spectra(*rows), setup(6), None)
    assert found.value == pytest.approx(deviation)
    assert found.outcome is outcome
    assert "95 % interval" in found.reason
    (simple,) = qualify(repeat_check(rule="simple acceptance"), spectra(*rows), setup(6), None)
    assert simple.outcome is (Outcome.PASS if deviation < 0.1 else Outcome.FAIL)


def test_repeatability_waits_for_its_scans_and_takes_the_latest():
    rows = [level(70), *(level(50 + 0.01 * (-1) ** i) for i in range(6))]
    (few,) = qualify(repeat_check(), spectra(*rows[:5]), setup(5), None)
    assert few.reason == "5 scans in 2 h; 6 are asked for"
    (found,) = qualify(repeat_check(), spectra(*rows), setup(7), None)
    assert found.value == pytest.approx(0.01 * np.sqrt(6 / 5))
