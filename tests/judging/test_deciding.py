"""Rules near a limit, on many values at once and against a judge that knows decimals only."""

import doctest
import re
from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from speclake.judging import conforming, explain, verdicts
from speclake.judging.deciding import OUTCOMES, decide
from speclake.judging.judgement import Column, Judgement
from speclake.judging.uncertainty import Uncertainty
from speclake.quantities.values import AT_LEAST, AT_MOST, EXACT
from speclake.specs import BandRequirement, Outcome, Specification
from speclake.specs.rounding import decimal_of
from speclake.specs.verdicts import Verdict
from speclake.spectrum import Axis, SpectrumSet

RULES = ["simple acceptance", "guarded acceptance", "guarded rejection", "non-binary"]


def line(**keys: object) -> BandRequirement:
    known = {"id": "r", "what": "mean", "unit": "%T", "band": (400, 600), "uncertainty": 0.3}
    return BandRequirement(**known | keys)


def known(expanded: list[float], k: float = 2.0, reasons: dict[int, str] | None = None):
    size = np.array(expanded)
    nothing = np.full(size.shape, np.nan)
    return Uncertainty(size, np.full(size.shape, k), nothing, reasons or {})


def decided(
    requirement: BandRequirement, values: list[float], uncertainty: Uncertainty, bound=EXACT
):
    bounds = np.full(len(values), bound, np.int8)
    return decide(requirement, np.array(values), bounds, uncertainty)


def outcomes(requirement: BandRequirement, values: list[float], expanded: float = 0.3, bound=EXACT):
    found = decided(requirement, values, known([expanded] * len(values)), bound)
    return [OUTCOMES[code].value for code in found.outcome]


def reasons(
    requirement: BandRequirement, values: list[float], uncertainty: Uncertainty
) -> list[str]:
    found = decided(requirement, values, uncertainty).reasons
    return [found.texts[code] for code in found.of]


def verdicts_of(requirement: BandRequirement, values: list[float], uncertainty: Uncertainty):
    """Rows of values that are judged as they are."""
    found = decided(requirement, values, uncertainty)
    n = len(values)
    column = Column(
        requirement=requirement, applies=np.ones(n, np.bool_), value=np.array(values),
        bound=np.zeros(n, np.int8), margin=found.margin, uncertainty=uncertainty,
        guard=found.guard, conformity=found.conformity, at=np.full(n, np.nan),
        outcome=found.outcome, reason=found.reasons.of, reasons=found.reasons.texts,
    )  # fmt: skip
    keys = tuple(str(number) for number in range(n))
    spectra = SpectrumSet(Axis([1.0, 2.0], "nm"), np.zeros((n, 2)), "%T", keys)
    spec = Specification(name="s", requirement=(requirement,))
    return verdicts(Judgement(spectra, spec, (column,)))


def test_the_example_in_the_docstring_holds() -> None:
    found = doctest.testmod(conforming)
    assert (found.failed, found.attempted > 0) == (0, True)


GUARD = {"guard_times": 1, "guard_of": "U"}


@pytest.mark.parametrize(
    ("rule", "expected"),
    [
        # limits 90 to 92, U = 0.3: values around each limit and each limit -+ 0.3
        ("simple acceptance", "fail fail fail pass pass pass pass pass fail fail fail"),
        ("guarded acceptance", "fail fail fail fail pass pass pass fail fail fail fail"),
        ("guarded rejection", "fail pass pass pass pass pass pass pass pass pass fail"),
        ("non-binary", "fail undecided undecided undecided undecided pass undecided undecided "
                       "undecided undecided fail"),
    ],
)  # fmt: skip
def test_each_rule_at_both_limits(rule: str, expected: str) -> None:
    values = [89.69, 89.7, 89.99, 90.0, 90.3, 91.0, 91.7, 92.0, 92.01, 92.3, 92.31]
    guard = {} if rule == "simple acceptance" else GUARD
    for limits in ({"at_least": "90", "at_most": "92"}, {"target": "91", "tolerance": "1"}):
        assert outcomes(line(rule=rule, **guard, **limits), values) == expected.split()


