"""Steps at change-overs: found where they are, and nowhere else.

The spectrum with 0.30 %T from 860 nm on is a construct of the project's check values; that 95 % of
steps of three times the noise are found, and one false alarm an instrument and day, is what is
promised in docs/fitness.md.
"""

import doctest
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import speclake.fitness.regions
import speclake.fitness.steptelling
from speclake.checks import Check, Severity
from speclake.fitness.changeovers import _quantile, check
from speclake.fitness.circumstances import BlankStep, ChangeOver, Circumstances
from speclake.fitness.falsealarms import share
from speclake.fitness.findings import Figure, Finding
from speclake.fitness.regions import regions_between
from speclake.fitness.stepfits import fitted, model_at, models
from speclake.fitness.subject import Subject
from speclake.measurement import Kind
from speclake.settings import Fitness
from speclake.spectrum import Axis, SpectrumSet
from tests.fitness.simulated import DETECTORS, KNOWN, SHAPES, open_spectra, simulated

NM = np.arange(200.0, 1101.0)
PLACES = tuple(ChangeOver(at, "common practice") for at in (319.0, 350.0, 860.0))
HERE = Circumstances(changeovers=PLACES)
LINE = 90 + 0.002 * (NM - 400)
LIMITS = Fitness()


def noise(rows, sigma=0.05, seed=1, points=NM.size):
    return np.random.default_rng(seed).normal(0, sigma, (rows, points))


def said(values, known=HERE, *, axis=None, unit="%T", limits=LIMITS):
    values = np.atleast_2d(values)
    axis = axis or Axis(NM, "nm", "air")
    spectra = SpectrumSet(axis, values, unit, tuple(map(str, range(len(values)))))
    everything = list(check(Subject(spectra, [known] * len(values), limits)))
    findings = [(row, each) for row, each in everything if isinstance(each, Finding)]
    figures = [(row, each) for row, each in everything if isinstance(each, Figure)]
    return findings, figures


def alarms(values, known=HERE, **more):
    return len({row for row, _ in said(values, known, **more)[0]}) / len(np.atleast_2d(values))


def stepped(rows, step, seed=1, sigma=0.05):
    return LINE + noise(rows, sigma, seed) + step * (NM >= 860)


def test_the_examples_are_right():
    for module in (speclake.fitness.regions, speclake.fitness.steptelling):
        found = doctest.testmod(module)
        assert found.attempted
        assert not found.failed


def test_the_constructed_step_is_found_at_its_place_and_size():
    findings, figures = said(stepped(100, 0.30))
    at_860 = [each for _, each in findings if each.at == 860.0]
    assert len(at_860) >= 99
    sizes = np.array([each.value for each in at_860])
    assert np.mean(np.abs(sizes - 0.30) < 0.05) > 0.97  # known to 0.017 (k = 1)
    assert abs(sizes.mean() - 0.30) < 0.01
    inside = [abs(each.value - 0.30) <= each.uncertainty for each in at_860]
    assert 0.88 <= np.mean(inside) <= 1.0  # k = 2
    one = at_860[0]
    assert (one.check, one.severity, one.unit) == (Check.CHANGE_OVER, Severity.DOUBT, "%T")
    assert one.start < 860.0 < one.stop
    assert "at the change-over at 860 nm (common practice) the level steps by" in one.text
    assert len([each for _, each in figures if each.name == "step"]) == 300


@pytest.mark.parametrize("sign", [1, -1])
def test_steps_of_three_times_the_noise_are_found(sign):
    rows = 400
    found, _ = said(stepped(rows, sign * 0.15, seed=4))
    assert len({row for row, each in found if each.at == 860.0}) / rows >= 0.95


def test_noise_alone_raises_no_more_alarms_than_the_budget():
    rows = 3000
    expected = rows * 2 * share(LIMITS)  # steps in level and in slope
    assert alarms(LINE + noise(rows, seed=11)) * rows <= expected + 3 * expected**0.5


@pytest.mark.parametrize("shape", SHAPES)
def test_real_structure_is_no_step(shape):
    known = replace(KNOWN, changeovers=PLACES, last_digit=0.001)
    spectra = simulated(shape, 600, 3, DETECTORS["0.001 %T"])
    findings = [
        each
        for _, each in check(Subject(spectra, [known] * len(spectra), LIMITS))
        if isinstance(each, Finding)
    ]
    assert len(findings) <= 3  # 0.5 expected


