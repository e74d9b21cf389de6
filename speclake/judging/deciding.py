"""From numbers to outcomes: a value against its limits, by the rule of its requirement."""

from dataclasses import dataclass
from decimal import Decimal
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from speclake.judging.conforming import conformity_of
from speclake.judging.reasons import BoolArray, Reasons
from speclake.judging.uncertainty import Uncertainty
from speclake.quantities.values import AT_LEAST, AT_MOST, EXACT
from speclake.specs.requirements import Requirement
from speclake.specs.requirements.rules import Guard
from speclake.specs.rounding import decimal_of, last_place, rounded_values, shown
from speclake.specs.verdicts import Outcome
from speclake.spectrum import FloatArray

OUTCOMES = (Outcome.PASS, Outcome.FAIL, Outcome.UNDECIDED, Outcome.NOT_MEASURABLE)
"""What the codes of outcomes stand for."""

PASS, FAIL, UNDECIDED, NOT_MEASURABLE = range(4)

IN_DOUBT = 1e-9
"""Relative distance from a limit below which a value is taken again in rational arithmetic.

It is far above the rounding of any sum over a spectrum and far below what a scan resolves.
"""

COUNTED_DIGITS = 12
"""Significant digits with which a computed value is compared where it lies near a limit."""

BELOW, ABOVE = "it lies below the lower limit", "it lies above the upper limit"
BANDED = "it lies within the guard band of {} around the limit"
GUARDED = "it lies inside the limit, but not by the guard band of {} that the rule demands"
NO_ROOM = "the guard bands of {} at both limits leave no value that passes"
TOLERATED = "it lies outside the limit, but not by more than the guard band of {}"
RISKY = "the risk that a {} is wrong is above the largest that the requirement allows, {:g} %"
UNKNOWN = "its uncertainty is not known, and the requirement asks for it"
TOO_UNCERTAIN = (
    "the expanded uncertainty of {} {unit} of the value {} {unit} is above the largest that the "
    "requirement allows, {:g} {unit}"
)
OPEN = {
    AT_LEAST: "the value is at least {} {}, and how far above it lies decides",
    AT_MOST: "the value is at most {} {}, and how far below it lies decides",
}


@dataclass(frozen=True, eq=False)
class Decided:
    """Outcomes of values, each array of shape (n,).

    `margin` is the distance of the value, as it was compared, to the nearest limit, negative
    outside. `outcome` holds positions in `OUTCOMES`. `guard` is the width of the guard band, and
    `conformity` the probability that the true value lies inside the limits; both are NaN where
    nothing gives them, the latter also for a value that is only a bound. Whatever does not pass has
    one of the `reasons`, unless there is no value.
    """

    margin: FloatArray
    outcome: npt.NDArray[np.int8]
    guard: FloatArray
    conformity: FloatArray
    reasons: Reasons


def decide(
    requirement: Requirement,
    value: FloatArray,
    bound: npt.NDArray[np.int8],
    uncertainty: Uncertainty,
) -> Decided:
    """Outcomes of values that are final, each with its reason.

    A value and a limit are compared as float64; since a limit has at most 14 digits this is the
    comparison of their decimal texts. A value on an acceptance limit is accepted, one on an end of
    the band in which a non-binary rule decides nothing is undecided. A value that is only a bound
    decides where the true value cannot be on another side: at least 5.2 meets 'at least 5' and
    fails 'at most 5'.

    Parameters
    ----------
    value : shape (n,), in the unit of the requirement; NaN is not measurable.
    bound : shape (n,), as in `speclake.quantities.values`.
    uncertainty : how well the values are known.

    References
    ----------
    JCGM 106:2012, clause 8; ILAC-G8:09/2019, 4.2; clause numbers from memory.
    """
    found = _Outcomes(requirement, value, _width(requirement.guard, uncertainty))
    low = _against(found, requirement.lower_limit, 1)
    high = _against(found, requirement.upper_limit, -1)
    limits = (float(each) if each else None for each in (low.limit, high.limit))
    conformity = conformity_of(value, tuple(limits), uncertainty)
    _by_rule(found, low, high)
    _by_risk(found, conformity)
    _by_bound(found, low, high, bound)
    _by_uncertainty(found, uncertainty)
    found.put(np.isnan(value), NOT_MEASURABLE, "")
    return Decided(
        margin=np.minimum(low.inside_by, high.inside_by),
        outcome=found.outcome,
        guard=found.guard,
        conformity=np.where(bound == EXACT, conformity, np.nan),
        reasons=found.reasons,
    )


