"""The budget of false alarms: how it is shared, and that nothing raises more than its share."""

from collections import Counter

import numpy as np
import pytest
from scipy.stats import binom, norm

from speclake.checks import Check
from speclake.fitness import Circumstances, examine, falsealarms, physical, spikes
from speclake.fitness.circumstances import ChangeOver, UsualNoise
from speclake.fitness.subject import Subject
from speclake.measurement import Kind, Range
from speclake.settings import Fitness
from speclake.spectrum import SpectrumSet
from tests.fitness.simulated import DETECTORS, NM, SHAPES, open_spectra, simulated, spectra_of

BUDGET = 1 / 300
SURE = 0.999


def told(detector):
    """What is known of a spectrum in an ordinary lab, with the noise that its detectors have."""
    return Circumstances(
        kind=Kind.PART,
        instrument="bench A",
        accessory="straight beam",
        last_digit=None if detector.decimals is None else 10.0**-detector.decimals,
        ranges=(Range(300.0, 860.0, 2.0, 1.0), Range(860.0, 2700.0, 4.0, 1.0)),
        changeovers=(ChangeOver(350.0, "settings"), ChangeOver(860.0, "header")),
        usual_noise=(
            UsualNoise(300.0, 860.0, detector.visible, 0.1 * detector.visible, 50, "%T"),
            UsualNoise(860.0, 2700.0, detector.infrared, 0.1 * detector.infrared, 50, "%T"),
        ),
    )


def alarms(detector, n, seed=1):
    """How many of n spectra with nothing wrong have a finding, by check and in all."""
    found: Counter[str] = Counter()
    looked_at = 0
    for number, shape in enumerate(SHAPES):
        spectra = simulated(shape, n, seed + number, DETECTORS[detector])
        for one in examine(spectra, [told(DETECTORS[detector])] * n, Fitness()):
            checks = {finding.check for finding in one.findings}
            found.update(checks)
            found["any"] += bool(checks)
            looked_at += 1
    return found, looked_at


# arithmetic


def test_the_budget_is_shared_over_detectors_scans_and_looks():
    limits = Fitness(false_alarms_a_day=2.0, scans_a_day=100)
    assert falsealarms.share(limits) == pytest.approx(0.02 / 8)
    for looks in (1, 10, 2401):
        # Bonferroni's inequality; quantiles of the normal distribution by another library
        chance = falsealarms.share(limits) / looks
        assert falsealarms.threshold(limits, looks) == pytest.approx(norm.isf(chance / 2))


def test_the_thresholds_of_normal_noise_keep_the_budget():
    limits = Fitness(false_alarms_a_day=30.0)
    noise = np.random.default_rng(3).standard_normal((20_000, 50))
    alarms = int((np.abs(noise).max(axis=1) > falsealarms.threshold(limits, 50)).sum())
    low, high = binom.ppf([1 - SURE, SURE], 20_000, falsealarms.share(limits))
    assert low <= alarms <= high


# simulated spectra


@pytest.mark.parametrize("detector", DETECTORS)
def test_spectra_with_nothing_wrong_keep_the_budget(detector):
    found, looked_at = alarms(detector, 250)
    assert looked_at == 1500
    assert found["any"] <= binom.ppf(SURE, looked_at, BUDGET), found
    for check in (Check.SPIKE, Check.OFFSET):
        assert found[check] <= binom.ppf(SURE, looked_at, falsealarms.share(Fitness())), found


def test_the_count_of_false_alarms_would_notice_a_threshold_that_is_too_low():
    limits = Fitness(false_alarms_a_day=3000.0)
    spectra = simulated("flat", 300, 4)
    examined = examine(spectra, [told(DETECTORS["0.001 %T"])] * 300, limits)
    noticed = sum(bool(one.findings) for one in examined)
    assert noticed > binom.ppf(SURE, 300, BUDGET)


@pytest.mark.parametrize("unit", ["A", "R", "%R", "log(1/R)"])
def test_other_units_keep_the_budget_too(unit):
    rng = np.random.default_rng(6)
    light = np.abs(
        np.exp(-(((NM - 1500) / 400) ** 2)) * 0.9 + 0.002 + 2e-4 * rng.normal(size=(400, NM.size))
    )
    values = {"A": -np.log10(light), "log(1/R)": -np.log10(light), "%R": 100 * light, "R": light}
    known = Circumstances(ranges=(Range(300.0, 2700.0, 2.0, 1.0),), last_digit=None)
    examined = examine(spectra_of(values[unit], unit), [known] * 400, Fitness())
    assert sum(bool(one.findings) for one in examined) <= binom.ppf(SURE, 400, BUDGET)


# receiver operating curves


def spiked(values, rng):
    at = rng.integers(20, 540, len(values))
    values[np.arange(len(values)), at] += 9 * 0.2 * rng.choice([-1, 1], len(values))


def lowered(values, rng):
    values[:, 300:500] = 0.2 * (rng.standard_normal((len(values), 200)) - 0.75)


@pytest.mark.parametrize(
    ("check", "damage"), [(spikes.spikes, spiked), (physical.offset_below_zero, lowered)]
)
@pytest.mark.parametrize("shape", ["flat", "edge"])
def test_a_larger_budget_finds_more_and_its_false_alarms_stay_within_it(check, damage, shape):
    n, curve = 600, []
    for budget in (1.0, 30.0, 600.0):
        limits = Fitness(false_alarms_a_day=budget)
        sound = simulated(shape, n, 21, DETECTORS["noisy, as computed"])
        wrong = sound.values.copy()
        damage(wrong, np.random.default_rng(22))
        rows = [
            len({row for row, _ in check(Subject(spectra_of(each), [Circumstances()] * n, limits))})
            for each in (sound.values, wrong)
        ]
        assert rows[0] <= binom.ppf(SURE, n, falsealarms.share(limits))
        curve.append(rows)
    found = [each for _, each in curve]
    assert found == sorted(found)
    assert found[0] > 0.35 * n
    assert found[-1] > 0.7 * n


# real spectra


def test_doubts_of_real_open_spectra_are_those_that_others_see_too():
    # JCAMP-DX test collections, public domain. Of these, values beyond 100 % are read by a second
    # parser too, and the vapour of the beam shows its single lines: see test_purge.py
    seen = {
        (name, finding.check)
        for name, each in open_spectra()
        for finding in examine(SpectrumSet.of([each]), [Circumstances()], Fitness())[0].findings
        if finding.severity == "doubt"
    }
    assert {check for _, check in seen} <= {Check.BEYOND, Check.WATER}
    assert ("ir_polystyrene", Check.BEYOND) in seen
    assert not any(name.startswith("uvvis") for name, _ in seen)
