"""Baselines that are old or measured otherwise, and lines that are not flat."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from scipy import stats

from speclake.checks import Check, Severity
from speclake.fitness.baselines import GUESSED, check_baselines, check_lines
from speclake.fitness.circumstances import Against, Circumstances, LineOff
from speclake.fitness.falsealarms import share
from speclake.fitness.findings import Figure, Finding
from speclake.fitness.subject import Subject
from speclake.measurement import Correction, Kind, Range
from speclake.settings import Fitness
from speclake.spectrum import Axis, SpectrumSet

AT = np.arange(200.0, 1100.0)
SCANNED = datetime(2026, 3, 10, 12, 0, tzinfo=UTC)
LIMITS = Fitness()


def found(check, values=None, unit="%T", limits=LIMITS, at=AT, axis_unit="nm", **known):
    values = np.atleast_2d(np.full(at.size, 90.0) if values is None else values)
    spectra = SpectrumSet(
        Axis(at, axis_unit, "vacuum" if axis_unit == "eV" else None),
        values,
        unit,
        tuple(str(i) for i in range(len(values))),
    )
    each = Circumstances(taken_at=SCANNED, **known)
    return list(check(Subject(spectra, [each] * len(values), limits)))


def findings(*args, **known) -> list[Finding]:
    return [said for _, said in found(*args, **known) if isinstance(said, Finding)]


def blank(hours=1.0, evidence="header", **changes) -> Against:
    facts = {
        "role": "baseline",
        "name": "blank 7",
        "evidence": evidence,
        "taken_at": SCANNED - timedelta(hours=hours),
    }
    return Against(**(facts | changes))


# age


@pytest.mark.parametrize(("hours", "told"), [(23.9, 0), (24.1, 1)])
def test_baseline_of_the_header_is_in_doubt_when_it_is_too_old(hours, told):
    said = findings(check_baselines, baseline_at=SCANNED - timedelta(hours=hours))
    assert len(said) == told
    for each in said:
        assert (each.check, each.severity) == (Check.BASELINE, Severity.DOUBT)
        assert (each.value, each.unit) == (pytest.approx(24.1), "h")
        assert "24.1 h old" in each.text


def test_reference_that_is_too_old_is_named():
    (said,) = findings(check_baselines, against=(blank(30, role="reference", name="mirror 3"),))
    assert said.check is Check.REFERENCE
    assert "reference mirror 3 was 30.0 h old" in said.text


def test_baseline_after_the_scan_is_in_doubt_beyond_the_step_of_a_clock():
    (said,) = findings(check_baselines, baseline_at=SCANNED + timedelta(hours=2))
    assert "taken 2.0 h after this was measured" in said.text
    assert findings(check_baselines, baseline_at=SCANNED + timedelta(minutes=1)) == []


def test_nobody_is_cried_wolf_at_for_a_baseline_that_nobody_states():
    assert findings(check_baselines) == []
    assert findings(check_baselines, against=(blank(40, GUESSED),)) == []


def test_laboratory_that_wants_baselines_told_is_told_where_none_is():
    wanted = Fitness(baseline_needed=True)
    (said,) = findings(check_baselines, limits=wanted)
    assert (said.check, said.severity) == (Check.BASELINE, Severity.REMARK)
    assert findings(check_baselines, limits=wanted, baseline_at=SCANNED) == []
    assert findings(check_baselines, limits=wanted, kind=Kind.BLANK) == []
    # the latest blank stands in for it, and can only be remarked upon
    (said,) = findings(check_baselines, limits=wanted, against=(blank(40, GUESSED),))
    assert (said.severity, said.value) == (Severity.REMARK, 40.0)


# lines since

OFF = LineOff(350.0, 0.5, 0.05)


def test_blank_that_lay_off_is_remarked_on_what_came_after_it():
    (said,) = findings(check_baselines, against=(blank(2, GUESSED, line=OFF),))
    assert (said.check, said.severity) == (Check.BASELINE, Severity.REMARK)
    assert (said.value, said.uncertainty, said.at) == (0.5, 0.05, 350.0)
    assert "blank 7, taken 2.0 h before this, lay +0.50 %" in said.text


def test_blank_since_the_baseline_of_the_scan_puts_it_in_doubt():
    # taken with the same baseline, 2 h before the scan and 1 h after the baseline
    facts = {"against": (blank(2, GUESSED, line=OFF),)}
    (said,) = findings(check_baselines, baseline_at=SCANNED - timedelta(hours=3), **facts)
    assert said.severity is Severity.DOUBT
    # the baseline was renewed since
    (said,) = findings(check_baselines, baseline_at=SCANNED - timedelta(hours=1), **facts)
    assert said.severity is Severity.REMARK
    (said,) = findings(check_baselines, against=(blank(2, "run sheet", line=OFF),))
    assert said.severity is Severity.DOUBT


@pytest.mark.parametrize(
    ("hours", "line"),
    [
        (2, LineOff(350.0, 0.34, 0.05)),  # its uncertainty reaches the limit of 0.3
        (2, LineOff(1500.0, 0.5, 0.05)),  # where this scan does not go
        (30, OFF),  # an older one says nothing of the baseline of today
        (-1, OFF),  # not before it
    ],
)
def test_line_that_says_nothing_of_a_scan_is_not_told(hours, line):
    assert findings(check_baselines, against=(blank(hours, GUESSED, line=line),)) == []


# sample against reference


def test_range_beyond_that_of_the_baseline_is_in_doubt_there():
    (said,) = findings(check_baselines, against=(blank(first_nm=250.0, last_nm=1099.0),))
    assert (said.check, said.severity) == (Check.REFERENCE, Severity.DOUBT)
    assert (said.start, said.stop) == (200.0, 248.0)
    assert "begins at 250 nm" in said.text


def test_place_beyond_the_baseline_is_told_in_the_unit_of_the_axis():
    ev = np.linspace(1.2, 6.0, 900)
    (said,) = findings(
        check_baselines, at=ev, axis_unit="eV", against=(blank(first_nm=150.0, last_nm=900.0),)
    )
    # 1239.842 / 900 = 1.3776 eV, CODATA 2018
    assert said.start == 1.2
    assert said.stop == pytest.approx(1.3776, abs=0.02)


@pytest.mark.parametrize(
    ("mine", "other", "word", "severity"),
    [
        (Range(200, 800, 1.0), Range(300, 900, 2.0), "bandwidth of 1 nm", Severity.DOUBT),
        (Range(200, 800, 1.0, 1.0), Range(300, 900, 1.0, 2.0), "interval of 1 nm", Severity.REMARK),
        (
            Range(200, 800, 1.0, 1.0, 0.1),
            Range(300, 900, 1.0, 1.0, 0.4),
            "response of 0.1 s",
            Severity.REMARK,
        ),
    ],
)
def test_settings_unlike_those_of_the_reference_are_told_where_both_measured(
    mine, other, word, severity
):
    (said,) = findings(check_baselines, ranges=(mine,), against=(blank(ranges=(other,)),))
    assert (said.check, said.severity) == (Check.REFERENCE, severity)
    assert word in said.text
    assert (said.start, said.stop) == (300.0, 800.0)


def test_settings_that_are_alike_or_unknown_are_not_told():
    mine = (Range(200, 800, 1.0, None, 0.1),)
    for other in (Range(200, 800, 1.04), Range(200, 800), Range(900, 1000, 4.0)):
        assert findings(check_baselines, ranges=mine, against=(blank(ranges=(other,)),)) == []


# lines


def line(level, seed=1, n=1, rms=0.05):
    return level + rms * np.random.default_rng(seed).standard_normal((n, AT.size))


@pytest.mark.parametrize(
    ("kind", "level", "name"), [(Kind.BLANK, 100, "100 % line"), (Kind.ZERO_LINE, 0, "0 % line")]
)
def test_line_that_lies_off_is_told_with_its_place_and_size(kind, level, name):
    values = line(level)
    values[0, 400:440] += 0.5
    said = found(check_lines, values, kind=kind)
    ((_, figure), (_, finding)) = said
    assert isinstance(figure, Figure)
    assert (figure.name, figure.unit) == ("line", "%")
    assert figure.value == finding.value
    assert finding.check is Check.LINE
    assert finding.value == pytest.approx(0.5, abs=2 * finding.uncertainty)
    assert (finding.start, finding.stop) == (600.0, 639.0)
    assert name in finding.text
    assert "2 of 45 stretches" in finding.text


def test_flat_line_has_its_figure_only():
    ((_, said),) = found(check_lines, line(100.1), kind=Kind.BLANK)
    assert isinstance(said, Figure)
    assert 0.1 < said.value < 0.2


def test_line_of_fractions_and_of_absorbances_is_the_same_line():
    values = line(100.6)
    for unit, other in (("T", values / 100), ("A", -np.log10(values / 100))):
        (said,) = findings(check_lines, other, unit=unit, kind=Kind.BLANK)
        assert said.value == pytest.approx(0.6, abs=0.1)


def test_absorbance_of_a_blocked_beam_has_no_level():
    noise = np.abs(line(0))
    assert found(check_lines, -np.log10(noise / 100), unit="A", kind=Kind.ZERO_LINE) == []


def test_reflectance_of_a_certified_standard_is_no_line():
    values = line(88.0)
    for correction in (Correction.TIMES_CERTIFICATE, Correction.ABSOLUTE, None):
        said = found(check_lines, values, unit="%R", kind=Kind.BLANK, correction=correction)
        assert said == []
    said = findings(
        check_lines, values, unit="%R", kind=Kind.BLANK, correction=Correction.RAW_RATIO
    )
    assert len(said) == 1


def test_other_kinds_have_no_line():
    for kind in Kind:
        if kind not in (Kind.BLANK, Kind.ZERO_LINE):
            assert found(check_lines, line(90), kind=kind) == []


def test_missing_values_are_left_out_of_a_line():
    values = line(100)
    values[0, 100:160] = np.nan
    values[0, 300] = np.nan
    values[0, 700:740] += 0.6
    (said,) = findings(check_lines, values, kind=Kind.BLANK)
    assert (said.start, said.stop) == (900.0, 939.0)
    assert found(check_lines, np.full((1, AT.size), np.nan), kind=Kind.BLANK) == []


def test_flat_lines_at_their_limit_raise_alarms_within_their_share():
    # a line that lies off by just the limit is still good; noise alone must not push it over
    values = line(100.3, seed=2, n=3000)
    alarms = len(findings(check_lines, values, kind=Kind.BLANK))
    assert alarms <= stats.binom.ppf(0.9999, 3000, share(LIMITS))


def test_line_off_by_half_as_much_again_is_always_found():
    values = line(100.45, seed=3, n=300)
    assert len(findings(check_lines, values, kind=Kind.BLANK)) == 300