@pytest.mark.parametrize("period_nm", [15, 30, 60, 120, 300])
def test_a_fringe_is_no_step(period_nm):
    phase = np.random.default_rng(2).uniform(0, 2 * np.pi, (300, 1))
    values = LINE + 3 * np.sin(2 * np.pi * NM / period_nm + phase) + noise(300)
    assert alarms(values) <= 0.01


@pytest.mark.parametrize("width_nm", [3, 6, 12, 25])
def test_an_edge_at_the_change_over_is_no_step(width_nm):
    values = 90 / (1 + np.exp(-(NM - 860) / width_nm)) + noise(100)
    assert alarms(values) <= 0.01


def test_a_step_on_a_slow_fringe_is_found():
    values = LINE + 3 * np.sin(2 * np.pi * NM / 300) + noise(100) + 0.6 * (NM >= 860)
    found, _ = said(values)
    assert len({row for row, each in found if each.at == 860.0}) >= 95


def test_real_open_spectra_raise_hardly_an_alarm_anywhere():
    """A change-over is claimed at 40 places of each of 18 measured spectra, full of bands."""
    raised = looks = 0
    for _, each in open_spectra():
        spectra = SpectrumSet(each.axis, each.values[np.newaxis], each.unit, ("a",))
        nm = np.sort(Subject(spectra, [Circumstances()], LIMITS).nm)
        for part in np.linspace(0.1, 0.9, 40):
            place = ChangeOver(float(nm[int(part * nm.size)]) + 0.01, "test")
            found, figures = said(
                each.values, Circumstances(changeovers=(place,)), axis=each.axis, unit=each.unit
            )
            raised, looks = raised + bool(found), looks + bool(figures)
    assert looks > 400  # a polynomial fits there
    assert raised <= 4


def test_noise_that_neighbours_share_raises_few_alarms():
    """A mean of seven points makes steps 1.73 times as uncertain as their residuals say."""
    white = noise(1500, seed=8, points=NM.size + 6)
    smooth = np.lib.stride_tricks.sliding_window_view(white, 7, axis=1).mean(axis=2)
    assert alarms(LINE + smooth) <= 0.003


def test_a_place_that_is_off_by_two_points_still_shows_its_step():
    findings, _ = said(LINE + noise(50) + 6.0 * (NM >= 862))
    sizes = [each.value for _, each in findings if each.at == 860.0]
    assert len(sizes) >= 48
    np.testing.assert_allclose(sizes, 6.0, atol=0.3)


def test_missing_values_neither_hide_nor_make_a_step():
    values = stepped(60, 0.30)
    values[:, 655:662] = np.nan  # 855 nm to 861 nm
    values[::2, 100:130] = np.nan
    findings, _ = said(values)
    assert len({row for row, each in findings if each.at == 860.0}) >= 58
    assert not [each for _, each in findings if each.at != 860.0]
    assert said(np.full((2, NM.size), np.nan)) == ([], [])


def test_a_number_depends_on_its_own_spectrum_only():
    values = stepped(40, 0.2)
    values[3, 600:700:7] = np.nan
    together = said(values)
    for row in (0, 3, 39):
        alone = said(values[row])
        for mine, all_of_them in zip(alone, together, strict=True):
            assert [each for _, each in mine] == [each for at, each in all_of_them if at == row]


@pytest.mark.parametrize(("unit", "factor"), [("T", 0.01), ("R", 0.01), ("%R", 1.0)])
def test_any_linear_unit_says_the_same(unit, factor):
    values = stepped(5, 0.3)
    percents, others = said(values)[0], said(values * factor, unit=unit)[0]
    assert len(percents) == len(others) == 5
    for (_, one), (_, other) in zip(percents, others, strict=True):
        assert other.value == pytest.approx(one.value * factor)
        assert other.severity == one.severity


def test_a_step_in_absorbance_is_weighed_as_light():
    values = 1.0 + noise(20, 0.0005) + 0.003 * (NM >= 860)
    findings, _ = said(values, unit="A")
    assert {each.severity for _, each in findings} == {Severity.REMARK}  # 0.07 % of full scale
    findings, _ = said(values - 0.8, unit="A")
    assert {each.severity for _, each in findings} == {Severity.DOUBT}  # 0.4 %


