"""What a qualification run gives: numbers against their limits."""

import math
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from speclake.measurement import Range
from speclake.specs.verdicts import Outcome

COVERAGE_FACTOR = 2.0
"""With which the uncertainty of every reading is expanded."""

DecidesBy = Literal["guarded", "simple acceptance"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """What is known of the scans of a run beside their values.

    Parameters
    ----------
    taken_at : when each scan was taken, aware, in the order of the set.
    range_nm : the range of the configuration that is qualified, lower end first.
    ranges : how stretches of the axis were measured, their ends in nm.
    """

    taken_at: tuple[datetime, ...]
    range_nm: tuple[float, float]
    ranges: tuple[Range, ...] = ()

    def bandwidth_at(self, nm: float) -> float | None:
        """Bandwidth in nm at a wavelength, None where nobody stated it."""
        for each in self.ranges:
            if each.bandwidth_nm is not None and min(each.start, each.stop) <= nm <= max(
                each.start, each.stop
            ):
                return each.bandwidth_nm
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One number of a run against its limits.

    Parameters
    ----------
    at : the place on the axis that it belongs to, in nm of the scan's own scale.
    expected, value : what the standard has and what was found, in `unit`; `error` is the second
        less the first, None where nothing is expected.
    uncertainty : expanded, k = 2: that of the error, else of the value.
    low, high : limits of the error, or of the value where there is no error.
    reason : why it did not pass; of one that passed, what has to be known.
    """

    at: float | None = None
    expected: float | None = None
    value: float | None = None
    error: float | None = None
    uncertainty: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str
    outcome: Outcome
    reason: str = ""


def not_measurable(
    reason: str, unit: str, at: float | None = None, expected: float | None = None
) -> Reading:
    """Reading without a number, and why there is none."""
    return Reading(
        at=at, expected=expected, unit=unit, outcome=Outcome.NOT_MEASURABLE, reason=reason
    )


def compared(
    value: float,
    uncertainty: float,
    limits: tuple[float | None, float | None],
    by: DecidesBy,
    *,
    unit: str,
    expected: float | None = None,
    at: float | None = None,
    remark: str = "",
) -> Reading:
    """Reading of a number, decided by its limits.

    Guarded: what lies inside its limits by its expanded uncertainty or more passes, what lies
    outside by more fails, and what lies between is undecided (JCGM 106:2012, 8.3, with a guard band
    of U to both sides of each limit; clause from memory). Simple acceptance: the number alone
    decides, and its uncertainty is told.

    Parameters
    ----------
    limits : lower and upper limit of the error, or of the value where nothing is expected.

    Nothing is known exactly: a number without any uncertainty is not measurable, as where all
    values around it are the same.
    """
    if uncertainty == 0:
        return not_measurable(
            "the values around are all the same: nothing can be told of their noise",
            unit, at, expected,
        )  # fmt: skip
    if not math.isfinite(value) or not math.isfinite(uncertainty):
        return not_measurable("the values are too large for a number", unit, at, expected)
    # twelve digits: 90.3 - 90 shall not miss a limit of 0.3 by a rounding
    error = None if expected is None else float(f"{value - expected:.12g}")
    tested = value if error is None else error
    outcome = _outcome(tested, uncertainty, limits, by)
    said = f"{tested:{'+' if error is not None else ''}.4g} {unit} ± {uncertainty:.2g} {unit}"
    reason = {
        Outcome.FAIL: f"{said}, where {_words(limits, unit)}",
        Outcome.UNDECIDED: f"{said} is too near to the limit to decide, where "
        f"{_words(limits, unit)}",
    }.get(outcome, "")
    return Reading(
        at=at,
        expected=expected,
        value=value,
        error=error,
        uncertainty=uncertainty,
        low=limits[0],
        high=limits[1],
        unit=unit,
        outcome=outcome,
        reason="; ".join(each for each in (reason, remark) if each),
    )


def _outcome(
    tested: float, uncertainty: float, limits: tuple[float | None, float | None], by: DecidesBy
) -> Outcome:
    low = -math.inf if limits[0] is None else limits[0]
    high = math.inf if limits[1] is None else limits[1]
    guard = uncertainty if by == "guarded" else 0.0
    if low + guard <= tested <= high - guard:
        return Outcome.PASS
    if tested < low - guard or tested > high + guard:
        return Outcome.FAIL
    return Outcome.UNDECIDED


def _words(limits: tuple[float | None, float | None], unit: str) -> str:
    low, high = limits
    if low is None:
        return f"at most {high:g} {unit} is allowed"
    if high is None:
        return f"at least {low:g} {unit} is asked for"
    if low == -high:
        return f"± {high:g} {unit} is allowed"
    return f"{low:g} {unit} to {high:g} {unit} is allowed"


def combined(*standard: float) -> float:
    """Expanded uncertainty (k = 2) of independent standard uncertainties."""
    return COVERAGE_FACTOR * math.hypot(*standard)
