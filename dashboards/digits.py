"""Numbers of a control chart as text: as many decimals for all, and never against the limit."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

MOST_DECIMALS = 10


@dataclass(frozen=True)
class SpecLimits:
    """Limits of a specification with the digits that they were written with.

    Parameters
    ----------
    low, high : None where that side is open.
    low_text, high_text : the same as written.
    spec : name of the specification, with its revision where it has one.
    """

    low: float | None = None
    high: float | None = None
    low_text: str = ""
    high_text: str = ""
    spec: str = ""

    def outside(self, value: float) -> str:
        """Which limit a value lies beyond, in words; empty where it lies beyond none."""
        if self.low is not None and value < self.low:
            return f"outside the specification: below {self.low_text}"
        if self.high is not None and value > self.high:
            return f"outside the specification: above {self.high_text}"
        return ""


def decimals_of(limits: Sequence[str], moving_ranges: Sequence[float]) -> int:
    """Decimals for every number of a chart.

    One more than the limits are written with, and at least so many that the mean moving range
    shows one digit; two digits of it where there is no limit.

    Examples
    --------
    >>> decimals_of(["99.25"], [0.05]), decimals_of([], [0.05]), decimals_of(["9"], [0.004])
    (3, 3, 3)
    """
    written = [len(text.partition(".")[2]) + 1 for text in limits]
    ranges = [each for each in moving_ranges if math.isfinite(each)]
    mean = sum(ranges) / len(ranges) if ranges else 0.0
    scatter = -math.floor(math.log10(mean)) + (not limits) if mean > 0 else 0
    return min(max([*written, scatter, 0]), MOST_DECIMALS)


def fixed(value: float | None, decimals: int) -> str:
    """Number with so many decimals, with a true minus sign."""
    if value is None or math.isnan(value):
        return "–"
    return f"{value:.{decimals}f}".replace("-", "−")


def point_text(value: float, decimals: int, limits: SpecLimits) -> str:
    """Value of a point: with more decimals where fewer would put it on the limit's other side.

    Examples
    --------
    >>> point_text(99.24996, 3, SpecLimits(low=99.25, low_text="99.25"))
    '99.24996'
    """
    side = limits.outside(value)
    while decimals < MOST_DECIMALS and limits.outside(round(value, decimals)) != side:
        decimals += 1
    return fixed(value, decimals)