def test_an_axis_in_wavenumbers_finds_the_same_place():
    axis = Axis(np.arange(10_000.0, 16_000.0, 8.0), "cm-1")
    nm = 1e7 / axis.values
    values = 90 + noise(20, points=nm.size) + 0.3 * (nm >= 860.0)
    findings, figures = said(values, axis=axis)
    assert len(findings) >= 19
    for _, each in findings:
        assert each.value == pytest.approx(0.3, abs=0.1)
        assert each.at == pytest.approx(1e7 / 860.0)
        assert each.start < each.at < each.stop
    assert all(each.at == 860.0 and each.start < 860.0 < each.stop for _, each in figures)


@pytest.mark.parametrize("interval_nm", [0.5, 1.0, 2.0, 5.0])
def test_steps_of_three_times_the_noise_are_found_on_any_grid(interval_nm):
    nm = np.arange(400.0, 1600.1, interval_nm)
    values = 90 + noise(200, points=nm.size) + 0.15 * (nm >= 860)
    known = Circumstances(changeovers=(ChangeOver(860.0, "header"),))
    findings, _ = said(values, known, axis=Axis(nm, "nm"))
    assert len({row for row, _ in findings}) >= 190


def test_rounded_values_do_not_step_by_their_last_digit():
    values = np.round(LINE + noise(200, 0.003), 2)
    assert alarms(values, replace(HERE, last_digit=0.01)) <= 0.01
    assert alarms(np.round(LINE + noise(50, 0.001), 1)) == 0.0
    assert alarms(np.full((3, NM.size), 90.0)) == 0.0


BLANK = BlankStep(860.0, 0.30, 0.04, "%T", datetime(2026, 3, 2, 8, 0, tzinfo=UTC))


@pytest.mark.parametrize("step", [0.15, 0.30])
def test_a_step_that_the_blank_shows_too_is_known(step):
    """The blank's at half the light: half of it by a changed gain, all of it by a false zero."""
    values = 50 + noise(20, 0.03) + step * (NM >= 860)
    findings, _ = said(values, replace(HERE, blank_steps=(BLANK,)))
    assert findings
    assert {each.severity for _, each in findings} == {Severity.REMARK}
    assert all("blank of 2026-03-02 08:00 steps by +0.3 %T" in each.text for _, each in findings)


@pytest.mark.parametrize(
    ("blank", "words"),
    [(BLANK, "which does not explain it"), (replace(BLANK, step=0.01), "does not step there")],
)
def test_a_step_that_the_blank_does_not_explain_is_a_doubt(blank, words):
    values = 50 + noise(20, 0.03) - 0.8 * (NM >= 860)
    findings, _ = said(values, replace(HERE, blank_steps=(blank,)))
    assert {each.severity for _, each in findings} == {Severity.DOUBT}
    assert all(words in each.text for _, each in findings)


def test_a_step_of_a_blank_is_the_instruments():
    findings, _ = said(100 + noise(5) + 0.4 * (NM >= 860), replace(HERE, kind=Kind.BLANK))
    assert {each.severity for _, each in findings} == {Severity.DOUBT}
    assert all(each.advice.startswith("renew the baseline") for _, each in findings)
    assert not [each for _, each in findings if "no blank tells" in each.text]


def means_of(points, rows, seed=8, sigma=0.05):
    """Noise that so many neighbours share, with the standard deviation `sigma`."""
    white = noise(rows, sigma * points**0.5, seed, NM.size + points - 1)
    return np.lib.stride_tricks.sliding_window_view(white, points, axis=1).mean(axis=2)


@pytest.mark.parametrize("points", [1, 3, 5])
@pytest.mark.parametrize("step", [0.0, 0.3])
def test_the_uncertainty_of_a_blanks_step_covers_its_error(points, step):
    """With k = 2 about 95 % are meant to be covered (JCGM 100:2008, 6.3.3)."""
    known = Circumstances(kind=Kind.BLANK, changeovers=(ChangeOver(860.0, "header"),))
    _, figures = said(100 + means_of(points, 300) + step * (NM >= 860), known)
    covered = [abs(each.value - step) <= each.uncertainty for _, each in figures]
    assert len(covered) == 300
    assert np.mean(covered) >= 0.91


