"""Noise, and numbers taken after smoothing, through specifications."""

import numpy as np
import pytest

from speclake.errors import BadSettings
from speclake.judging import Conditions, explain, judge
from speclake.judging.conditions import Bandwidth
from speclake.quantities import maximum, rms_noise, smoothed, value_at
from speclake.quantities.places import Place
from speclake.specs import Outcome, Specification
from speclake.spectrum import Axis, SpectrumSet

GRID = np.arange(400.0, 701.0)
NOISY = 90 + np.random.default_rng(4).normal(0, 0.2, GRID.size)
SMOOTHED = "after_smoothing = { window = 10, degree = 2 }"


def specification(lines: str) -> Specification:
    text = f'name = "s"\n[[requirement]]\nid = "r"\n{lines}\n'
    return Specification.from_toml_text(text, "s.toml")


def spectra_of(rows, unit="%T"):
    rows = np.atleast_2d(rows)
    return SpectrumSet(Axis(GRID, "nm"), rows, unit, tuple(f"m{i}" for i in range(len(rows))))


def verdict_of(lines: str, values=NOISY, unit="%T", **conditions):
    (verdict,) = judge(spectra_of(values, unit), specification(lines), [Conditions(**conditions)])
    return verdict


def test_noise_and_its_sentence():
    lines = 'what = "noise"\nunit = "%T"\nband = [450, 550]\ndegree = 1\nat_most = 0.5'
    verdict = verdict_of(lines)
    expected = rms_noise(spectra_of(NOISY), Place(low=450, high=550), 1).value[0]
    assert verdict.value == expected
    assert explain(verdict).startswith(
        "Rms noise of transmittance (without a polynomial of degree 1) from 450 nm to 550 nm, at "
        "most 0.5 %T: found 0.2"
    )
    assert verdict.outcome is Outcome.PASS


def test_a_number_after_smoothing_says_so():
    lines = f'what = "maximum"\nunit = "%T"\nband = [450, 550]\nat_most = 90.3\n{SMOOTHED}'
    verdict = verdict_of(lines)
    expected = maximum(smoothed(spectra_of(NOISY), 10, 2), 450, 550)
    assert (verdict.value, verdict.at) == (expected.value[0], expected.at[0])
    assert explain(verdict).startswith(
        "Maximum transmittance from 450 nm to 550 nm after smoothing over 10 nm, degree 2, at most "
    )
    plain = verdict_of(lines.replace(SMOOTHED, ""))
    assert plain.value == NOISY[50:151].max()
    assert plain.value > verdict.value
    assert "smoothing" not in plain.description


def test_smoothing_is_done_in_the_unit_of_the_requirement():
    lines = f'what = "value"\nunit = "A"\nat = 500.5\nat_most = 1\n{SMOOTHED}'
    verdict = verdict_of(lines)
    absorbance = spectra_of(-np.log10(NOISY / 100), "A")
    expected = value_at(smoothed(absorbance, 10, 2), 500.5).value[0]
    assert verdict.value == pytest.approx(expected, rel=1e-12)
    assert verdict.reason == "converted from %T to A"


def test_a_constant_after_smoothing_meets_its_own_limit():
    lines = f'what = "mean"\nunit = "%T"\nband = [450, 550]\nat_least = 90.1\n{SMOOTHED}'
    verdict = verdict_of(lines, np.full(GRID.size, 90.1))
    assert (verdict.value, verdict.outcome) == (90.1, Outcome.PASS)


def test_shapes_and_edges_are_taken_after_smoothing_too():
    lines = 'what = "ripple"\ndefinition = "peak to valley"\nof = "%T"\nunit = "%T"\n'
    lines += "band = [450, 550]\nat_most = 5\n"
    smooth, plain = verdict_of(lines + SMOOTHED), verdict_of(lines)
    inside = smoothed(spectra_of(NOISY), 10, 2).values[0, 50:151]
    assert smooth.value == pytest.approx(np.ptp(inside), rel=1e-12)
    assert smooth.value < plain.value


@pytest.mark.parametrize(
    ("band", "window", "said"),
    [
        ("[402, 500]", 10, "the value at 402 nm is missing; a smoothed value needs"),
        ("[450, 500]", 2, "the value at 450 nm is missing; a smoothed value needs"),
        ("[390, 500]", 10, "does not cover"),
    ],
)
def test_what_has_no_smoothed_value_is_not_measurable(band, window, said):
    lines = f'what = "mean"\nunit = "%T"\nband = {band}\nat_least = 1\n'
    verdict = verdict_of(lines + f"after_smoothing = {{ window = {window}, degree = 2 }}")
    assert verdict.outcome is Outcome.NOT_MEASURABLE
    assert said in verdict.reason


