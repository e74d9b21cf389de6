"""Noise by region: its size, what it is not fooled by, and what is said of it."""

import doctest
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import speclake.fitness.pointnoise
import speclake.fitness.wantednoise
from speclake.checks import Severity
from speclake.fitness import noise as noises
from speclake.fitness import noisesteps
from speclake.fitness.circumstances import ChangeOver, Circumstances, UsualNoise, Wanted
from speclake.fitness.falsealarms import share
from speclake.fitness.findings import Figure, Finding
from speclake.fitness.pointnoise import point_noise, shared_noise
from speclake.fitness.subject import Subject
from speclake.fitness.wantednoise import gained
from speclake.measurement import Range
from speclake.settings import Fitness
from speclake.spectrum import Axis, SpectrumSet
from tests.fitness.simulated import DETECTORS, KNOWN, SHAPES, simulated

NM = np.arange(300.0, 1301.0)
GRID = np.arange(600.0)
HERE = Circumstances(changeovers=(ChangeOver(350.0, "header"), ChangeOver(860.0, "header")))
USUAL = UsualNoise(350.0, 859.0, 0.05, 0.005, 20, "%T")
LIMITS = Fitness()


def drawn(rows, sigma=0.05, seed=1, points=NM.size):
    return np.random.default_rng(seed).normal(0, sigma, (rows, points))


def said(values, known=HERE, *, check=noises.check, unit="%T", axis=None):
    values = np.atleast_2d(values)
    axis = axis or Axis(NM, "nm", "air")
    spectra = SpectrumSet(axis, values, unit, tuple(map(str, range(len(values)))))
    everything = list(check(Subject(spectra, [known] * len(values), LIMITS)))
    findings = [(row, each) for row, each in everything if isinstance(each, Finding)]
    return findings, [(row, each) for row, each in everything if isinstance(each, Figure)]


def test_the_examples_are_right():
    for module in (speclake.fitness.pointnoise, speclake.fitness.wantednoise):
        found = doctest.testmod(module)
        assert found.attempted
        assert not found.failed


@pytest.mark.parametrize("points", [31, 60, 200, 2401])
def test_the_noise_and_its_uncertainty_are_those_of_many_draws(points):
    found = point_noise(drawn(3000, 1.0, points=points), np.arange(float(points)))
    assert found.noise.mean() == pytest.approx(1.0, abs=0.03)
    assert found.noise.std() == pytest.approx(found.relative_uncertainty, rel=0.35)


def test_an_uneven_grid_shows_the_same_noise():
    x = np.sort(np.random.default_rng(3).uniform(400, 1000, 600))
    rows = 90 + 0.01 * x + 3 * np.sin(x / 40) + drawn(200, 0.05, points=600)
    assert point_noise(rows, x).noise.mean() == pytest.approx(0.05, rel=0.05)


def test_von_neumann_s_ratio_is_that_of_differences_of_first_order():
    """J. von Neumann and others 1941: the mean square successive difference is twice the variance.

    The noise of first differences, squared, is half of it; that of the sixth agrees on white noise.
    """
    rows = drawn(300, 1.0, points=2000)
    half = (np.diff(rows, axis=1) ** 2).mean(axis=1) / 2.0
    found = point_noise(rows, np.arange(2000.0)).noise
    assert np.sqrt(half).mean() == pytest.approx(found.mean(), rel=0.02)


@settings(max_examples=25, deadline=None)
@given(coefficients=st.lists(st.floats(-3, 3), min_size=6, max_size=6))
def test_a_polynomial_of_the_fifth_degree_is_no_noise(coefficients):
    x = np.linspace(-1, 1, 200)
    curve = np.polynomial.Polynomial(coefficients)(x)
    own = drawn(1, 0.01, points=200)
    with_curve, without = (point_noise(each, GRID[:200]).noise[0] for each in (own + curve, own))
    assert with_curve == pytest.approx(without, rel=1e-3, abs=1e-9)


@pytest.mark.parametrize("period", [8, 12, 20, 50])
def test_fringes_are_no_noise(period):
    rows = 90 + 2.0 * np.sin(2 * np.pi * GRID / period) + drawn(100, 0.05, points=600)
    assert point_noise(rows, GRID).noise.mean() == pytest.approx(0.05, rel=0.05)