def _slow(rule: str, value: Decimal, low: Decimal, high: Decimal, guard: Decimal) -> str:
    """Outcome as the rules say it, in decimals."""
    if rule == "non-binary":
        if any(abs(value - limit) <= guard for limit in (low, high)):
            return "undecided"
        return "pass" if low < value < high else "fail"
    moved = {"simple acceptance": 0, "guarded acceptance": 1, "guarded rejection": -1}[rule] * guard
    return "pass" if low + moved <= value <= high - moved else "fail"


thousandths = st.integers(89_000, 93_000).map(lambda n: n / 1000)


@settings(max_examples=150, deadline=None)
@given(
    st.sampled_from(RULES),
    st.lists(st.tuples(thousandths, st.integers(1, 900)), min_size=1, max_size=12),
    st.sampled_from([(1, "U"), (1.65, "u"), (0.5, "U"), (2, "u")]),
)
def test_many_uncertainties_at_once_are_those_of_decimal_arithmetic(
    rule: str, pairs: list[tuple[float, int]], guard: tuple[float, str]
) -> None:
    guards = {} if rule == "simple acceptance" else {"guard_times": guard[0], "guard_of": guard[1]}
    asked = line(at_least="90.00", at_most="92.00", rule=rule, **guards)
    uncertainty = known([size / 1000 for _, size in pairs])
    found = verdicts_of(asked, [value for value, _ in pairs], uncertainty)
    for (value, size), verdict in zip(pairs, found, strict=True):
        width = Decimal(size) / 1000 * Decimal(str(guard[0])) / (1 if guard[1] == "U" else 2)
        limits = Decimal(90), Decimal(92)
        assert verdict.outcome.value == _slow(rule, decimal_of(value), *limits, width)
        # the number printed lies where the number found lies
        assert verdict.outcome.value == _slow(rule, Decimal(verdict.shown), *limits, width)
        assert (verdict.guard is None) == (rule == "simple acceptance")
        assert verdict.reason or verdict.outcome is Outcome.PASS
        assert _as_the_sentence_says(verdict) == verdict.outcome.value


def _as_the_sentence_says(verdict: Verdict) -> str:
    """Outcome that a reader works out from the numbers in the sentence alone."""
    sentence, shown = explain(verdict), Decimal(verdict.shown)
    if verdict.rule == "non-binary":
        low, high = (
            (Decimal(begin), Decimal(end))
            for begin, end in re.findall(r"from ([\d.]+) to ([\d.]+) %T", sentence)
        )
        if low[0] <= shown <= low[1] or high[0] <= shown <= high[1]:
            return "undecided"
        return "pass" if low[1] < shown < high[0] else "fail"
    if verdict.rule == "simple acceptance":
        return "fail" if " outside the limit" in sentence else "pass"
    (ends,) = re.findall(r"passes from ([\d.]+) %T up to ([\d.]+) %T", sentence)
    return "pass" if Decimal(ends[0]) <= shown <= Decimal(ends[1]) else "fail"


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from(RULES),
    st.lists(st.tuples(thousandths, st.floats(0.001, 1)), min_size=2, max_size=20),
    st.randoms(use_true_random=False),
)
def test_an_outcome_does_not_depend_on_the_other_values(rule, pairs, random) -> None:
    guards = {} if rule == "simple acceptance" else {"guard_times": 1.65, "guard_of": "u"}
    asked = line(at_least="90.00", at_most="92.00", rule=rule, **guards)
    order = list(range(len(pairs)))
    random.shuffle(order)

    def columns(rows: list[int]) -> list[tuple[object, ...]]:
        found = decided(asked, [pairs[i][0] for i in rows], known([pairs[i][1] for i in rows]))
        texts = [found.reasons.texts[code] for code in found.reasons.of]
        numbers = (found.outcome, found.margin, found.guard, found.conformity)
        return list(zip(*(each.tolist() for each in numbers), texts, strict=True))

    together = columns(order)
    for place, row in enumerate(order):
        (alone,) = columns([row])
        assert repr(together[place]) == repr(alone)