def test_what_the_instrument_smoothed_is_another_question():
    lines = f'what = "mean"\nunit = "%T"\nband = [450, 550]\nat_least = 1\n{SMOOTHED}'
    assert verdict_of(lines, smoothed=True).outcome is Outcome.NOT_MEASURABLE
    assert verdict_of(lines, smoothed=False).outcome is Outcome.PASS


def test_a_verdict_depends_on_its_own_spectrum_only():
    rows = 90 + np.random.default_rng(6).normal(0, 0.2, (600, GRID.size))
    spec = specification(
        f'what = "minimum"\nunit = "%T"\nband = [450, 550]\nat_least = 1\n{SMOOTHED}'
    )
    together = judge(spectra_of(rows), spec, [Conditions()] * len(rows))
    for row in (0, 300, 511, 512, 599):
        (alone,) = judge(spectra_of(rows[row]), spec, [Conditions()])
        assert (alone.value, alone.at) == (together[row].value, together[row].at)


def test_smoothing_is_part_of_the_version():
    lines = 'what = "mean"\nunit = "%T"\nband = [450, 550]\nat_least = 1\n'
    plain, smooth = specification(lines), specification(lines + SMOOTHED)
    assert plain.version != smooth.version
    assert Specification.from_json(smooth.to_json()) == smooth


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        (f'what = "noise"\nunit = "A"\nband = [450, 550]\ndegree = 1\n{SMOOTHED}',
         "no after_smoothing with what"),
        (f'what = "optical density"\ndefinition = "mean"\nof = "A"\nunit = "OD"\n'
         f"band = [450, 550]\nlargest_interval = 1\n{SMOOTHED}", "no after_smoothing with what"),
        ('what = "noise"\nunit = "A"\nband = [450, 550]\ndegree = 4', "degree"),
        ('what = "noise"\nunit = "A"\nband = [450, 550]', "degree"),
        ('what = "mean"\nunit = "%T"\nband = [450, 550]\nafter_smoothing = { window = 5 }',
         "degree"),
        ('what = "mean"\nunit = "%T"\nband = [450, 550]\n'
         "after_smoothing = { window = 0, degree = 2 }", "window"),
    ],
)  # fmt: skip
def test_what_contradicts_itself_is_refused(lines, said):
    with pytest.raises(BadSettings, match=said):
        specification(f"{lines}\nat_least = 0")


SLOPE = """\
what = "smallest derivative"
of = "%T"
unit = "%T/nm"
band = [500, 600]
window = 10
degree = 3
largest_interval = 1
largest_bandwidth_nm = 2
at_least = -2.0
"""


def test_the_steepest_fall_of_an_edge():
    edge = 45 * (1 - np.tanh((GRID - 550) / 20))
    narrow = {"bandwidths": (Bandwidth(390, 710, 1.0),)}
    verdict = verdict_of(SLOPE, edge, **narrow)
    # 45/20 per nm where the argument is zero, less what the window of 10 nm takes off
    assert verdict.value == pytest.approx(-2.25, abs=5e-3)
    assert verdict.at == 550.0
    assert explain(verdict).startswith(
        "Smallest derivative of transmittance (polynomial of degree 3 over 10 nm) from 500 nm to "
        "600 nm, at least -2.0 %T/nm: found -2.25 %T/nm at 550 nm, "
    )
    assert verdict.outcome is Outcome.FAIL
    far = verdict_of(SLOPE.replace("[500, 600]", "[402, 600]"), edge, **narrow)
    assert far.outcome is Outcome.NOT_MEASURABLE
    assert "there is no derivative at 402 nm: it needs the spectrum over half" in far.reason


def test_a_derivative_states_its_window_and_is_not_smoothed_before():
    for line in ("window = 10\n", "degree = 3\n", "largest_bandwidth_nm = 2\n"):
        with pytest.raises(BadSettings, match=line.partition(" ")[0]):
            specification(SLOPE.replace(line, ""))
    with pytest.raises(BadSettings, match="no after_smoothing"):
        specification(SLOPE + SMOOTHED)
