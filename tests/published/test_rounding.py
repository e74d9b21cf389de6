"""Rounding before comparison, against the examples of its standard; sources beside each check."""

import pytest

from speclake.judging import Conditions, judge
from speclake.specs import Outcome, Specification, ValueRequirement
from speclake.specs.rounding import last_place, rounded, shown
from speclake.spectrum import Axis, SpectrumSet


def judged(value, decision, **limits):
    requirement = ValueRequirement(
        id="r", what="value", unit="A", at=500, decision=decision, **limits
    )
    spec = Specification(name="s", requirement=(requirement,))
    spectra = SpectrumSet(Axis([400.0, 500.0, 600.0], "nm"), [[0.0, value, 0.0]], "A", ("m",))
    (verdict,) = judge(spectra, spec, [Conditions()])
    return verdict


@pytest.mark.parametrize(
    ("limits", "value", "printed", "conforms"),
    [
        # ASTM E29, table of worked examples of the rounding method; from memory. Yield point at
        # least 36 000 psi to the nearest 100; nickel at least 57 % to 1; conductivity at most
        # 40 mS/m to 1; sodium bicarbonate at most 0.5 % to 0.1
        ({"at_least": "3.60e4"}, 35_940, "35900", False),
        ({"at_least": "3.60e4"}, 35_950, "36000", True),
        ({"at_least": "3.60e4"}, 35_960, "36000", True),
        ({"at_least": "57"}, 56.4, "56", False),
        ({"at_least": "57"}, 56.5, "56", False),
        ({"at_least": "57"}, 56.6, "57", True),
        ({"at_most": "40"}, 40.4, "40", True),
        ({"at_most": "40"}, 40.5, "40", True),
        ({"at_most": "40"}, 40.6, "41", False),
        ({"at_most": "0.5"}, 0.54, "0.5", True),
        ({"at_most": "0.5"}, 0.55, "0.6", False),
        ({"at_most": "0.5"}, 0.56, "0.6", False),
    ],
)
def test_examples_of_the_standard(limits, value, printed, conforms):
    verdict = judged(value, "rounded", **limits)
    assert verdict.shown == printed
    assert verdict.outcome is (Outcome.PASS if conforms else Outcome.FAIL)


def test_the_last_digit_of_the_limit_decides():
    # Iowa DOT, Instructional Memorandum 202 on ASTM E29: a slump of 4 1/4 inches is within a
    # maximum of 4 inches, and outside one of 4.0 inches
    assert judged(4.25, "rounded", at_most="4").outcome is Outcome.PASS
    assert judged(4.25, "rounded", at_most="4.0").outcome is Outcome.FAIL


def test_a_digit_below_five_changes_nothing():
    # the same memorandum: 1.861 becomes 1.86 to the nearest 0.01
    assert str(rounded(1.861, -2)) == "1.86"


def test_an_exponent_says_how_many_digits_count():
    # ASTM E29-02, 3.1.2: 1.40 x 10^5 is meant to the nearest 0.01 x 10^5, or 1000
    assert last_place("1.40e5") == 3


def test_absolute_and_rounded_part_ways_within_half_a_digit():
    # ASTM E29, absolute method: any deviation outside the limit, however small, counts
    assert judged(91.96, "absolute", at_least="92.0").outcome is Outcome.FAIL
    assert judged(91.96, "rounded", at_least="92.0").outcome is Outcome.PASS
    assert shown(91.96, ["92.0"], "absolute") == "91.96"
