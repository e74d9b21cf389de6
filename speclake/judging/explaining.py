"""A verdict as one sentence that a person can check with the curve in hand."""

from collections.abc import Iterator
from decimal import Decimal
from math import isclose

from speclake.specs.rounding import decimal_of, shown
from speclake.specs.verdicts import Outcome, Verdict

NEARLY_SURE = 0.9999
"""Probability above which, and below the rest of which, its digits say nothing any more."""

CAUTION_OF_UNIT = {
    "OD": "An optical density in an archive is no certification of a protective filter or of "
    "eyewear. Follow the local code, the equipment's own safety instructions and a qualified "
    "person."
}
"""What is owed to whoever acts on a number in a unit."""


def explain(verdict: Verdict) -> str:
    """Verdict as one sentence: what was asked and found, where, how well, the outcome and why.

    The number printed and the outcome never contradict each other.
    """
    asked = verdict.description[:1].upper() + verdict.description[1:]
    told = [*_found(verdict), *_drawn_from(verdict)]
    outcome = str(verdict.outcome)
    if verdict.reason and verdict.outcome is Outcome.PASS:
        told.append(verdict.reason)
    elif verdict.reason:
        outcome += f", because {verdict.reason}"
    return f"{asked}: {', '.join(told)}{': ' if told else ''}{outcome}."


def _found(verdict: Verdict) -> Iterator[str]:
    """What was found, how far from the limit, how well it is known, and what that means."""
    if verdict.value is None:
        return
    yield _number(verdict)
    yield _distance(verdict)
    if verdict.uncertainty is None:
        return
    factor = "" if verdict.coverage_factor is None else f" (k = {verdict.coverage_factor:.3g})"
    yield f"expanded uncertainty {verdict.uncertainty:.3g} {verdict.unit}{factor}"
    if verdict.noise_bias:
        yield f"noise alone shifts it by about {verdict.noise_bias:+.2g} {verdict.unit}"
    if verdict.conformity is not None:
        yield f"{_probability(verdict.conformity)} probability that it lies inside the limits"
    if verdict.guard is not None and verdict.rule != "simple acceptance":
        yield _guard(verdict)


def _number(verdict: Verdict) -> str:
    text = f"{_text(verdict)} {verdict.unit}"
    if verdict.bound != "exact":
        text = f"{verdict.bound} {text}"
    if verdict.decision == "rounded" and verdict.value is not None:
        text = f"{verdict.value:.10g} {verdict.unit}, which counts as {text}"
    if verdict.at is None or _is_a_place(verdict):
        return f"found {text}"
    return f"found {text} at {verdict.at:.7g} {verdict.at_unit}"


def _is_a_place(verdict: Verdict) -> bool:
    """Whether the number found is the place itself, as that of an edge."""
    value, at = verdict.value, verdict.at
    if value is None or at is None or verdict.unit != verdict.at_unit:
        return False
    return isclose(value, at, rel_tol=1e-9)


def _text(verdict: Verdict) -> str:
    return verdict.shown or repr(verdict.value)


def _distance(verdict: Verdict) -> str:
    """How far the printed number lies from the nearest limit, in decimals."""
    number = Decimal(_text(verdict))
    distances = []
    if verdict.low is not None:
        distances.append(number - decimal_of(verdict.low))
    if verdict.high is not None:
        distances.append(decimal_of(verdict.high) - number)
    nearest = min(distances)
    if nearest == 0:
        return "exactly on the limit"
    side = "inside" if nearest > 0 else "outside"
    return f"{format(abs(nearest), 'f')} {verdict.unit} {side} the limit"


def _probability(conformity: float) -> str:
    if conformity > NEARLY_SURE:
        return f"over {100 * NEARLY_SURE:g} %"
    if conformity < 1 - NEARLY_SURE:
        return f"under {100 * (1 - NEARLY_SURE):g} %"
    return f"{100 * conformity:.2f} %"


def _guard(verdict: Verdict) -> str:
    """From where to where the guard band makes a value pass, or decides nothing."""
    if verdict.rule == "non-binary":
        bands = [
            f"from {_moved(verdict, limit, -1)} to {_moved(verdict, limit, 1)} {verdict.unit}"
            for limit in (verdict.low, verdict.high)
            if limit is not None
        ]
        return f"undecided {' and '.join(bands)}"
    inwards = 1 if verdict.rule == "guarded acceptance" else -1
    ends = []
    if verdict.low is not None:
        ends.append(f"from {_moved(verdict, verdict.low, inwards)} {verdict.unit}")
    if verdict.high is not None:
        ends.append(f"up to {_moved(verdict, verdict.high, -inwards)} {verdict.unit}")
    return f"passes {' '.join(ends)}"


def _moved(verdict: Verdict, limit: float, side: int) -> str:
    """Limit moved by the guard band, with the digits that tell it from the number found."""
    assert verdict.guard is not None
    moved = decimal_of(limit) + side * decimal_of(verdict.guard)
    whole, short = format(moved, "f"), shown(float(moved), [_text(verdict)], "absolute")
    return min(whole, short, key=len)


def _drawn_from(verdict: Verdict) -> Iterator[str]:
    if verdict.drawn_from:
        yield f"drawn from {', '.join(verdict.drawn_from)} as well"
