"""Spikes and dropouts: found at a stated height, and real lines, edges and fringes left alone."""

import numpy as np
import pytest

from speclake.checks import Check, Severity
from speclake.fitness import Circumstances, spikes
from speclake.fitness.subject import Subject
from speclake.measurement import Range
from speclake.settings import Fitness
from speclake.spectrum import SpectrumSet
from tests.fitness.simulated import DETECTORS, KNOWN, NM, open_spectra, simulated, spectra_of

UNKNOWN = Circumstances()


def oversampled(points: float) -> Circumstances:
    return Circumstances(ranges=(Range(300.0, 2700.0, points, 1.0),))


def said(values, known=KNOWN, check=spikes.spikes, unit="%T"):
    spectra = values if isinstance(values, SpectrumSet) else spectra_of(values, unit)
    return list(check(Subject(spectra, [known] * len(spectra), Fitness())))


def slit_on(points: float, line: np.ndarray) -> np.ndarray:
    """What a slit of triangular band pass, `points` wide at half height, shows of a spectrum."""
    reach = int(np.ceil(points))
    weights = np.clip(1 - np.abs(np.arange(-reach, reach + 1)) / points, 0, None)
    return np.convolve(line, weights / weights.sum(), "same")


# found


@pytest.mark.parametrize("shape", ["flat", "fringes", "absorbing glass"])
@pytest.mark.parametrize(("times_noise", "detected"), [(6, 0.0), (10, 0.45), (14, 0.9)])
def test_spikes_are_found_from_a_stated_height_on(shape, times_noise, detected):
    # receiver operating curve at the threshold of the budget: the false alarms of the same
    # detector are counted in test_falsealarms.py
    detector, n, rng = DETECTORS["noisy, as computed"], 300, np.random.default_rng(8)
    values, at = simulated(shape, n, 9, detector).values.copy(), rng.integers(20, 2380, n)
    noise = np.where(NM[at] < 860, detector.visible, detector.infrared)
    values[np.arange(n), at] += times_noise * noise * rng.choice([-1, 1], n)
    places = {(row, finding.at) for row, finding in said(values)}
    found = np.mean([(row, NM[point]) in places for row, point in enumerate(at)])
    assert found >= detected
    assert times_noise > 6 or found < 0.2


def test_a_spike_tells_place_height_and_what_to_do():
    values = 80 + 0.05 * np.random.default_rng(4).standard_normal(NM.size)
    values[700] += 3.0
    ((row, one),) = said(values)
    assert (row, one.check, one.at, one.unit) == (0, Check.SPIKE, 1000.0, "%T")
    assert one.value == pytest.approx(3.0, abs=0.3)
    assert (one.start, one.stop) == (999.0, 1001.0)
    assert one.severity == Severity.DOUBT
    assert "Scan this stretch again" in one.advice
    ((_, unsure),) = said(values, UNKNOWN)
    assert unsure.severity == Severity.REMARK
    assert "a real line as narrow" in unsure.text


def test_many_spikes_are_told_by_the_five_largest():
    values = 80 + 0.05 * np.random.default_rng(4).standard_normal(NM.size)
    values[100:2300:100] += np.linspace(3, 6, 22)
    told = [finding for _, finding in said(values)]
    assert len(told) == 5
    assert all("22 such in all" in finding.text for finding in told)
    assert min(finding.value for finding in told) > 5


@pytest.mark.parametrize("width", [2, 3])
def test_wider_spikes_are_told_where_the_bandwidth_spans_more(width):
    values = 80 + 0.05 * np.random.default_rng(5).standard_normal((1, NM.size))
    values[0, 700 : 700 + width] -= 2.0
    ((_, one),) = said(values, oversampled(8.0))
    assert one.at in NM[700 : 700 + width]
    assert f"{width} points wide" in one.text
    assert not said(values, oversampled(2.0))


@pytest.mark.parametrize(("points", "width"), [(5.0, 2), (5.0, 3), (6.0, 3), (2.0, 2), (3.0, 3)])
def test_a_wider_spike_is_told_where_it_is_or_not_at_all(points, width):
    """A pulse of two points bends the spectrum most beside itself, the other way."""
    values = 80 + 0.05 * np.random.default_rng(5).standard_normal((200, NM.size))
    values[:, 700 : 700 + width] += 1.5
    found = said(values, oversampled(points))
    assert all(one.at in NM[700 : 700 + width] and one.value > 0 for _, one in found)
    assert len({row for row, _ in found}) >= 195 * (points >= 5.0)