def test_rounding_that_noise_does_not_blur_is_in_the_uncertainty_of_a_step():
    """Two levels within half a digit d each: a triangle of half-width d (JCGM 100:2008, 4.3.9)."""
    known = Circumstances(
        kind=Kind.BLANK, changeovers=(ChangeOver(860.0, "header"),), last_digit=0.1
    )
    values = np.round(100 + noise(20, 0.003) + 0.1 * (NM >= 860), 1)
    _, figures = said(values, known)
    assert len(figures) == 20
    assert all(each.uncertainty >= 2 * 0.1 / 6**0.5 for _, each in figures)
    _, blurred = said(np.round(100 + noise(20, 0.1), 1), known)
    assert all(each.uncertainty < 2 * 0.1 / 6**0.5 + 0.06 for _, each in blurred)


@pytest.mark.parametrize("points", [1, 3, 5])
def test_the_uncertainty_of_a_parts_step_covers_its_error(points):
    known = Circumstances(kind=Kind.PART, changeovers=(ChangeOver(860.0, "header"),))
    _, figures = said(LINE + means_of(points, 300), known)
    covered = [abs(each.value) <= each.uncertainty for _, each in figures]
    assert len(covered) >= 280
    assert np.mean(covered) >= 0.90


def test_no_step_is_given_where_no_polynomial_fits():
    """An edge of the sample at the place is no step of the instrument, nor known to be one."""
    known = Circumstances(kind=Kind.PART, changeovers=(ChangeOver(860.0, "header"),))
    assert said(50 + 45 * np.tanh((NM - 860) / 6) + noise(20), known) == ([], [])


def test_a_share_of_the_blanks_step_on_a_curved_window_is_explained():
    """The step of a blank, 0.30 %, at 90 % is 0.27 %; the coating bends beside it."""
    blank = replace(BLANK, uncertainty=0.006)
    known = replace(HERE, kind=Kind.PART, blank_steps=(blank,))
    coating = 90 + np.cos(2 * np.pi * (NM - 790) / 300)
    quiet = noise(200, 0.004, 5) * np.where(NM < 860, 1, 3)
    findings, _ = said(coating * (1 + 0.003 * (NM >= 860)) + quiet, known)
    at_860 = [each for _, each in findings if each.at == 860.0]
    assert len(at_860) >= 190
    assert {each.severity for each in at_860} == {Severity.REMARK}


def test_slow_drift_of_the_noise_raises_no_more_alarms_than_the_budget():
    """Noise whose power falls with the frequency, beside as much that is white."""
    rows, length = 1500, 4096
    rng = np.random.default_rng(3)
    frequencies = np.fft.rfftfreq(length)
    fall = np.where(frequencies > 0, frequencies, np.inf) ** -0.5
    slow = np.fft.irfft(fall * np.fft.rfft(rng.standard_normal((rows, length)), axis=1), axis=1)
    slow = slow[:, : NM.size] / slow.std()
    expected = rows * 2 * share(LIMITS)
    found = alarms(LINE + 0.05 * slow + noise(rows)) * rows
    assert found <= expected + 3 * expected**0.5


@pytest.mark.parametrize(("evidence", "told"), [("header", 1), ("common practice", 0)])
def test_a_change_over_too_near_to_an_end_is_remarked_if_somebody_stated_it(evidence, told):
    known = Circumstances(changeovers=(ChangeOver(205.2, evidence),))
    findings, figures = said(LINE + noise(1), known)
    assert not figures
    assert len(findings) == told
    for _, each in findings:
        assert (each.check, each.severity) == (Check.CHANGE_OVER, Severity.REMARK)
        assert "one side of it has 6 points, and it takes 8" in each.text


def test_a_large_sharp_edge_is_only_remarked():
    findings, _ = said(10 + noise(5) + 70 * (NM >= 860))
    assert {each.severity for _, each in findings} == {Severity.REMARK}
    assert all("an edge of the sample" in each.text for _, each in findings)


def test_a_small_step_is_remarked_up_to_what_the_settings_say():
    values = stepped(20, 0.2, sigma=0.01)
    assert {each.severity for _, each in said(values)[0]} == {Severity.DOUBT}
    limits = Fitness(changeover_step_percent=0.3)
    assert {each.severity for _, each in said(values, limits=limits)[0]} == {Severity.REMARK}


