"""Limits and decision rules as a specification says them, and what it cannot say."""

from decimal import Decimal

import pytest

from speclake.errors import BadSettings
from speclake.specs import BandRequirement, Specification

UNCERTAIN = "uncertainty = 0.3\n"


def requirement(lines: str) -> BandRequirement:
    text = 'name = "s"\n[[requirement]]\nid = "r"\nwhat = "mean"\nunit = "%T"\nband = [400, 600]\n'
    (found,) = Specification.from_toml_text(text + lines, "s.toml").requirements
    assert isinstance(found, BandRequirement)
    return found


@pytest.mark.parametrize(
    ("lines", "limits"),
    [
        ("target = 550\ntolerance = 2", ("548", "552")),
        ("target = 550\ntolerance = 2.0", ("548.0", "552.0")),
        ("target = 4.00\ntolerance = 0.2", ("3.80", "4.20")),
        ("target = 4.0\ntolerance = [0.2, 0.25]", ("3.80", "4.25")),
        ("target = 550\ntolerance = [0, 5]", ("550", "555")),
        ("target = 0.3\ntolerance = 0.1", ("0.2", "0.4")),
        ('target = "3.60e4"\ntolerance = "1e2"', ("3.59E+4", "3.61E+4")),
    ],
)
def test_a_target_and_its_tolerance_are_two_limits_with_their_digits(lines, limits):
    assert requirement(lines).limits == limits


def test_one_tolerance_is_the_same_both_ways_and_the_same_version():
    def version(tolerance):
        lines = f"target = 4.00\ntolerance = {tolerance}"
        return Specification(name="s", requirement=(requirement(lines),)).version

    assert version("0.2") == version("[0.2, 0.2]")
    assert version("0.20") != version("0.2")


def test_a_specification_survives_its_own_json():
    lines = (
        'target = 4.00\ntolerance = [0.2, 0.25]\nrule = "guarded acceptance"\nguard_times = 1.65\n'
        'guard_of = "u"\nproof = "supplier proves conformity"\nlargest_uncertainty = 0.4\n'
    )
    spec = Specification(name="s", requirement=(requirement(lines + UNCERTAIN),))
    again = Specification.from_json(spec.to_json())
    assert again == spec
    assert again.version == spec.version
    assert again.requirements[0].limits == ("3.80", "4.25")


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ("target = 4.0\ntolerance = 0.2\nat_least = 3", "or at_least and at_most"),
        ("target = 4.0\nat_least = 3", "target and tolerance together"),
        ("tolerance = 4.0\nat_least = 3", "target and tolerance together"),
        ("target = 4.0\ntolerance = -0.2", "without a sign"),
        ("target = 4.0\ntolerance = [-0.2, 0.2]", "without a sign"),
        ("target = 4.0\ntolerance = 0", "a number above 0"),
        ("target = 4.0\ntolerance = [0.1, 0.1, 0.1]", "tolerance"),
        ('target = "1e50"\ntolerance = 1', "14 significant digits"),
        ("target = 1e-50\ntolerance = 1e60", "14 significant digits"),
        ("", "at_least, at_most or both, or target with tolerance"),
    ],
)
def test_limits_that_contradict_one_another_are_refused(lines, said):
    with pytest.raises(BadSettings, match=said):
        requirement(lines)


