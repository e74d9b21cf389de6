"""The shape of a band through specifications: the same numbers as by hand, and its sentence."""

import numpy as np
import pytest

from speclake.errors import BadSettings
from speclake.judging import Conditions, explain, judge
from speclake.specs import Outcome, Specification
from speclake.spectrum import Axis, SpectrumSet

GRID = np.arange(400.0, 701.0)
LINE = 50 + 0.1 * (GRID - 400)

EXPECTED = {
    "average of readings": ('unit = "%T"\nband = [420, 680]\nstep = 10', 65.0),
    "median": ('unit = "%T"\nband = [420, 680]', 65.0),
    "ripple": ('definition = "peak to valley"\nof = "%T"\nunit = "%T"\nband = [420, 680]', 26.0),
    "slope": ('definition = "end to end"\nof = "%T"\nunit = "%T/nm"\nband = [420, 680]', 0.1),
    "share above level": ('level = 65\nof = "%T"\nunit = "%"\nband = [420, 680]', 50.0),
    "fitted value": ('unit = "%T"\nat = 551.5\nhalf_width = 5\ndegree = 2', 65.15),
    "distance to mask": ('unit = "%T"\nband = [420, 680]\nlower = [[420, 50], [680, 75]]', 2.0),
}


def verdict_of(what: str, more: str, limits: str):
    text = f'name = "s"\n[[requirement]]\nid = "r"\nwhat = "{what}"\n{more}\n{limits}\n'
    spectra = SpectrumSet(Axis(GRID, "nm"), np.array([LINE]), "%T", ("m",))
    (verdict,) = judge(spectra, Specification.from_toml_text(text, "s.toml"), [Conditions()])
    return verdict


@pytest.mark.parametrize("what", EXPECTED)
def test_a_straight_line_has_the_number_that_it_must_have(what):
    more, expected = EXPECTED[what]
    verdict = verdict_of(what, more, f"at_least = {expected}\nat_most = {expected}")
    assert verdict.value == expected
    assert verdict.outcome is Outcome.PASS, explain(verdict)


def test_the_sentence_of_a_mask_names_the_deciding_place():
    verdict = verdict_of("distance to mask", EXPECTED["distance to mask"][0], "at_least = 3")
    assert explain(verdict) == (
        "Distance of transmittance to the lower curve of the mask from 420 nm to 680 nm, at least "
        "3 %T: found 2.0 %T at 420 nm, 1.0 %T outside the limit: fail, "
        "because it lies below the lower limit."
    )


@pytest.mark.parametrize(
    ("what", "more", "said"),
    [
        ("average of readings", 'unit = "%T"\nband = [420, 680]\nstep = 7', "whole number"),
        ("ripple", 'of = "%T"\nunit = "%T"\nband = [420, 680]', "definition"),
        ("ripple", 'definition = "peak to valley of the mean"\nof = "%T"\nunit = "%T"\n'
         "band = [420, 680]", "unit = one of %"),
        ("distance to mask", 'unit = "%T"\nband = [420, 680]', "lower, upper or both"),
        ("distance to mask", 'unit = "%T"\nband = [420, 680]\nlower = [[420, 1], [600, 1]]',
         r"band = \[420, 600\]"),
        ("distance to mask", 'unit = "%T"\nband = [420, 680]\nlower = [[680, 1], [420, 1]]',
         "rising position"),
    ],
)  # fmt: skip
def test_what_contradicts_itself_is_refused(what, more, said):
    with pytest.raises(BadSettings, match=said):
        verdict_of(what, more, "at_least = 0")
