"""Beyond full scale, and below zero over a stretch."""

import numpy as np
import pytest

from speclake.checks import Check, Severity
from speclake.fitness import Circumstances, physical
from speclake.fitness.circumstances import Against
from speclake.fitness.subject import Subject
from speclake.measurement import Correction, Kind
from speclake.settings import Fitness
from speclake.spectrum import SpectrumSet
from tests.fitness.simulated import NM, open_spectra, spectra_of

NOISE = 0.05


def noisy(level, seed=1, noise=NOISE, rows=1):
    return level + noise * np.random.default_rng(seed).standard_normal((rows, NM.size))


def said(check, values, unit="%T", nm=NM, limits=None, **known):
    spectra = spectra_of(values, unit, nm)
    circumstances = [Circumstances(**known)] * len(spectra)
    return list(check(Subject(spectra, circumstances, limits or Fitness())))


# beyond


def test_values_above_full_scale_are_told_by_how_much():
    values = noisy(98.0)
    values[0, 1000:1100] += 4.0
    ((_, one),) = said(physical.beyond, values)
    assert (one.check, one.severity) == (Check.BEYOND, Severity.DOUBT)
    assert one.value == pytest.approx(2.0, abs=4 * NOISE)
    # 0.5 % of the scale and 5.2 times the noise
    assert one.uncertainty == pytest.approx(0.5 + 5.23 * NOISE, abs=0.15)
    assert NM[1000] <= one.start <= one.at <= one.stop <= NM[1099]


@pytest.mark.parametrize("level", [100.4, 99.9])
def test_full_scale_with_its_uncertainty_and_noise_is_sound(level):
    assert not said(physical.beyond, noisy(level, rows=200, noise=0.02))
    assert not said(physical.beyond, noisy(100 - level, rows=200, noise=0.02))


@pytest.mark.parametrize("unit", ["T", "R", "%R", "%A+S"])
def test_fractions_and_percents_are_held_to_the_same(unit):
    factor = 100.0 if unit.startswith("%") else 1.0
    values = noisy(104.0) / 100.0 * factor
    known = {"correction": Correction.ABSOLUTE}
    ((_, one),) = said(physical.beyond, values, unit, **known)
    assert one.value == pytest.approx(4.0, abs=0.3)
    assert one.severity == Severity.DOUBT


def test_what_may_exceed_full_scale_is_left_alone_or_only_remarked():
    values = noisy(104.0)
    assert not said(physical.beyond, values, "%R", correction=Correction.RAW_RATIO)
    # of a transmittance a raw ratio is that to the empty beam, as long as no reference is known
    ((_, one),) = said(physical.beyond, values, "%T", correction=Correction.RAW_RATIO)
    assert one.severity == Severity.REMARK
    assert not said(physical.beyond, values, kind=Kind.BLANK)
    against = (Against(role="reference", name="mirror", evidence="header"),)
    assert not said(physical.beyond, values, "%R", against=against)
    assert not said(physical.beyond, values, "%T", against=against, correction=Correction.RAW_RATIO)
    ((_, one),) = said(physical.beyond, values, "%R")
    assert one.severity == Severity.REMARK
    absolute = said(
        physical.beyond, values, "%R", against=against, correction=Correction.TIMES_CERTIFICATE
    )
    assert absolute[0][1].severity == Severity.DOUBT


def test_absorbance_below_that_of_full_scale_is_remarked_in_its_unit():
    values = -np.log10(noisy(104.0) / 100)
    ((_, one),) = said(physical.beyond, values, "A")
    assert (one.severity, one.unit) == (Severity.REMARK, "%")
    assert " A at " in one.text
    assert one.value == pytest.approx(4.0, abs=0.3)


def test_single_negative_values_are_normal_and_far_ones_are_not():
    assert not said(physical.beyond, noisy(0.0, rows=200))
    values = noisy(0.0)
    values[0, 500:520] = -3.0
    ((_, one),) = said(physical.beyond, values)
    assert "beyond 0 %" in one.text
    assert not said(physical.beyond, values, kind=Kind.ZERO_LINE)


def test_real_open_spectra_beyond_full_scale_are_those_that_are():
    # JCAMP-DX test collections, public domain; the largest values as a second parser reads them
    found = {
        name
        for name, each in open_spectra()
        for _ in physical.beyond(Subject(SpectrumSet.of([each]), [Circumstances()], Fitness()))
    }
    highest = {
        name
        for name, each in open_spectra()
        if (each.values.max() if each.unit == "T" else 10 ** -each.values.min()) > 1.01
        and each.unit in ("T", "A")
    }
    assert found >= highest
    assert "uvvis_linked_kinetics_5" in found
    assert "uvvis_difdup_increasing" not in found


# offset below zero


def blocking(offset, points, rows=100, noise=NOISE, seed=2):
    values = noisy(60.0, seed, noise, rows)
    values[:, 700 : 700 + points] += offset - 60.0
    return values


@pytest.mark.parametrize(
    ("points", "times_noise", "detected"),
    [(128, 1.5, 0.95), (256, 1.0, 0.95), (512, 0.6, 0.95), (256, 0.3, 0.0)],
)
def test_a_mean_below_zero_is_found_from_a_stated_size_on(points, times_noise, detected):
    found = {
        row for row, _ in said(physical.offset_below_zero, blocking(-times_noise * NOISE, points))
    }
    assert len(found) / 100 >= detected
    assert times_noise > 0.3 or len(found) < 20


def test_what_lies_beside_the_stretch_does_not_hide_its_offset():
    values = blocking(-1.5 * NOISE, 300)
    values[:, :700] += 8 * np.cos(4e4 / NM[:700])
    values[:, 1000:] += 8 * np.cos(4e4 / NM[1000:])
    assert len({row for row, _ in said(physical.offset_below_zero, values)}) > 90


def test_the_offset_is_told_with_its_uncertainty_and_place():
    ((_, one),) = said(physical.offset_below_zero, blocking(-0.2, 400, rows=1))
    assert (one.check, one.severity, one.unit) == (Check.OFFSET, Severity.DOUBT, "%T")
    assert one.value == pytest.approx(-0.2, abs=3 * one.uncertainty)
    assert one.uncertainty == pytest.approx(2 * NOISE / 20, rel=0.4)
    assert NM[700] <= one.start < one.stop <= NM[1100]
    ((_, fraction),) = said(physical.offset_below_zero, blocking(-0.2, 400, rows=1) / 100, "T")
    assert fraction.value == pytest.approx(one.value / 100)


@pytest.mark.parametrize("points", [1, 5, 9, 15, 25])
def test_noise_that_neighbours_share_is_no_offset(points):
    # a running mean over several points, as smoothing and slow detectors make it
    wide = np.random.default_rng(3).standard_normal((1000, NM.size + points))
    running = np.cumsum(wide, axis=1)
    shared = (running[:, points:] - running[:, :-points]) / points
    told = said(physical.offset_below_zero, 0.05 * shared)
    assert len({row for row, _ in told}) <= 3


def test_lines_of_zero_and_logarithms_are_not_looked_at():
    values = blocking(-0.5, 400, rows=1)
    assert not said(physical.offset_below_zero, values, kind=Kind.ZERO_LINE)
    assert not said(physical.offset_below_zero, values, "A")


def test_less_than_half_a_digit_below_zero_is_no_offset():
    values = np.full((1, NM.size), -0.004)
    assert not said(physical.offset_below_zero, values, last_digit=0.01)
    assert said(physical.offset_below_zero, values - 0.01, last_digit=0.01)
