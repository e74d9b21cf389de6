"""Coverage, spacing, and what is missing."""

import numpy as np
import pytest

from speclake.checks import Check, Severity
from speclake.fitness import Circumstances, Finding, examine, examining, soundness
from speclake.fitness.subject import Subject
from speclake.measurement import Range
from speclake.settings import Fitness
from speclake.spectrum import Axis, SpectrumSet

NM = np.arange(400.0, 801.0)


def said(check, nm=NM, values=None, known=None, unit="nm"):
    values = np.full((1, len(nm)), 90.0) if values is None else np.atleast_2d(values)
    spectra = SpectrumSet(Axis(np.asarray(nm), unit, "vacuum"), values, "%T", ("a",) * len(values))
    circumstances = [known or Circumstances()] * len(values)
    return [finding for _, finding in check(Subject(spectra, circumstances, Fitness()))]


def ranged(*ranges):
    return Circumstances(ranges=tuple(ranges))


# coverage


def test_a_scan_that_stops_early_is_told_with_what_it_lacks():
    (one,) = said(soundness.coverage, known=ranged(Range(300.0, 600.0), Range(600.0, 800.0)))
    assert (one.check, one.severity) == (Check.COVERAGE, Severity.REMARK)
    assert (one.value, one.at, one.start, one.stop) == (100.0, 400.0, 300.0, 400.0)
    assert "100 nm short of 300 nm" in one.text


def test_both_ends_may_lack_and_the_last_step_may_not_be_whole():
    both = said(soundness.coverage, known=ranged(Range(850.0, 350.0, 2.0, 1.0)))
    assert sorted(one.value for one in both) == [50.0, 50.0]
    assert not said(soundness.coverage, known=ranged(Range(399.5, 800.9, 2.0, 1.0)))
    assert not said(soundness.coverage)


def test_coverage_of_an_axis_in_wavenumbers_is_told_in_its_unit():
    cm1 = np.linspace(12500.0, 25000.0, 500)
    (one,) = said(soundness.coverage, cm1, known=ranged(Range(400.0, 1000.0)), unit="cm-1")
    assert one.at == pytest.approx(12500.0)
    assert one.start == pytest.approx(10000.0)


# spacing


def test_an_interval_unlike_the_stated_one_is_told_by_range():
    known = ranged(Range(400.0, 600.0, 2.0, 1.0), Range(600.0, 800.0, 2.0, 0.5))
    (one,) = said(soundness.spacing, known=known)
    assert (one.check, one.value, one.start, one.stop) == (Check.SPACING, 1.0, 600.0, 800.0)


def test_uneven_steps_are_told_and_grids_of_several_intervals_are_not():
    rng = np.random.default_rng(1)
    (one,) = said(soundness.spacing, NM + rng.uniform(-0.3, 0.3, NM.size))
    assert "differ from those beside them" in one.text
    several = np.r_[np.arange(200.0, 400.0, 0.5), np.arange(400.0, 800.0), np.arange(800, 2500, 5)]
    for calm in (several, 1e7 / np.arange(25000.0, 5000.0, -20.0), NM + 0.05 * rng.random(NM.size)):
        assert not said(soundness.spacing, calm)
        assert not said(soundness.missing_values, calm)


# missing


@pytest.mark.parametrize("count", [1, 2, 99])
def test_points_that_a_regular_grid_lacks_are_counted(count):
    (one,) = said(soundness.missing_values, np.delete(NM, slice(120, 120 + count)))
    assert (one.check, one.severity) == (Check.MISSING, Severity.DOUBT)
    assert (one.value, one.start, one.stop) == (count, 519.0, 520.0 + count)


def test_every_other_point_wider_is_uneven_and_no_row_of_gaps():
    nm = np.cumsum(np.tile([1.0, 1.0, 1.0, 2.0], 100))
    assert not said(soundness.missing_values, nm)
    assert [f.check for f in said(soundness.spacing, nm)] == [Check.SPACING]


