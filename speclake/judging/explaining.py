"""A verdict as one sentence that a person can check with the curve in hand."""

from decimal import Decimal

from speclake.specs.rounding import decimal_of
from speclake.specs.verdicts import Outcome, Verdict


def explain(verdict: Verdict) -> str:
    """Verdict as one sentence: what was asked, what was found, where, how far, and the outcome.

    The number printed and the outcome never contradict each other.
    """
    asked = verdict.description[:1].upper() + verdict.description[1:]
    if verdict.value is None:
        return f"{asked}: {verdict.outcome}, because {verdict.reason}."
    parts = [_found(verdict), _distance(verdict)]
    if verdict.uncertainty is not None:
        parts.append(_uncertainty(verdict))
    if verdict.reason:
        parts.append(verdict.reason)
    return f"{asked}: {', '.join(parts)}: {verdict.outcome}."


def _found(verdict: Verdict) -> str:
    text = f"{_text(verdict)} {verdict.unit}"
    if verdict.bound != "exact":
        text = f"{verdict.bound} {text}"
    if verdict.decision == "rounded" and verdict.value is not None:
        text = f"{verdict.value:.10g} {verdict.unit}, which counts as {text}"
    if verdict.at is None:
        return f"found {text}"
    return f"found {text} at {verdict.at:.10g} {verdict.at_unit}"


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


def _uncertainty(verdict: Verdict) -> str:
    said = f"expanded uncertainty {verdict.uncertainty:g} {verdict.unit} (k = 2)"
    if verdict.outcome is Outcome.UNDECIDED:
        return f"within the {said}"
    return said