def test_spikes_edges_and_missing_values_hardly_count():
    rows = 90 + drawn(100, 0.05, points=600)
    rows[:, ::197] += 5.0
    rows[:, 300:] -= 60.0
    rows[:, 100:140] = np.nan
    assert point_noise(rows, GRID).noise.mean() == pytest.approx(0.05, rel=0.1)
    assert np.isnan(point_noise(np.full((2, 600), np.nan), GRID).noise).all()
    assert np.isnan(point_noise(rows[:, :15], GRID[:15]).noise).all()


@pytest.mark.parametrize(
    ("weights", "factor"),
    [([-3, 12, 17, 12, -3], 17 / 35), ([-2, 3, 6, 7, 6, 3, -2], 7 / 21), ([1, 1, 1], 1 / 3)],
)
def test_smoothed_noise_is_seen_as_shared(weights, factor):
    """Variance left by quadratic smoothing over 5 and 7 points and by a mean of 3 points.

    From the coefficients of A. Savitzky and M. J. E. Golay, Analytical Chemistry 36 (1964) 1627.
    """
    kernel = np.array(weights) / np.sum(weights)
    rows = [np.convolve(row, kernel, "valid") for row in drawn(150, 1.0, points=700)]
    values = np.array(rows)
    x = np.arange(float(values.shape[1]))
    found = shared_noise(values, x)
    assert (found.points > 1).mean() > 0.98
    assert found.noise.mean() == pytest.approx(factor**0.5, rel=0.2)
    assert point_noise(values, x).noise.mean() < 0.6 * factor**0.5  # neighbours do not show it


def test_independent_noise_is_not_seen_as_shared():
    found = shared_noise(drawn(1000, 1.0, points=500), np.arange(500.0))
    assert (found.points > 1).mean() < 0.02


def test_every_region_has_its_figure():
    values = 90 + drawn(40) * np.where(NM >= 860, 3, 1)
    _, figures = said(values)
    assert len(figures) == 120
    spans = [(each.start, each.stop) for _, each in figures if _ == 0]
    assert spans == [(300.0, 349.0), (350.0, 859.0), (860.0, 1300.0)]
    for start, expected in ((350.0, 0.05), (860.0, 0.15)):
        sizes = [each for _, each in figures if each.start == start]
        inside = [abs(each.value - expected) <= each.uncertainty for each in sizes]
        assert np.mean(inside) >= 0.85
        assert np.mean([each.value for each in sizes]) == pytest.approx(expected, rel=0.03)


@pytest.mark.parametrize("at_nm", [303.0, 312.0, 1297.0])
def test_a_region_of_a_few_points_has_no_figure(at_nm):
    known = Circumstances(changeovers=(ChangeOver(at_nm, "header"),))
    findings, figures = said(90 + drawn(3), known)
    assert not findings
    assert len(figures) == 3
    assert not said(90 + drawn(3), known, check=noisesteps.check)[0]


def test_noise_far_above_the_usual_is_remarked_with_its_size():
    findings, _ = said(90 + drawn(20, 0.25), replace(HERE, usual_noise=(USUAL,)))
    assert len(findings) == 20
    _, one = findings[0]
    assert (one.severity, one.start, one.stop) == (Severity.REMARK, 350.0, 859.0)
    assert "times the usual 0.05 %T of 20 earlier scans" in one.text
    assert one.value == pytest.approx(0.25, rel=0.2)


@pytest.mark.parametrize(
    "usual",
    [
        replace(USUAL, scans=5),
        replace(USUAL, unit="A"),
        replace(USUAL, start_nm=700.0),
        replace(USUAL, median=0.1),
    ],
)
def test_nothing_is_said_without_a_usual_noise_to_compare_with(usual):
    assert not said(90 + drawn(5, 0.25), replace(HERE, usual_noise=(usual,)))[0]


