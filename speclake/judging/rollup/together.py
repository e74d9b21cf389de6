"""One number from several verdicts on one requirement: a mean, the worst, a share that passes."""

import math
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

import numpy as np

from speclake.judging.deciding import OUTCOMES, UNDECIDED, decide
from speclake.judging.uncertainty import Uncertainty
from speclake.judging.verdict_rows import BOUNDS, or_none, side_of
from speclake.specs.requirements import Requirement
from speclake.specs.requirements.over_sites import OverSites
from speclake.specs.rounding import decimal_of
from speclake.specs.verdicts import SEVERITY, Bound, Outcome, Verdict, worst

_CODES = {bound: code for code, bound in BOUNDS.items()}


def worst_of(verdicts: Sequence[Verdict]) -> Verdict:
    """The verdict with the worst outcome; of those, the one with the smallest margin."""
    return min(
        verdicts,
        key=lambda each: (
            SEVERITY.index(each.outcome),
            math.inf if each.margin is None else each.margin,
            each.measurement_id,
        ),
    )


def mean_of(
    requirement: Requirement, verdicts: Sequence[Verdict], over: str, rule: OverSites | None = None
) -> Verdict:
    """Verdict on the mean of the numbers of some verdicts, which it names in `drawn_from`.

    The mean of the decimals that were found is compared with the limits by the decision rule of
    the requirement. Where `rule` states no uncertainty of it, that is the mean of the standard
    uncertainties, which it cannot exceed. What noise does to each number it does to their mean.

    Parameters
    ----------
    over : what the mean is over, in words.

    References
    ----------
    JCGM 100:2008, 5.2.2, note 1: fully correlated estimates (their uncertainties add).
    """
    lead = worst_of(verdicts)
    mean = replace(lead, description=f"{lead.description}, {over}", at=None, at_unit=None,
                   drawn_from=_others(lead, verdicts), noise_bias=_mean_bias(verdicts))  # fmt: skip
    if without := [each for each in verdicts if each.value is None]:
        lacks = f"{len(without)} of {len(verdicts)} have no value"
        return _not_measurable(mean, f"{lacks}: {without[0].reason}")
    bounds = {each.bound for each in verdicts} - {"exact"}
    if len(bounds) > 1:
        return _not_measurable(mean, "some values are bounds from below and some from above")
    bound: Bound = next(iter(bounds), "exact")
    exact = [Fraction(decimal_of(each.value)) for each in verdicts if each.value is not None]
    value = float(sum(exact, Fraction(0)) / len(exact))
    return _decided(requirement, mean, value, bound, _uncertainty(verdicts, rule))


def share_passing(rule: OverSites, verdicts: Sequence[Verdict], needed: int) -> Verdict:
    """Verdict on the share of verdicts that pass, of at least as many as are needed."""
    assert rule.fraction is not None
    n = max(needed, len(verdicts))
    passed = sum(each.outcome is Outcome.PASS for each in verdicts)
    failed = sum(each.outcome is Outcome.FAIL for each in verdicts)
    wanted = Fraction(rule.fraction) * n
    lead = worst_of(verdicts)
    if passed >= wanted:
        outcome = Outcome.PASS
    elif n - failed < wanted:
        outcome = Outcome.FAIL
    else:
        found = [each.outcome for each in verdicts if each.outcome is not Outcome.FAIL]
        outcome = worst(found + [Outcome.INCOMPLETE] * (n > len(verdicts))) or Outcome.INCOMPLETE
    asked = f"{(rule.fraction * 100).normalize():f} %"
    said = f"{passed} of {n} sites pass, and {asked} of them must"
    return replace(lead, outcome=outcome, value=None, margin=None, at=None, side=None, shown="",
                   reason=said, drawn_from=_others(lead, verdicts))  # fmt: skip


def _others(lead: Verdict, verdicts: Sequence[Verdict]) -> tuple[str, ...]:
    """Measurements that some verdicts draw on, beside that of the lead."""
    names = {name for each in verdicts for name in (each.measurement_id, *each.drawn_from)}
    return tuple(sorted(names - {lead.measurement_id}))


def _not_measurable(mean: Verdict, reason: str) -> Verdict:
    return replace(mean, outcome=Outcome.NOT_MEASURABLE, value=None, margin=None, side=None,
                   shown="", reason=reason)  # fmt: skip


def _mean_bias(verdicts: Sequence[Verdict]) -> float | None:
    known = [each.noise_bias for each in verdicts if each.noise_bias is not None]
    return math.fsum(known) / len(known) if len(known) == len(verdicts) else None


def _uncertainty(verdicts: Sequence[Verdict], rule: OverSites | None) -> tuple[float, float]:
    """Expanded uncertainty of a mean, and its k; NaN where nobody stated one."""
    if rule is not None and rule.uncertainty is not None and rule.k is not None:
        return rule.uncertainty, rule.k
    standard, factors = [], []
    for each in verdicts:
        if each.uncertainty is None or each.coverage_factor is None:
            return math.nan, math.nan
        standard.append(each.uncertainty / each.coverage_factor)
        factors.append(each.coverage_factor)
    return math.fsum(standard) / len(standard) * max(factors), max(factors)


def _decided(
    requirement: Requirement, mean: Verdict, value: float, bound: Bound, known: tuple[float, float]
) -> Verdict:
    expanded, factor = known
    decided = decide(
        requirement,
        np.array([value]),
        np.array([_CODES[bound]], np.int8),
        Uncertainty.of_all(1, expanded, factor),
    )
    margin, code = float(decided.margin[0]), int(decided.outcome[0])
    guard = or_none(float(decided.guard[0]))
    return replace(
        mean,
        value=value,
        margin=margin,
        bound=bound,
        outcome=OUTCOMES[code],
        side=side_of(margin) if code == UNDECIDED else None,
        shown=requirement.shown(value, guard),
        uncertainty=or_none(expanded),
        coverage_factor=or_none(factor),
        guard=guard,
        conformity=or_none(float(decided.conformity[0])),
        reason=decided.reasons.texts[int(decided.reasons.of[0])],
    )
