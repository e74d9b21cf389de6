"""Saturation, clipping, coarse digits, held values, and values written twice."""

import numpy as np
import pytest

from speclake.checks import Check, Severity
from speclake.fitness import Circumstances, flatness
from speclake.fitness.circumstances import Wanted
from speclake.fitness.subject import Subject
from speclake.settings import Fitness
from speclake.spectrum import SpectrumSet
from tests.fitness.simulated import DETECTORS, NM, SHAPES, open_spectra, simulated, spectra_of


def said(values, unit="%T", check=flatness.standing_still, **known):
    spectra = values if isinstance(values, SpectrumSet) else spectra_of(values, unit)
    circumstances = [Circumstances(**known)] * len(spectra)
    return list(check(Subject(spectra, circumstances, Fitness())))


def only(found):
    ((row, finding),) = found
    assert row == 0
    return finding


def absorbing(top=6.0, seed=1):
    """Absorbance of a deep band with the noise of light on it, cut off at `top`, three digits."""
    deep = 5e-4 + 0.9 * (1 - np.exp(-(((NM - 1500) / 300) ** 8)))
    light = deep + 2e-4 * np.random.default_rng(seed).standard_normal(NM.size)
    return np.round(np.minimum(-np.log10(np.maximum(light, 1e-9)), top), 4)


# saturation


def test_absorbance_that_is_stuck_at_a_value_is_saturated():
    light = np.full(NM.size, 0.5) + 1e-4 * np.random.default_rng(1).standard_normal(NM.size)
    values = np.round(-np.log10(light), 4)
    values[800:840] = 6.0
    one = only(said(values, "A"))
    assert (one.check, one.severity) == (Check.SATURATION, Severity.DOUBT)
    assert (one.value, one.start, one.stop) == (6.0, NM[800], NM[839])
    assert one.text.startswith("40 values running are 6 A")


def test_noise_of_little_light_that_is_cut_off_at_a_highest_absorbance_is_saturated():
    values = absorbing(top=3.5)
    found = [one for _, one in said(values, "A")]
    assert found
    assert {(one.check, one.value) for one in found} == {(Check.SATURATION, 3.5)}
    assert not said(absorbing(top=20.0), "A")


def test_a_top_that_a_detector_cannot_pass_is_saturated():
    values = np.round(120 * np.exp(-(((NM - 1500) / 200) ** 2)) + 0.05 * noise(3), 3)
    one = only(said(np.minimum(values, 112.0)))
    assert (one.check, one.value) == (Check.SATURATION, 112.0)


def noise(seed):
    return np.random.default_rng(seed).standard_normal(NM.size)


# clipping


@pytest.mark.parametrize(("unit", "factor"), [("%T", 1.0), ("T", 0.01), ("%R", 1.0)])
def test_noise_about_zero_without_a_value_below_is_clipped(unit, factor):
    values = np.round(np.maximum(0.02 * noise(4) * factor, 0.0), 5)
    one = only(said(values, unit))
    assert (one.check, one.severity, one.value) == (Check.CLIPPING, Severity.DOUBT, 0.0)
    assert "none lies below" in one.text
    assert not said(np.round(0.02 * noise(4) * factor, 5), unit)


def test_noise_about_full_scale_without_a_value_above_is_clipped():
    one = only(said(np.round(np.minimum(100 + 0.05 * noise(5), 100.0), 3)))
    assert (one.check, one.value) == (Check.CLIPPING, 100.0)
    assert "none lies above" in one.text


def test_exact_zeros_beside_an_edge_may_be_digits_and_are_a_remark():
    values = np.round(np.where(NM < 1200, 0.0, 40.0) + 0.05 * noise(6) * (NM >= 1200), 3)
    values[:500] = np.round(40 + 0.05 * noise(7)[:500], 3)
    (one,) = (one for _, one in said(values) if one.check == Check.CLIPPING)
    assert one.severity == Severity.REMARK
    assert "or finer than the last digit" in one.text


def test_a_header_that_says_clipped_is_believed():
    one = only(said(90 + 0.05 * noise(1), clipped=True))
    assert (one.check, one.severity) == (Check.CLIPPING, Severity.REMARK)
    assert not said(90 + 0.05 * noise(1), clipped=False)


