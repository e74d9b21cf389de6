"""Limits that keep their digits, and rounding to the last of them.

A limit is kept as the text that somebody wrote: 92.0 and 92 are one number and two requirements
where a value is rounded before it is compared. A value counts as its shortest decimal text, the
one that gives the same float64 back: that is what an export wrote and what a page prints.

References
----------
ASTM E29, Practice for using significant digits in test data to determine conformance with
specifications: the absolute method and the rounding method; clause numbers from memory.
"""

import re
from collections.abc import Sequence
from decimal import ROUND_HALF_EVEN, Decimal
from typing import Literal

import numpy as np

from speclake.spectrum import FloatArray

Decision = Literal["absolute", "rounded"]

MOST_DIGITS = 14
"""Significant digits that a limit may have: with one more for a tie, float64 keeps them apart."""

_NUMBER = re.compile(r"[+-]?\d+(\.\d+)?([eE][+-]?\d{1,2})?")
_TIE_DOUBT = 1e-6


def limit_text(written: object) -> str:
    """Limit as text with every digit that was written.

    Parameters
    ----------
    written : text, an int or a `Decimal`. A float is refused: it has lost its trailing zeros.

    Raises
    ------
    ValueError
        It is no decimal number, or has more than `MOST_DIGITS` significant digits.
    """
    if isinstance(written, bool | float) or not isinstance(written, str | int | Decimal):
        raise ValueError('a number as written, in Python in quotes ("92.0")')  # noqa: TRY004  pydantic turns ValueError into its own error
    text = str(written).strip()
    if not _NUMBER.fullmatch(text):
        raise ValueError("a decimal number such as 92.0")
    if len(Decimal(text).as_tuple().digits) > MOST_DIGITS:
        raise ValueError(f"a number of at most {MOST_DIGITS} significant digits")
    return text


def last_place(limit: str) -> int:
    """Power of ten of the last digit that a limit is written with.

    Examples
    --------
    >>> last_place("92.0"), last_place("92"), last_place("3.60e4")
    (-1, 0, 2)
    """
    exponent = Decimal(limit).as_tuple().exponent
    assert isinstance(exponent, int)  # limit_text lets no infinity and no NaN through
    return exponent


def decimal_of(value: float) -> Decimal:
    """Value as its shortest decimal text."""
    return Decimal(repr(float(value)))


def rounded(value: float, place: int) -> Decimal:
    """Value rounded to a power of ten, halves to the even digit.

    Examples
    --------
    >>> print(rounded(91.95, -1), rounded(91.85, -1), rounded(91.949, -1))
    92.0 91.8 91.9
    """
    return decimal_of(value).quantize(Decimal((0, (1,), place)), rounding=ROUND_HALF_EVEN)


def rounded_values(values: FloatArray, place: int) -> FloatArray:
    """Values rounded as by `rounded`, each as the float64 nearest to the rounded decimal.

    NaN stays NaN. Arithmetic in binary settles all but the values near a tie between two digits;
    those are rounded as text.
    """
    unit = 10.0 ** abs(place)
    scaled = values * unit if place < 0 else values / unit
    whole = np.rint(scaled)
    out = whole / unit if place < 0 else whole * unit
    fraction = np.abs(scaled - np.floor(scaled) - 0.5)
    for row in np.flatnonzero(fraction < _TIE_DOUBT * np.maximum(1.0, np.abs(scaled) * 1e-6)):
        out[row] = float(rounded(float(values[row]), place))
    return out


def shown(
    value: float, limits: Sequence[str], decision: Decision, guard: float | None = None
) -> str:
    """Value as it is printed: on the same side of every limit as it was judged.

    Under ``rounded`` it has the last digit of the limits, and this very number was compared. Under
    ``absolute`` it has one digit more than the limits, and as many more as it takes to show on
    which side of each limit, and of each limit ± `guard`, it lies.

    Examples
    --------
    >>> shown(91.96, ["92.0"], "rounded"), shown(91.96, ["92.0"], "absolute")
    ('92.0', '91.96')
    >>> shown(91.99996, ["92.0"], "absolute")
    '91.99996'
    """
    place = min(last_place(limit) for limit in limits)
    if decision == "rounded":
        return _plain(rounded(value, place))
    exact = decimal_of(value)
    marks = [Decimal(limit) for limit in limits]
    if guard is not None:
        reach = decimal_of(guard)
        marks += [mark + sign * reach for mark in marks for sign in (1, -1)]
    finest = min(_exponent(exact), place - 1)
    for last in range(place - 1, finest, -1):
        text = rounded(value, last)
        if all(_side(text, mark) == _side(exact, mark) for mark in marks):
            return _plain(text)
    return _plain(rounded(value, finest))


def shown_values(
    values: FloatArray,
    limits: Sequence[str],
    decision: Decision,
    guard: FloatArray | None = None,
) -> list[str]:
    """Text of each value as by `shown`; empty where a value is NaN.

    `guard` has one entry a value, NaN where there is none.

    The usual value is far from every limit and every tie: float formatting gives its text. The
    others are rounded as decimals.
    """
    place = min(last_place(limit) for limit in limits) - (decision == "absolute")
    digits, unit = max(0, -place), 10.0**-place
    scaled = np.abs(values * unit)
    step = 1.0 / unit
    plain = (place <= 0) & (scaled >= 1) & (scaled < 1e9)
    plain &= np.abs(scaled - np.floor(scaled) - 0.5) > _TIE_DOUBT
    if decision == "absolute":
        for limit in map(float, limits):
            away = np.abs(values - limit)
            plain &= away > step
            if guard is not None:
                plain &= ~(np.abs(away - guard) <= step)
    guards: list[float | None] = [None] * len(values)
    if guard is not None:
        guards = [None if each != each else each for each in guard.tolist()]
    return [
        format(value, f".{digits}f")
        if is_plain
        else ("" if value != value else shown(value, limits, decision, within))
        for value, is_plain, within in zip(values.tolist(), plain.tolist(), guards, strict=True)
    ]


def with_uncertainty(value: float | None, uncertainty: float | None) -> str:
    """Value as text that ends where two digits of its uncertainty end; six digits without one.

    Examples
    --------
    >>> with_uncertainty(0.000302014, 0.20281), with_uncertainty(29.98732, 0.000882018)
    ('0.00', '29.98732')
    """
    if value is None:
        return ""
    if uncertainty is None or not np.isfinite([value, uncertainty]).all() or uncertainty <= 0:
        return f"{value:.6g}"
    place = Decimal(f"{uncertainty:.1e}").adjusted() - 1
    return _plain(rounded(value, place))


def _plain(number: Decimal) -> str:
    """Number without an exponent, and zero without a sign."""
    return format(number if number else abs(number), "f")


def _exponent(number: Decimal) -> int:
    exponent = number.as_tuple().exponent
    return exponent if isinstance(exponent, int) else 0


def _side(number: Decimal, mark: Decimal) -> int:
    return (number > mark) - (number < mark)