def test_a_spike_in_absorbance_is_told_in_its_unit():
    light = 0.5 + 1e-4 * np.random.default_rng(6).standard_normal(NM.size)
    values = -np.log10(light)
    values[900] += 0.05
    ((_, one),) = said(values, unit="A")
    assert (one.at, one.unit) == (1200.0, "A")
    assert one.value == pytest.approx(0.05, abs=0.001)


# left alone


@pytest.mark.parametrize("points", [2.0, 2.5, 3.0, 5.0, 9.0])
@pytest.mark.parametrize("offset", [0.0, 0.3, 0.5])
def test_the_narrowest_line_that_a_slit_shows_is_no_spike(points, offset):
    fine = np.zeros(NM.size * 10)
    fine[12000 + int(offset * 10)] = 1.0
    line = slit_on(points * 10, fine)[::10]
    values = 90 - 60 * line / line.max() + 0.02 * np.random.default_rng(7).standard_normal(NM.size)
    assert not said(values, oversampled(points))
    assert not said(values, oversampled(points), spikes.dropouts)


@pytest.mark.parametrize("points", [2.0, 3.0, 5.0, 8.0])
@pytest.mark.parametrize("times_noise", [30, 100])
def test_lines_as_narrow_as_the_slit_wherever_between_two_points_are_no_spikes(points, times_noise):
    rng = np.random.default_rng(8)
    at = 1000.0 + rng.uniform(-0.5, 0.5, (600, 1))
    lines = np.clip(1 - np.abs(NM - at) / points, 0, None)  # a line through a triangular slit
    values = 90 + 0.05 * (rng.standard_normal((600, NM.size)) - times_noise * lines)
    assert len(said(values, oversampled(points))) <= 2


def test_a_sharp_edge_through_a_slit_is_neither_spike_nor_dropout():
    for points in (2.0, 4.0, 8.0):
        edge = slit_on(points, np.where(NM < 1000, 0.0, 95.0))[20:-20]
        rows = edge + 0.01 * np.random.default_rng(7).standard_normal((20, edge.size))
        spectra = spectra_of(rows, nm=NM[20:-20])
        assert not said(spectra, oversampled(points))
        assert not said(spectra, oversampled(points), spikes.dropouts)


@pytest.mark.parametrize("height", [0.1, 0.2, 0.3, 0.5, 1.0, 5.0])
def test_a_step_of_a_change_over_is_no_spike(height):
    # it has a check of its own
    rows = 90 + 0.01 * np.random.default_rng(9).standard_normal((300, NM.size))
    assert not said(rows + height * (NM >= 860))


def test_noise_of_high_absorbance_is_no_spike():
    # the logarithm of little light with noise is lopsided: what looks like spikes up is noise
    rng = np.random.default_rng(11)
    light = np.abs(3e-5 + 1e-5 * rng.standard_normal((300, NM.size)))
    assert len(said(-np.log10(light), unit="A")) <= 2


def test_real_open_spectra_have_no_spikes():
    # JCAMP-DX test collections, public domain, tests/data/open_spectra/README.md: gas and liquid
    # bands in the infrared, and ultraviolet absorbance; nobody knows of a spike in them
    looked_at = 0
    for name, spectrum in open_spectra():
        looked_at += 1
        assert not said(SpectrumSet.of([spectrum]), UNKNOWN), name
    assert looked_at > 15


# dropouts


@pytest.mark.parametrize("width", [1, 2, 7, 40])
def test_a_cut_beam_is_steeper_than_the_bandwidth_lets_an_edge_be(width):
    values = 90 + 0.05 * np.random.default_rng(5).standard_normal(NM.size)
    values[1000 : 1000 + width] = 0.0
    ((_, one),) = said(values, oversampled(4.0), spikes.dropouts)
    assert (one.check, one.severity) == (Check.SPIKE, Severity.DOUBT)
    assert (one.start, one.stop) == (NM[999], NM[1000 + width])
    assert not said(values, UNKNOWN, spikes.dropouts)


def test_a_dropout_in_absorbance_is_found_in_light():
    values = np.full(NM.size, 0.05)
    values[1000:1003] = 5.0
    assert len(said(values, oversampled(4.0), spikes.dropouts, "A")) == 1