class _Outcomes:
    """Outcomes and reasons of values on their way."""

    def __init__(self, requirement: Requirement, value: FloatArray, guard: FloatArray) -> None:
        self.requirement, self.value, self.guard = requirement, value, guard
        self.outcome = np.full(value.shape, UNDECIDED, np.int8)
        self.reasons = Reasons(len(value))

    def put(self, rows: BoolArray | int, code: int, reason: str) -> None:
        self.outcome[rows] = code
        self.reasons.give(rows, reason)

    def text(self, row: np.intp) -> str:
        """Value as it is printed."""
        guard = float(self.guard[row])
        near = None if np.isnan(guard) else guard
        return self.requirement.shown(float(self.value[row]), near)


class _Side(NamedTuple):
    """Values against one limit: how far inside it they lie, and what it alone says of them."""

    limit: str | None
    inside_by: FloatArray
    accepted: BoolArray
    rejected: BoolArray


def _against(found: _Outcomes, limit: str | None, inwards: int) -> _Side:
    """Values against a limit; `inwards` is 1 for a lower and -1 for an upper one."""
    value = found.value
    if limit is None:
        never = np.zeros(value.shape, np.bool_)
        return _Side(None, np.full(value.shape, np.inf), ~never, never)
    requirement = found.requirement
    compared = value
    if requirement.decision == "rounded":
        compared = rounded_values(value, last_place(limit))
    inside_by = inwards * (compared - float(limit))
    rule = requirement.decides_by
    if rule == "non-binary":
        banded = (value >= _moved(limit, -found.guard, value)) & (
            value <= _moved(limit, found.guard, value)
        )
        return _Side(limit, inside_by, (inside_by >= 0) & ~banded, (inside_by < 0) & ~banded)
    accepted = inside_by >= 0
    if rule != "simple acceptance":
        by = inwards * found.guard * (1 if rule == "guarded acceptance" else -1)
        edge = _moved(limit, by, value)
        accepted = inwards * value >= inwards * edge
    return _Side(limit, inside_by, accepted, ~accepted)


def _by_rule(found: _Outcomes, low: _Side, high: _Side) -> None:
    """What the limits say, before anything else has a say."""
    guard = found.requirement.guard
    is_inside = (low.inside_by >= 0) & (high.inside_by >= 0)
    passes, fails = low.accepted & high.accepted, low.rejected | high.rejected
    found.outcome[passes] = PASS
    if not passes.all():
        found.put(fails & (low.inside_by < 0), FAIL, BELOW)
        found.put(fails & (high.inside_by < 0), FAIL, ABOVE)
    if guard is None:
        return
    found.put(passes & ~is_inside, PASS, TOLERATED.format(guard))
    found.put(~passes & ~fails, UNDECIDED, BANDED.format(guard))
    guarded = fails & is_inside
    found.put(guarded, FAIL, GUARDED.format(guard))
    if low.limit is not None and high.limit is not None:
        room = float(Decimal(high.limit) - Decimal(low.limit))
        found.put(guarded & (2 * found.guard > room), FAIL, NO_ROOM.format(guard))


def _by_risk(found: _Outcomes, conformity: FloatArray) -> None:
    """Undecided where the outcome is wrong with a greater probability than is allowed.

    Of a bound it is the probability at the bound itself, which the true value cannot exceed.
    """
    largest = found.requirement.largest_risk
    if largest is None:
        return
    passes, fails = found.outcome == PASS, found.outcome == FAIL
    for rows, word, risk in ((passes, "pass", 1 - conformity), (fails, "fail", conformity)):
        found.put(rows & (risk > largest), UNDECIDED, RISKY.format(word, 100 * largest))