def test_a_change_of_slope_is_told_as_such():
    values = LINE + noise(50) + 0.03 * np.clip(NM - 860, 0, None)
    slopes = [each for _, each in said(values)[0] if each.unit == "%T/nm"]
    assert len(slopes) >= 40
    assert np.mean([each.value for each in slopes]) == pytest.approx(0.03, rel=0.1)


def test_places_outside_the_scan_and_scans_too_short_say_nothing():
    known = Circumstances(changeovers=(ChangeOver(150.0, "header"), ChangeOver(1100.0, "header")))
    assert said(stepped(3, 0.3), known) == ([], [])
    short = Axis(np.arange(850.0, 870.0, 2.0), "nm")
    assert said(np.full((2, 10), 90.0), axis=short) == ([], [])
    assert said(stepped(3, 0.3), Circumstances()) == ([], [])


def test_the_fit_is_that_of_a_general_least_squares():
    """Against numpy.linalg.lstsq and the covariance it implies, noise alike on both sides."""
    offsets = np.arange(-40.0, 41.0)
    model = model_at(offsets, (-np.inf, np.inf), 40.5, 2, 0.5)
    assert model is not None
    values = noise(1, seed=5, points=offsets.size) + 0.1 * offsets + 2.0 * (offsets > 0)
    counts = offsets != 0
    t, above = offsets[counts], (offsets[counts] > 0).astype(float)
    design = np.stack([np.ones_like(t), t, t**2, above, t * above], axis=1)
    expected, *_ = np.linalg.lstsq(design, values[0, counts], rcond=None)
    found = fitted(values, model)
    assert found.step[0] == pytest.approx(expected[3], rel=1e-9)
    assert found.slope[0] == pytest.approx(expected[4], rel=1e-9)
    covariance = np.linalg.inv(design.T @ design)
    ratio = found.step_error[0] / found.slope_error[0]
    assert ratio == pytest.approx((covariance[3, 3] / covariance[4, 4]) ** 0.5, rel=0.1)


def test_the_variance_of_a_step_is_what_the_docstring_says():
    for points in (200, 800):
        offsets = np.arange(-points, points + 1.0)
        for degree, factor in ((2, 8.0), (4, 14.2)):
            model = model_at(offsets, (-np.inf, np.inf), points + 0.5, degree, 0.5)
            variance = float((model.estimates[0] ** 2).sum())
            assert variance * points == pytest.approx(factor, rel=0.06)


@pytest.mark.parametrize(
    ("freedom", "quantile"), [(1, 12.706), (5, 2.571), (10, 2.228), (30, 2.042), (100, 1.984)]
)
def test_thresholds_are_quantiles_of_students_t(freedom, quantile):
    """NIST/SEMATECH e-Handbook 1.3.6.7.2, upper critical values at 0.975; from memory."""
    assert float(_quantile(np.array(freedom), 0.025)) == pytest.approx(quantile, abs=0.0006)


@settings(max_examples=30, deadline=None)
@given(
    step=st.floats(-5, 5),
    slope=st.floats(-0.1, 0.1),
    bend=st.floats(-0.001, 0.001),
    level=st.floats(-10, 110),
)
def test_without_noise_a_step_on_a_parabola_is_exact(step, slope, bend, level):
    offsets = np.arange(-60.0, 61.0)
    values = level + slope * offsets + bend * offsets**2 + step * (offsets > 0)
    for model in models(offsets.tobytes(), (-np.inf, np.inf), 20.0, 0.5):
        found = fitted(values[np.newaxis, model.start : model.stop], model)
        assert found.step[0] == pytest.approx(step, abs=1e-8)
        assert found.level[0] == pytest.approx(level + step / 2, abs=1e-8)


def test_regions_lie_between_the_change_overs_on_rising_and_falling_axes():
    nm = np.array([300.0, 310.0, 320.0, 330.0])
    rising = regions_between(nm, [315.0, 330.0, 900.0])
    assert [(each.start, each.stop) for each in rising] == [(0, 2), (2, 3), (3, 4)]
    falling = regions_between(nm[::-1], [315.0])
    assert [(each.start, each.stop) for each in falling] == [(2, 4), (0, 2)]
    assert [(each.first_nm, each.last_nm) for each in falling] == [(300.0, 310.0), (320.0, 330.0)]