# held and repeated


def test_a_reading_that_was_held_is_told():
    values = np.round(60 + 0.01 * (NM - 300) + 0.05 * noise(8), 3)
    values[700:720] = values[700]
    one = only(said(values))
    assert (one.check, one.severity) == (Check.HELD, Severity.DOUBT)
    assert (one.start, one.stop) == (1000.0, 1019.0)


def test_a_spectrum_of_one_value_is_told():
    one = only(said(np.full(NM.size, 99.5)))
    assert (one.check, one.value) == (Check.HELD, 99.5)
    assert "all 2401 values are 99.5 %T" in one.text


@pytest.mark.parametrize("points", [45, 200])
def test_values_that_stand_twice_are_told_with_both_places(points):
    values = np.round(80 + 0.05 * noise(9), 3)
    values[1500 : 1500 + points] = values[400 : 400 + points]
    one = only(said(values, check=flatness.written_twice))
    assert (one.check, one.severity, one.value) == (Check.HELD, Severity.DOUBT, points)
    assert f"from {NM[400]:g} to {NM[400 + points - 1]:g} nm" in one.text
    assert (one.start, one.stop) == (NM[400], NM[1500 + points - 1])


@pytest.mark.parametrize("detector", DETECTORS)
def test_values_that_stand_once_are_not_taken_for_twice(detector):
    for shape in SHAPES:
        assert not said(simulated(shape, 150, 6, DETECTORS[detector]), check=flatness.written_twice)
    straight = np.linspace(0, 90, NM.size)
    assert not said(straight, check=flatness.written_twice)


# digits

SLOPE = 80 + 0.005 * (NM - 300)


def test_digits_that_hide_the_noise_are_told_where_they_matter():
    one = only(said(np.round(SLOPE + 0.01 * noise(1), 1), last_digit=0.1))
    assert (one.check, one.severity, one.value) == (Check.DIGITS, Severity.REMARK, 0.1)
    # JCGM 100:2008, F.2.2.1: a rectangle of full width d has the standard uncertainty 0.29 d
    assert one.uncertainty == pytest.approx(2 * 0.29 * 0.1, rel=0.01)
    assert not said(np.round(SLOPE + 0.01 * noise(1), 2), last_digit=0.01)
    assert not said(np.round(SLOPE + 0.2 * noise(1), 1), last_digit=0.1)


def test_digits_are_told_where_a_requirement_asks_for_more():
    values = np.round(90 + 0.002 * noise(1), 2)
    wanted = (Wanted("mean", 400.0, 700.0, 0.01, 2.0, "%T"),)
    one = only(said(values, last_digit=0.01, wanted=wanted))
    assert "mean asks for more" in one.text
    assert not said(values, last_digit=0.01)


def test_the_digit_is_found_in_the_values_where_nobody_tells_it():
    one = only(said(np.round(SLOPE + 0.03 * noise(1), 1)))
    assert one.value == pytest.approx(0.1)


# left alone


@pytest.mark.parametrize("detector", DETECTORS)
def test_sound_spectra_do_not_stand_still(detector):
    told = [
        finding
        for shape in SHAPES
        for _, finding in said(simulated(shape, 200, 5, DETECTORS[detector]))
        if finding.check != Check.DIGITS
    ]
    assert len(told) <= 1


def test_smooth_summits_of_few_digits_are_no_saturation():
    for width in (20, 60, 200, 600):
        for decimals in (0, 1, 2, 3):
            values = np.round(90 * np.exp(-(((NM - 1500) / width) ** 2)), decimals)
            told = [one.check for _, one in said(values)]
            assert not {Check.SATURATION, Check.CLIPPING, Check.HELD} & {*told}


def test_real_open_spectra_stand_still_only_where_they_are_cut_off():
    # JCAMP-DX test collections, public domain: one of them has bands with runs of exact zeros
    found = {
        (name, one.check)
        for name, each in open_spectra()
        for _, one in said(SpectrumSet.of([each]))
    }
    assert found == {("ir_sqzdup_decreasing", Check.CLIPPING)}