def test_usual_noise_raises_no_alarm_whatever_the_spectrum():
    known = replace(
        KNOWN,
        changeovers=HERE.changeovers,
        usual_noise=(
            UsualNoise(350, 859, 0.03, 0.003, 20, "%T"),
            UsualNoise(860, 2700, 0.08, 0.008, 20, "%T"),
        ),
    )
    raised = rows = 0
    for shape in SHAPES:
        spectra = simulated(shape, 300, 5, DETECTORS["0.001 %T"])
        for check in (noises.check, noisesteps.check):
            found = check(Subject(spectra, [known] * len(spectra), LIMITS))
            raised += sum(isinstance(each, Finding) for _, each in found)
        rows += len(spectra)
    expected = 2 * rows * share(LIMITS)
    assert raised <= expected + 3 * expected**0.5


def test_narrow_fringes_are_not_called_noise():
    values = 90 + 3 * np.sin(2 * np.pi * NM / 5) + drawn(10)
    assert not said(values, replace(HERE, usual_noise=(USUAL,)))[0]


def test_noise_of_a_dense_part_in_absorbance_is_not_held_against_that_of_a_clear_one():
    usual = replace(USUAL, unit="A", median=0.001, spread=0.0001)
    known = replace(HERE, usual_noise=(usual,))
    assert len(said(0.1 + drawn(5, 0.005), known, unit="A")[0]) == 5
    assert not said(1.5 + drawn(5, 0.005), known, unit="A")[0]


def wanting(uncertainty, start=400.0, stop=700.0, unit="%T", **more):
    wanted = Wanted("leak", start, stop, uncertainty, 2.0, unit)
    return replace(HERE, wanted=(wanted,), **more)


def test_a_point_decided_by_noise_is_a_remark_and_a_mean_a_doubt():
    values = 90 + drawn(10)
    assert not said(values, wanting(0.2))[0]
    remarks, _ = said(values, wanting(0.05))
    assert {each.severity for _, each in remarks} == {Severity.REMARK}
    assert len(remarks) == 10
    doubts, _ = said(values, wanting(0.002))
    assert {each.severity for _, each in doubts} == {Severity.DOUBT}
    assert all((each.start, each.stop) == (400.0, 700.0) for _, each in remarks + doubts)


def test_the_mean_gains_less_where_neighbours_share_their_noise():
    white = drawn(20, 0.05, points=NM.size + 8)
    smooth = np.lib.stride_tricks.sliding_window_view(white, 9, axis=1).mean(axis=2)
    # 301 points of 0.0167 each: 0.00096 if independent, 0.0029 because nine are alike
    doubts, _ = said(90 + smooth, wanting(0.003))
    assert np.mean([each.severity == Severity.DOUBT for _, each in doubts]) >= 0.9
    assert all("neighbouring points share their noise" in each.text for _, each in doubts)


def test_little_light_is_told_with_the_density_that_it_hides():
    """Noise of 0.02 %T hides what lies above -log10(3 * 0.0002) = 3.2 in density."""
    values = 0.001 + drawn(10, 0.02)
    findings, _ = said(values, wanting(0.1, unit="A"))
    assert len(findings) == 10
    assert {each.severity for _, each in findings} == {Severity.DOUBT}
    assert np.mean(["no density above 3.2" in each.text for _, each in findings]) >= 0.5
    assert all("hardly falls with the light" in each.text for _, each in findings)


@pytest.mark.parametrize(
    ("unit", "wanted", "uncertainty", "told"),
    [
        ("T", "%T", 0.05, True), ("T", "%T", 0.5, False),
        ("%R", "R", 0.0005, True), ("%T", "%R", 0.0005, False), ("%T", "nm", 0.0005, False),
        ("%T", "A", 0.0002, True), ("%T", "A", 0.002, False),
    ],
)  # fmt: skip
def test_a_wanted_uncertainty_is_taken_in_its_own_unit(unit, wanted, uncertainty, told):
    values = (90 + drawn(3)) * (0.01 if unit in ("T", "R") else 1.0)
    assert bool(said(values, wanting(uncertainty, unit=wanted), unit=unit)[0]) is told


def test_noise_of_absorbance_is_taken_as_light_where_light_is_asked_for():
    """0.001 in A at A = 1 is 0.1 * ln(10) * 0.001 = 0.023 %T."""
    values = 1.0 + drawn(10, 0.001)
    assert len(said(values, wanting(0.03, unit="%T"), unit="A")[0]) == 10
    assert not said(values, wanting(0.08, unit="%T"), unit="A")[0]


