"""Numbers as they are written, and products of them rounded once: the nearest float64.

``3487`` with ``##YFACTOR= 0.0001`` is the float64 of ``0.3487``, not the product of two rounded
numbers. Written numbers are therefore kept as an integer and a power of ten until the end.
"""

import re
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
Integers = npt.NDArray[Any]
"""Whole numbers, int64 or, where those are too small, Python's own (dtype object)."""

EXACT_BELOW = 2**53
"""Whole numbers below this are float64 without rounding."""

_NUMBER = re.compile(r"([+-]?)(\d*)(?:\.(\d*))?(?:[Ee]([+-]?\d{1,4}))?", re.ASCII)
_MOST_DIGITS = 60
# the last digit of the smallest float64 is the 324th behind the point
_LARGEST_POWER = 400
_SPLITTER = 2.0**27 + 1


@dataclass(frozen=True)
class Written:
    """A decimal number exactly as written: `mantissa` times ten to the `exponent`."""

    mantissa: int
    exponent: int

    @cached_property
    def value(self) -> float:
        """Nearest float64."""
        return float(self.exact)

    @cached_property
    def exact(self) -> Fraction:
        """The number itself."""
        if self.exponent >= 0:
            return Fraction(self.mantissa * 10**self.exponent)
        return Fraction(self.mantissa, 10**-self.exponent)

    @property
    def last_digit(self) -> float:
        """What one step in the last written digit amounts to."""
        return float(f"1E{self.exponent}")


ONE = Written(1, 0)


def written(text: str) -> Written:
    """Decimal number in a text, with a point and perhaps an exponent.

    Raises
    ------
    ValueError
        The text is no such number, or one that no measurement holds (hundreds of digits).
    """
    match = _NUMBER.fullmatch(text.strip())
    if not match or not (match[2] or match[3]):
        raise ValueError(f"{text.strip()!r}")
    digits = match[2] + (match[3] or "")
    exponent = int(match[4] or 0) - len(match[3] or "")
    if len(digits) > _MOST_DIGITS or abs(exponent) > _LARGEST_POWER:
        raise ValueError(f"{shortened(text.strip())}, a number out of all reason")
    return Written(int(match[1] + digits), exponent)


def shortened(text: str) -> str:
    """Text in quotes, cut where it is long."""
    return repr(text) if len(text) <= 40 else f"{text[:37]!r}..."


def multiplied(integers: Integers, factor: Written, decimals: int = 0) -> FloatArray:
    """Nearest float64 of integer times factor over ten to the `decimals`, element by element.

    Raises
    ------
    OverflowError
        A product lies beyond the float64.
    """
    ratio = factor.exact / Fraction(10) ** decimals
    return divided(integers, ratio.numerator, ratio.denominator)


def evenly_spaced(first: Written, last: Written, count: int, leading: int) -> FloatArray:
    """Leading ones of `count` positions from first to last in equal steps, the nearest float64."""
    start, span = first.exact, last.exact - first.exact
    steps = max(count - 1, 1)
    scale = start.denominator * span.denominator * steps
    offset, step = int(start * scale), int(span * scale) // steps
    small = max(abs(offset), abs(offset + step * steps)) < 2**62
    index: Integers = np.arange(leading, dtype=np.int64)
    return divided(offset + step * (index if small else index.astype(object)), 1, scale)


def divided(integers: Integers, numerator: int, denominator: int) -> FloatArray:
    """Nearest float64 of integer times numerator over denominator, element by element.

    Where both operands of one division are float64 without rounding, IEEE 754 gives the nearest.
    Otherwise the product is carried as an unevaluated sum of two float64 (Dekker, 1971), and the
    few that lie too near to a tie for that are divided in whole numbers.

    Raises
    ------
    OverflowError
        A quotient lies beyond the float64.

    References
    ----------
    T. J. Dekker, A floating-point technique for extending the available precision,
    Numerische Mathematik 18 (1971) 224-242.
    """
    if integers.size == 0:
        return np.empty(0)
    largest = max(abs(int(integers.max())), abs(int(integers.min())))
    if largest >= EXACT_BELOW or not _is_float(numerator) or not _is_float(denominator):
        return _in_whole_numbers(integers, numerator, denominator)
    exact = integers.astype(np.float64)
    if largest * abs(numerator) < EXACT_BELOW:
        return exact * float(numerator) / float(denominator)
    ratio = abs(numerator) / denominator
    if not 1e-250 < ratio <= ratio * largest < 1e250:
        return _in_whole_numbers(integers, numerator, denominator)
    return _in_two_floats(integers, exact, numerator, denominator)


def _is_float(number: int) -> bool:
    return abs(number) < 2**1000 and int(float(number)) == number


def _in_whole_numbers(integers: Integers, numerator: int, denominator: int) -> FloatArray:
    # Python divides whole numbers of any size to the nearest float64
    return np.array([each * numerator / denominator for each in integers.tolist()], np.float64)


def _in_two_floats(
    integers: Integers, exact: FloatArray, numerator: int, denominator: int
) -> FloatArray:
    product, product_rest = _two_product(exact, float(numerator))
    divisor = float(denominator)
    quotient = product / divisor
    back, back_rest = _two_product(quotient, divisor)
    correction = (((product - back) - back_rest) + product_rest) / divisor
    nearest = quotient + correction
    rest = np.abs(correction - (nearest - quotient))
    gap = np.spacing(np.abs(nearest))
    # the rest is right to 2**-49 of a gap; a quarter gap is the tie below a power of two
    doubtful = (np.abs(rest - gap / 2) <= gap * 2.0**-46) | (
        np.abs(rest - gap / 4) <= gap * 2.0**-46
    )
    if doubtful.any():
        nearest[doubtful] = _in_whole_numbers(integers[doubtful], numerator, denominator)
    return nearest


def _two_product(left: FloatArray, right: float) -> tuple[FloatArray, FloatArray]:
    product = left * right
    left_high, left_low = _halves(left)
    right_high, right_low = _halves(np.float64(right))
    rest = (left_high * right_high - product) + left_high * right_low + left_low * right_high
    return product, rest + left_low * right_low


def _halves(number: Any) -> tuple[Any, Any]:
    stretched = number * _SPLITTER
    high = stretched - (stretched - number)
    return high, number - high
