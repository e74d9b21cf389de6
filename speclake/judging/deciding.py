"""From numbers to outcomes: a value against its limits."""

from dataclasses import dataclass
from decimal import Decimal

import numpy as np
import numpy.typing as npt

from speclake.judging.uncertainty import Uncertainty
from speclake.quantities.values import AT_LEAST, EXACT
from speclake.specs.requirements import Requirement
from speclake.specs.rounding import decimal_of, last_place, rounded_values
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

BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Decided:
    """Outcomes of values, each array of shape (n,).

    `margin` is the distance of the value, as it was compared, to the nearest limit, negative
    outside. `outcome` holds positions in `OUTCOMES`. `is_open` tells which values are bounds that
    leave the outcome open: the true value may lie on either side of a limit. `guard` is the
    distance from a limit within which no value decides, and `conformity` the probability that the
    true value lies inside the limits; both are NaN where nothing gives them.
    """

    margin: FloatArray
    outcome: npt.NDArray[np.int8]
    is_open: BoolArray
    guard: FloatArray
    conformity: FloatArray


def decide(
    requirement: Requirement,
    value: FloatArray,
    bound: npt.NDArray[np.int8],
    uncertainty: Uncertainty,
) -> Decided:
    """Outcomes of values that are final.

    A value and a limit are compared as float64; since a limit has at most 14 digits this is the
    comparison of their decimal texts. A value that is only a bound decides where the true value
    cannot be on another side: at least 5.2 meets 'at least 5' and fails 'at most 5'.

    Parameters
    ----------
    value : shape (n,), in the unit of the requirement; NaN is not measurable.
    bound : shape (n,), as in `speclake.quantities.values`.
    uncertainty : how well the values are known.
    """
    compared = value
    if requirement.decision == "rounded":
        compared = rounded_values(value, last_place(requirement.limits[0]))
    above, below = np.full(value.shape, np.inf), np.full(value.shape, np.inf)
    if requirement.at_least is not None:
        above = compared - float(requirement.at_least)
    if requirement.at_most is not None:
        below = float(requirement.at_most) - compared
    margin = np.minimum(above, below)
    outcome = np.where(margin >= 0, PASS, FAIL).astype(np.int8)
    guard = np.full(value.shape, np.nan)
    reach = requirement.undecided_within
    if reach is not None:
        guard = uncertainty.expanded
        for limit in requirement.limits:
            low, high = (float(Decimal(limit) + sign * decimal_of(reach)) for sign in (-1, 1))
            outcome[(value >= low) & (value <= high)] = UNDECIDED
    outcome[np.isnan(value)] = NOT_MEASURABLE
    is_open = _is_open(above, below, bound)
    outcome[is_open] = NOT_MEASURABLE
    return Decided(margin, outcome, is_open, guard, np.full(value.shape, np.nan))


def _is_open(above: FloatArray, below: FloatArray, bound: npt.NDArray[np.int8]) -> BoolArray:
    """Where a bound does not settle it: the true value may lie beyond a limit, or inside it."""
    # the distance to the limit on the side to which the true value may still move, and away from it
    toward = np.where(bound == AT_LEAST, below, above)
    away = np.where(bound == AT_LEAST, above, below)
    settled = (toward < 0) | ((away >= 0) & np.isinf(toward))
    is_open: BoolArray = (bound != EXACT) & ~settled & ~np.isnan(above + below)
    return is_open


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
    reach = requirement.undecided_within
    shifts = [Decimal(0)] if reach is None else [Decimal(0), decimal_of(reach), -decimal_of(reach)]
    return [float(Decimal(limit) + shift) for limit in requirement.limits for shift in shifts]