def test_the_noisier_of_two_regions_counts():
    values = 90 + drawn(10) * np.where(NM >= 860, 5, 1)
    findings, _ = said(values, wanting(0.12, start=800.0, stop=900.0))
    assert len(findings) == 10
    assert all(each.value == pytest.approx(0.25, rel=0.7) for _, each in findings)


@pytest.mark.parametrize(("ratio", "scans"), [(1.5, 3), (2.0, 4), (3.0, 9), (10.0, 100)])
def test_averages_go_with_the_square(ratio, scans):
    assert gained(ratio, None).startswith(f"averaging {scans} scans, or {scans} times the time")


def test_slits_are_told_with_gain_and_loss():
    words = gained(4.0, 2.0, averages=2)
    assert "16 scans of 2 each" in words
    assert "opening both slits 2 times" in words
    assert "and 4 times where that of the light does" in words
    assert "a bandwidth of 4 nm and 8 nm instead of 2 nm" in words
    assert "square of the bandwidth" in words
    assert "resolution is lost" in words
    assert "would leave no spectrum" in gained(20.0, 2.0)
    assert "more than anybody has" in gained(50.0, None)
    assert "no light is left" in gained(float("inf"), 2.0)


def test_the_bandwidth_is_that_of_the_stretch():
    ranges = (Range(300.0, 380.0, 1.0), Range(380.0, 1300.0, 3.0))
    findings, _ = said(90 + drawn(1), wanting(0.03, ranges=ranges))
    assert "instead of 3 nm" in findings[0][1].advice


def test_noise_that_changes_at_a_change_over_is_remarked_if_it_is_much():
    jumping = 90 + drawn(20) * np.where(NM >= 860, 12, 1)
    findings, _ = said(jumping, check=noisesteps.check)
    assert len(findings) == 20
    assert {(each.severity, each.at) for _, each in findings} == {(Severity.REMARK, 860.0)}
    assert np.median([each.value for _, each in findings]) == pytest.approx(12, rel=0.2)
    usual = (replace(USUAL), UsualNoise(860, 1300, 0.6, 0.06, 20, "%T"))
    assert not said(jumping, replace(HERE, usual_noise=usual), check=noisesteps.check)[0]
    lost = said(90 + drawn(20), replace(HERE, usual_noise=usual), check=noisesteps.check)[0]
    assert len(lost) == 20
    assert "usually it is 12 times there" in lost[0][1].text


def test_noise_of_an_absorbance_band_is_that_of_its_light():
    """Noise of the light is the same everywhere; that of the absorbance is not, by far."""
    rng, rows = np.random.default_rng(3), 1500
    place, width = rng.uniform(400, 900, (rows, 1)), rng.uniform(15, 60, (rows, 1))
    density = 0.04 + rng.uniform(3, 4, (rows, 1)) * np.exp(-(((NM - place) / width) ** 2))
    light = 10**-density + 1e-4 * rng.standard_normal(density.shape)
    values = -np.log10(np.clip(light, 1e-6, None))
    findings, _ = said(values, HERE, check=noisesteps.check, unit="A")
    assert len(findings) <= 3


def test_noise_of_light_that_changes_is_told_of_an_absorbance_too():
    light = 0.01 + drawn(20, 1e-4) * np.where(NM >= 860, 12.0, 1.0)
    findings, _ = said(-np.log10(light), HERE, check=noisesteps.check, unit="A")
    told = [each for _, each in findings if each.at == 860.0]
    assert len(told) == 20
    assert np.median([each.value for each in told]) == pytest.approx(12.0, rel=0.15)
    assert all("% of full scale as light above" in each.text for each in told)


def test_noise_of_absorbance_at_an_edge_is_that_of_less_light():
    light = np.where(NM >= 860, 1.0, 50.0) + drawn(20, 0.02)
    assert not said(-np.log10(light / 100), check=noisesteps.check, unit="A")[0]


def test_a_number_depends_on_its_own_spectrum_only():
    values = 90 + drawn(30, 0.25)
    values[4, ::50] = np.nan
    known = wanting(0.05, usual_noise=(USUAL,))
    together = said(values, known)
    for row in (0, 4, 29):
        for mine, everyone in zip(said(values[row], known), together, strict=True):
            assert [each for _, each in mine] == [each for at, each in everyone if at == row]