def _by_bound(found: _Outcomes, low: _Side, high: _Side, bound: npt.NDArray[np.int8]) -> None:
    """Not measurable where a value is a bound, and the true one may be of another outcome."""
    if not bound.any():
        return
    unit = found.requirement.unit
    for of, toward, away in ((AT_LEAST, high, low), (AT_MOST, low, high)):
        settled = toward.rejected if toward.limit is not None else away.accepted
        for row in np.flatnonzero((bound == of) & ~settled & ~np.isnan(found.value)):
            found.put(int(row), NOT_MEASURABLE, OPEN[of].format(found.text(row), unit))


def _by_uncertainty(found: _Outcomes, uncertainty: Uncertainty) -> None:
    """Not measurable where the uncertainty is not known, or larger than is allowed."""
    requirement = found.requirement
    if not requirement.is_uncertain():
        return
    found.put(np.isnan(uncertainty.expanded), NOT_MEASURABLE, UNKNOWN)
    for number, why in uncertainty.reasons.items():
        found.put(number, NOT_MEASURABLE, why)
    largest = requirement.largest_uncertainty
    if largest is None:
        return
    for row in np.flatnonzero(uncertainty.expanded > largest):
        size = shown(float(uncertainty.expanded[row]), [repr(largest)], "absolute")
        reason = TOO_UNCERTAIN.format(size, found.text(row), largest, unit=requirement.unit)
        found.put(int(row), NOT_MEASURABLE, reason)


def _width(guard: Guard | None, uncertainty: Uncertainty) -> FloatArray:
    """Width of the guard band of each value; NaN where there is none or nobody knows it."""
    if guard is None:
        return np.full(uncertainty.expanded.shape, np.nan)
    if guard == (1.0, "U"):
        return uncertainty.expanded
    return _counted(guard.width(uncertainty.expanded, uncertainty.coverage_factor))


def _counted(numbers: FloatArray) -> FloatArray:
    """Computed numbers with their last digits, which are rounding of ours, cut off."""
    different, places = np.unique(numbers, return_inverse=True)
    texts = [format(each, f".{COUNTED_DIGITS}g") for each in different.tolist()]
    return np.array(texts, np.float64)[places]


def _moved(limit: str, by: FloatArray, value: FloatArray) -> FloatArray:
    """Limit moved by a width, to the decimal wherever a value lies near it."""
    found = float(limit) + by
    near = np.abs(value - found) <= IN_DOUBT * np.maximum(1.0, np.abs(found))
    for row in np.flatnonzero(near):
        found[row] = float(Decimal(limit) + decimal_of(by[row]))
    return found


def settled(value: FloatArray, requirement: Requirement) -> FloatArray:
    """Computed values, those near a limit cut to `COUNTED_DIGITS`.

    Unlike a mean, an edge or a colour has no rational arithmetic behind it; its last digits are
    rounding of ours, and no verdict may hang on them.
    """
    found = value.copy()
    for row in np.flatnonzero(in_doubt(value, requirement)):
        found[row] = float(format(value[row], f".{COUNTED_DIGITS}g"))
    return found


def in_doubt(values: FloatArray, requirement: Requirement) -> BoolArray:
    """Which values lie so near to a limit, or to a tie of rounding, that float64 may mislead."""
    size = np.maximum(1.0, np.abs(values))
    doubtful = np.zeros(values.shape, np.bool_)
    for mark in _marks(requirement):
        doubtful |= np.abs(values - mark) <= IN_DOUBT * size
    if requirement.decision == "rounded":
        digits = values / 10.0 ** last_place(requirement.limits[0])
        distance = np.abs(digits - np.floor(digits) - 0.5)
        doubtful |= distance <= IN_DOUBT * np.maximum(1.0, np.abs(digits))
    return doubtful


def _marks(requirement: Requirement) -> list[float]:
    """Limits, and the ends of the guard bands that the requirement itself states."""
    guard = requirement.guard
    widths = [] if guard is None else [guard.width(*each) for each in requirement.stated_sizes()]
    shifts = [0.0, *(sign * width for width in widths for sign in (1, -1))]
    return [float(limit) + shift for limit in requirement.limits for shift in shifts]