class TestBounds:
    """A bound decides only where every true value on its side has the same outcome."""

    LOW, HIGH = {"at_least": "90"}, {"at_most": "90"}

    @pytest.mark.parametrize(
        ("rule", "value", "expected"),
        [
            ("simple acceptance", 90.0, "pass"),
            ("simple acceptance", 89.9, "not measurable"),
            ("guarded acceptance", 90.3, "pass"),
            ("guarded acceptance", 90.2, "not measurable"),
            ("guarded rejection", 89.7, "pass"),
            ("guarded rejection", 89.6, "not measurable"),
            ("non-binary", 90.31, "pass"),
            ("non-binary", 90.3, "not measurable"),
            ("non-binary", 89.0, "not measurable"),
        ],
    )
    def test_at_least_against_a_lower_limit(self, rule: str, value: float, expected: str) -> None:
        asked = line(rule=rule, **self.LOW, **({} if rule == "simple acceptance" else GUARD))
        assert outcomes(asked, [value], bound=AT_LEAST) == [expected]

    @pytest.mark.parametrize(
        ("rule", "value", "expected"),
        [
            ("simple acceptance", 90.1, "fail"),
            ("simple acceptance", 90.0, "not measurable"),
            ("guarded acceptance", 89.8, "fail"),
            ("guarded acceptance", 89.7, "not measurable"),
            ("guarded rejection", 90.31, "fail"),
            ("non-binary", 90.31, "fail"),
            ("non-binary", 90.2, "not measurable"),
        ],
    )
    def test_at_least_against_an_upper_limit(self, rule: str, value: float, expected: str) -> None:
        asked = line(rule=rule, **self.HIGH, **({} if rule == "simple acceptance" else GUARD))
        assert outcomes(asked, [value], bound=AT_LEAST) == [expected]
        mirrored = line(rule=rule, **self.LOW, **({} if rule == "simple acceptance" else GUARD))
        assert outcomes(mirrored, [180 - value], bound=AT_MOST) == [expected]

    def test_the_reason_tells_the_bound(self) -> None:
        found = decided(line(**self.LOW), [89.5], known([0.3]), AT_LEAST)
        assert found.reasons.texts[found.reasons.of[0]] == (
            "the value is at least 89.5 %T, and how far above it lies decides"
        )
        assert np.isnan(found.conformity[0])


SHARED = {"at_least": "90.00", "rule": "simple acceptance"}


