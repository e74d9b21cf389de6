"""The same numbers as in `speclake.quantities.bands`, of one spectrum, in rational arithmetic.

An export writes decimals, and a decimal limit is met or missed by decimals. Sums in float64 are off
by some parts in 10¹⁵, which matters in one case only: where the number falls on the limit itself.
For that case the number is taken again from the decimals, without any rounding.
"""

from decimal import Context, Decimal, Inexact, localcontext
from fractions import Fraction
from itertools import pairwise

import numpy as np

from speclake.quantities.bands import What
from speclake.quantities.windows import Between, Window
from speclake.spectrum import FloatArray

_EXACT = Context(prec=4000, traps=[Inexact])
"""Digits enough for the product and sum of any float64s; a rounding would be an error."""


def exact(what: What, row: FloatArray, window: Window) -> Fraction:
    """One number of one spectrum, every value and position taken as its shortest decimal text.

    Parameters
    ----------
    row : shape (p,), on the axis of the window; no value that the window needs is missing.
    """
    if what == "mean":
        return _mean(row, window)
    candidates = []
    if window.before is not None:
        candidates.append(_end(row, window.before, window.at_start, window))
    if window.stop > window.start:
        inner = row[window.start : window.stop]
        candidates.append(_decimal(inner.max() if what == "maximum" else inner.min()))
    if window.after is not None and what != "value":
        candidates.append(_end(row, window.after, window.at_stop, window))
    return max(candidates) if what == "maximum" else min(candidates)


def _decimal(value: float | np.float64) -> Fraction:
    return Fraction(repr(float(value)))


def _end(row: FloatArray, between: Between, position: float, window: Window) -> Fraction:
    """Value between two points, on the straight line through them."""
    points = window.axis.values
    low, high = _decimal(points[between.point]), _decimal(points[between.point + 1])
    below, above = _decimal(row[between.point]), _decimal(row[between.point + 1])
    return below + (above - below) * (_decimal(position) - low) / (high - low)


def _mean(row: FloatArray, window: Window) -> Fraction:
    needed = row[window.needed]
    if (needed == needed[0]).all():
        return _decimal(needed[0])
    heights: list[Decimal | Fraction] = [
        Decimal(repr(value)) for value in row[window.start : window.stop].tolist()
    ]
    if window.before is not None:
        heights.insert(0, _end(row, window.before, window.at_start, window))
    if window.after is not None:
        heights.append(_end(row, window.after, window.at_stop, window))
    positions = [Decimal(repr(position)) for position in window.along.tolist()]
    plain, mixed = Decimal(0), Fraction(0)
    with localcontext(_EXACT):
        for i, (left, right) in enumerate(pairwise(heights)):
            width = abs(positions[i + 1] - positions[i])
            if isinstance(left, Decimal) and isinstance(right, Decimal):
                plain += width * (left + right)
            else:
                mixed += Fraction(width) * (Fraction(left) + Fraction(right))
    return (Fraction(plain) + mixed) / 2 / Fraction(abs(positions[-1] - positions[0]))
