"""Floats written as decimals that name them: every float64 comes back, bit for bit."""

from decimal import Decimal
from fractions import Fraction

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
MOST_DIGITS = 22
"""Digits of a whole number that, with its abscissa and its change, still fits on a line."""

_SCALES = [10.0**places for places in range(16)]
_EXACT_BELOW = 2.0**53


def number_text(value: float) -> str:
    """Shortest decimal that names a float64; NaN is the ``?`` of a missing number.

    >>> number_text(400.0), number_text(1e-07), number_text(-0.0), number_text(float("nan"))
    ('400', '1E-07', '-0', '?')
    """
    if np.isnan(value):
        return "?"
    return repr(float(value)).removesuffix(".0").replace("e", "E")


def whole_numbers(values: FloatArray) -> tuple[list[int | None], int] | None:
    """Whole numbers and a count of places: number over ten to the places is the value.

    NaN is None. No answer where there is a negative zero, which no whole number is, or where a
    number needs more than `MOST_DIGITS`.
    """
    there = ~np.isnan(values)
    finite = values[there]
    if (np.signbit(finite) & (finite == 0)).any():
        return None
    found = _few_digits(finite) or _every_digit(finite)
    if found is None:
        return None
    numbers, places = found
    listed: list[int | None] = [None] * values.size
    for at, number in zip(np.flatnonzero(there).tolist(), numbers, strict=True):
        listed[at] = number
    return listed, places


def _few_digits(values: FloatArray) -> tuple[list[int], int] | None:
    largest = float(np.abs(values).max(initial=0.0))
    for places, scale in enumerate(_SCALES):
        if largest * scale >= _EXACT_BELOW:
            return None
        integers = np.rint(values * scale)
        # both operands are exact, so the quotient is the float64 nearest to the decimal
        if np.array_equal(integers / scale, values):
            return [int(each) for each in integers.tolist()], places
    return None


def _every_digit(values: FloatArray) -> tuple[list[int], int] | None:
    parts = [Decimal(repr(each)).as_tuple() for each in values.tolist()]
    exponents = [int(part.exponent) for part in parts]
    places = max(0, -min(exponents))
    if any(
        len(part.digits) + exponent + places > MOST_DIGITS
        for part, exponent in zip(parts, exponents, strict=True)
        if any(part.digits)
    ):
        return None
    return [int(Decimal(repr(each)).scaleb(places)) for each in values.tolist()], places


def is_even(positions: FloatArray) -> bool:
    """Whether equal steps from the first to the last decimal give all positions, bit for bit."""
    if not all(each == 0 or 1e-30 < abs(each) < 1e30 for each in positions[[0, -1]].tolist()):
        return False
    first, last = (Fraction(repr(each)) for each in positions[[0, -1]].tolist())
    steps = max(positions.size - 1, 1)
    scale = first.denominator * last.denominator * steps
    start, step = int(first * scale), int((last - first) * scale) // steps
    # Python divides whole numbers of any size to the nearest float64
    even = np.array([(start + step * i) / scale for i in range(positions.size)])
    return even.tobytes() == positions.tobytes()