class TestCaps:
    """Caps on the uncertainty and on the risk, and an uncertainty that nobody knows."""

    def test_a_value_known_too_badly_is_not_measurable(self) -> None:
        asked = line(largest_uncertainty=0.3, **SHARED)
        found = decided(asked, [95.0, 95.0, 85.0], known([0.3, 0.3001, 0.4]))
        assert [OUTCOMES[code].value for code in found.outcome] == [
            "pass", "not measurable", "not measurable"
        ]  # fmt: skip
        assert reasons(asked, [95.0, 95.0], known([0.3, 0.3001]))[1] == (
            "the expanded uncertainty of 0.3001 %T of the value 95.000 %T is above the largest "
            "that the requirement allows, 0.3 %T"
        )

    def test_an_outcome_that_may_be_wrong_is_undecided_on_its_side(self) -> None:
        # u = 0.15: the risk is 5 % at 1.645 u = 0.2467 from the limit
        asked = line(largest_risk=0.05, **SHARED)
        values = [90.25, 90.24, 90.0, 89.76, 89.75]
        found = verdicts_of(asked, values, known([0.3] * 5))
        assert [(v.outcome.value, v.side) for v in found] == [
            ("pass", None), ("undecided", "inside"), ("undecided", "inside"),
            ("undecided", "outside"), ("fail", None),
        ]  # fmt: skip
        assert found[1].reason == (
            "the risk that a pass is wrong is above the largest that the requirement allows, 5 %"
        )
        assert found[3].reason.startswith("the risk that a fail is wrong")

    def test_a_bound_is_as_risky_as_the_value_at_the_bound(self) -> None:
        asked = line(largest_risk=0.05, **SHARED)
        assert outcomes(asked, [90.24, 90.25], bound=AT_LEAST) == ["undecided", "pass"]
        found = decided(asked, [90.24, 90.25], known([0.3, 0.3]), AT_LEAST)
        assert np.isnan(found.conformity).all()

    def test_an_uncertainty_that_is_not_known_gives_no_outcome(self) -> None:
        why = {1: "no uncertainty is stated for instruments of the class 'x'"}
        for rule in RULES:
            asked = line(at_least="90", rule=rule, **({} if rule == "simple acceptance" else GUARD))
            uncertainty = known([0.3, np.nan, np.nan], reasons=why)
            found = decided(asked, [95.0, 95.0, 80.0], uncertainty)
            assert [OUTCOMES[code].value for code in found.outcome] == [
                "pass", "not measurable", "not measurable"
            ]  # fmt: skip
            assert reasons(asked, [95.0, 95.0, 80.0], uncertainty)[1:] == [
                why[1], "its uncertainty is not known, and the requirement asks for it"
            ]  # fmt: skip

    def test_guard_bands_that_meet_leave_nothing_to_pass(self) -> None:
        asked = line(at_least="90", at_most="90.5", rule="guarded acceptance", **GUARD)
        assert outcomes(asked, [90.25]) == ["fail"]
        assert reasons(asked, [90.25], known([0.3])) == [
            "the guard bands of U at both limits leave no value that passes"
        ]


class TestSentence:
    """One sentence with all that the outcome hangs on."""

    def said(self, value: float, **keys: object) -> str:
        asked = line(at_least="92.00", **keys)
        (verdict,) = verdicts_of(asked, [value], known([0.3]))
        return explain(verdict).partition(": ")[2]

    def test_guarded_acceptance(self) -> None:
        guard = {"guard_times": 1.65, "guard_of": "u", "proof": "supplier proves conformity"}
        assert self.said(92.2, **guard) == (
            "found 92.200 %T, 0.200 %T inside the limit, expanded uncertainty 0.3 %T (k = 2), "
            "90.88 % probability that it lies inside the limits, passes from 92.2475 %T: fail, "
            "because it lies inside the limit, but not by the guard band of 1.65 u that the rule "
            "demands."
        )

    def test_guarded_rejection(self) -> None:
        assert self.said(91.9, rule="guarded rejection", **GUARD) == (
            "found 91.900 %T, 0.100 %T outside the limit, expanded uncertainty 0.3 %T (k = 2), "
            "25.25 % probability that it lies inside the limits, passes from 91.7 %T, it lies "
            "outside the limit, but not by more than the guard band of U: pass."
        )

    def test_simple_acceptance(self) -> None:
        assert self.said(91.9, rule="simple acceptance") == (
            "found 91.900 %T, 0.100 %T outside the limit, expanded uncertainty 0.3 %T (k = 2), "
            "25.25 % probability that it lies inside the limits: fail, because it lies below the "
            "lower limit."
        )

    def test_a_probability_near_one_or_zero_claims_no_digits(self) -> None:
        assert "over 99.99 % probability" in self.said(95.0)
        assert "under 0.01 % probability" in self.said(85.0)

    def test_a_bias_and_other_measurements_are_told(self) -> None:
        (verdict,) = verdicts_of(line(at_least="92.00"), [93.0], known([0.3]))
        more = replace(verdict, noise_bias=-0.0214, drawn_from=("m2", "m3"))
        assert "noise alone shifts it by about -0.021 %T" in explain(more)
        assert "drawn from m2, m3 as well" in explain(more)