def test_missing_values_inside_are_a_doubt_and_at_the_ends_a_remark():
    values = np.full((4, NM.size), 90.0)
    values[0, [10, 50, 51, 52]] = np.nan
    values[1, :20] = np.nan
    values[3] = np.nan
    inside, ends, nothing = said(soundness.missing_values, values=values)
    assert (inside.severity, inside.value, inside.start, inside.stop) == (
        "doubt",
        4.0,
        410.0,
        452.0,
    )
    assert "the longest run has 3, from 450 nm on" in inside.text
    assert (ends.severity, ends.value) == ("remark", 20.0)
    assert (nothing.severity, nothing.text) == ("doubt", "all values are missing")


# all checks


@pytest.mark.parametrize("points", [1, 2, 3, 5, 8, 20, 64, 130])
@pytest.mark.parametrize("unit", ["%T", "T", "%R", "R", "A", "log(1/R)", "%A+S"])
def test_no_check_breaks_on_few_points_missing_values_or_odd_numbers(points, unit):
    rng = np.random.default_rng(points)
    values = rng.normal(1.0, 0.01, (6, points))
    values[1] = np.nan
    values[2, ::2] = np.nan
    values[3] = 0.0
    values[4] = -1e6
    values[5, 0] = 1e300
    spectra = SpectrumSet(Axis(np.arange(points) + 500.0, "nm"), values, unit, tuple("abcdef"))
    known = Circumstances(ranges=(Range(500.0, 700.0, 5.0, 1.0),))
    with np.errstate(over="ignore", invalid="ignore"):  # the squares of 1e300
        examined = examine(spectra, [known] * 6, Fitness())
    assert any(f.check == Check.MISSING for f in examined[1].findings)
    if points > 2:
        assert any(f.check == Check.MISSING for f in examined[2].findings)
    assert not [f.text for one in examined for f in one.findings if f.check == Check.FAILED]


def test_missing_values_do_not_silence_the_other_checks():
    rng = np.random.default_rng(2)
    values = 50 + rng.normal(0, 0.01, (2, NM.size))
    values[:, 100] += 5.0
    values[:, 200] = 130.0
    values[1, 300:305] = np.nan
    spectra = SpectrumSet(Axis(NM, "nm"), values, "%T", ("whole", "holed"))
    whole, holed = examine(spectra, [Circumstances()] * 2, Fitness())
    known = [(f.check, f.at) for f in whole.findings]
    assert known.count((Check.SPIKE, 500.0)) == 1
    assert (Check.BEYOND, 600.0) in known
    assert known == [(f.check, f.at) for f in holed.findings if f.check != Check.MISSING]


def test_what_the_settings_leave_out_is_not_said():
    values = np.full((1, NM.size), np.nan)
    spectra = SpectrumSet(Axis(NM, "nm"), values, "%T", ("a",))
    (one,) = examine(spectra, [Circumstances()], Fitness(without=(Check.MISSING,)))
    assert not any(f.check == Check.MISSING for f in one.findings)


def test_circumstances_that_do_not_match_the_spectra_are_a_mistake():
    spectra = SpectrumSet(Axis(NM, "nm"), np.ones((2, NM.size)), "%T", ("a", "b"))
    with pytest.raises(ValueError, match="1 circumstances for 2 spectra"):
        examine(spectra, [Circumstances()], Fitness())


def test_a_check_that_fails_on_one_scan_says_so_and_still_looks_at_the_others(monkeypatch):
    def frail(subject):
        for row, value in enumerate(subject.spectra.values[:, 0]):
            if value < 0:
                raise ZeroDivisionError("a fault of ours")
            yield row, Finding(check=Check.SPIKE, severity=Severity.REMARK, text="looked at")

    monkeypatch.setattr(examining, "CHECKS", (frail,))
    spectra = SpectrumSet(Axis(NM, "nm"), np.ones((3, NM.size)), "%T", ("a", "b", "c"))
    spectra.values[1] = -1.0
    before, odd, after = examine(spectra, [Circumstances()] * 3, Fitness())
    assert [f.text for one in (before, after) for f in one.findings] == ["looked at"] * 2
    (told,) = odd.findings
    assert (told.check, told.severity) == (Check.FAILED, Severity.DOUBT)
    assert "frail failed on this scan" in told.text and "a fault of ours" in told.text