GUARD = 'guard_times = 1.65\nguard_of = "u"\n'


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ('rule = "guarded acceptance"\n' + UNCERTAIN, "guard_times and guard_of"),
        ('rule = "guarded rejection"\nguard_times = 1\n' + UNCERTAIN, "together"),
        ('rule = "non-binary"\nguard_of = "u"\n' + UNCERTAIN, "together"),
        ('rule = "simple acceptance"\n' + GUARD + UNCERTAIN, "no guard_times"),
        (GUARD, "no guard_times with rule = \"simple acceptance\""),
        ('rule = "guarded acceptance"\n' + GUARD, "uncertainty with rule"),
        ('rule = "non-binary"', "uncertainty with rule"),
        ('proof = "supplier proves conformity"\n' + GUARD, "uncertainty with rule"),
        ("largest_uncertainty = 0.3", "uncertainty with largest_uncertainty"),
        ("largest_risk = 0.05", "uncertainty with largest_risk"),
        ("largest_risk = 0.6\n" + UNCERTAIN, "largest_risk"),
        ('rule = "guarded acceptance"\ndecision = "rounded"\n' + GUARD + UNCERTAIN, "absolute"),
        ('rule = "guarded rejection"\nlargest_risk = 0.1\n' + GUARD + UNCERTAIN, "no largest_risk"),
        (
            f'rule = "guarded rejection"\nproof = "supplier proves conformity"\n{GUARD}{UNCERTAIN}',
            'rule = "guarded acceptance" where proof = "supplier proves conformity"',
        ),
        (
            'rule = "simple acceptance"\nproof = "customer proves non-conformity"\n' + UNCERTAIN,
            'rule = "guarded rejection" where proof = "customer proves non-conformity"',
        ),
        ('when_within_uncertainty = "decide"\n' + UNCERTAIN, "when_within_uncertainty"),
    ],
)  # fmt: skip
def test_rules_that_contradict_themselves_are_refused(lines, said):
    with pytest.raises(BadSettings, match=said):
        requirement("at_least = 92.0\n" + lines)


@pytest.mark.parametrize(
    ("lines", "rule", "guard"),
    [
        ("", "simple acceptance", None),
        (UNCERTAIN, "non-binary", (1.0, "U")),
        (UNCERTAIN + GUARD, "non-binary", (1.65, "u")),
        (UNCERTAIN + 'rule = "simple acceptance"', "simple acceptance", None),
        ('rule = "simple acceptance"', "simple acceptance", None),
        (UNCERTAIN + GUARD + 'rule = "guarded rejection"', "guarded rejection", (1.65, "u")),
        (
            UNCERTAIN + GUARD + 'proof = "supplier proves conformity"',
            "guarded acceptance",
            (1.65, "u"),
        ),
        (
            UNCERTAIN + GUARD + 'proof = "customer proves non-conformity"',
            "guarded rejection",
            (1.65, "u"),
        ),
    ],
)
def test_the_rule_that_decides(lines, rule, guard):
    found = requirement("at_least = 92.0\n" + lines)
    assert (found.decides_by, found.guard) == (rule, guard)


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ("at_least = 92.0", "at least 92.0 %T"),
        ("at_least = 92.0\n" + UNCERTAIN, "at least 92.0 %T"),
        ("target = 92.0\ntolerance = 2", "92.0 %T ± 2 %T"),
        ("target = 92.0\ntolerance = [2, 3]", "92.0 %T - 2 %T / + 3 %T"),
        (
            "at_least = 92.0\nlargest_uncertainty = 0.4\nlargest_risk = 0.025\n"
            'rule = "simple acceptance"\n' + UNCERTAIN,
            "at least 92.0 %T, simple acceptance, expanded uncertainty at most 0.4 %T, risk of a "
            "wrong outcome at most 2.5 %",
        ),
        (
            'at_least = 92.0\nproof = "supplier proves conformity"\n' + GUARD + UNCERTAIN,
            "at least 92.0 %T, guarded acceptance with a guard band of 1.65 u, supplier proves "
            "conformity",
        ),
        (f"at_least = 92.0\n{GUARD}{UNCERTAIN}", "at least 92.0 %T, undecided within 1.65 u of "
         "the limit"),
    ],
)  # fmt: skip
def test_the_phrase_of_a_requirement_says_how_it_decides(lines, words):
    assert requirement(lines).description.removeprefix(
        "mean transmittance from 400 nm to 600 nm, "
    ) == words  # fmt: skip


def test_limits_of_a_target_print_values_on_their_side():
    found = requirement("target = 4.00\ntolerance = 0.2")
    assert found.shown(3.7996) == "3.7996"
    assert Decimal(found.shown(3.7996)) < Decimal("3.80")
