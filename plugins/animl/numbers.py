"""Numbers as AnIML writes them, each turned into the nearest float64 with one rounding."""

import binascii
import math
import re
from collections.abc import Sequence

import numpy as np

from speclake.spectrum import FloatArray

_LONGEST = 400
"""Characters of a number; a longer one is no measured value."""

_DECIMAL = re.compile(r"([+-]?)([0-9]*)(?:\.([0-9]*))?(?:[eE]([+-]?[0-9]+))?")
_DOUBLE = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_INTEGER = re.compile(r"[+-]?[0-9]+")
_BITS = {"I": 32, "L": 64}
_BLANKS = " \t\r\n"
_EXACT_INTEGERS = 2**53
_EXACT_POWERS = 22  # up to this one a power of ten is a float64 exactly

SERIES_TYPES = {
    "Int32": ("I", "<i4"),
    "Int64": ("L", "<i8"),
    "Float32": ("F", "<f4"),
    "Float64": ("D", "<f8"),
}
"""Element of one value, and form of the encoded bytes (little-endian), by numeric type."""


class BadNumber(Exception):
    """What stands where a number should, and what was expected; its arguments."""


def numbers(texts: Sequence[str | None], element: str) -> FloatArray:
    """Float64 nearest to each text; NaN where the text is ``NaN``.

    Parameters
    ----------
    element : ``I``, ``L``, ``F`` or ``D``, whose lexical form the schema fixes.

    Raises
    ------
    BadNumber
        A text is no such number, infinite, or beyond what a float64 holds.
    """
    bare = [(text or "").strip(_BLANKS) for text in texts]
    if element not in _BITS and all(map(_DOUBLE.fullmatch, bare)):
        values = np.array(list(map(float, bare)))
        if np.isfinite(values).all() and max(map(len, bare), default=0) <= _LONGEST:
            return values
    read = _integer if element in _BITS else _double
    return np.array([read(text, element) for text in bare])


def _double(text: str, element: str) -> float:
    if len(text) <= _LONGEST and _DOUBLE.fullmatch(text):
        value = float(text)
        if math.isfinite(value):
            return value
        raise BadNumber(_shown(text), "a number that a float64 holds")
    if text == "NaN":
        return math.nan
    expected = "a finite number" if text in ("INF", "-INF", "+INF") else f"a number in <{element}>"
    raise BadNumber(_shown(text), expected)


def _integer(text: str, element: str) -> float:
    if len(text) > _LONGEST or not _INTEGER.fullmatch(text):
        raise BadNumber(_shown(text), f"an integer in <{element}>")
    value, bits = int(text), _BITS[element]
    if not -(2 ** (bits - 1)) <= value < 2 ** (bits - 1):
        raise BadNumber(_shown(text), f"an integer of {bits} bits")
    if abs(value) > _EXACT_INTEGERS:
        raise BadNumber(_shown(text), "an integer that a float64 holds exactly, up to 2^53")
    return float(value)


def decoded(text: str, form: str) -> FloatArray:
    """Numbers from base64 text, widened exactly to float64.

    Parameters
    ----------
    form : how the bytes of one number are read, as in `SERIES_TYPES`.

    Raises
    ------
    BadNumber
        The text is no base64, its bytes do not divide into numbers, or a number is infinite or
        beyond what a float64 holds exactly.
    """
    packed = "".join(text.split())
    try:
        content = binascii.a2b_base64(packed.encode("ascii"))
    except ValueError as error:
        raise BadNumber(f"{_shown(packed)}, which is no base64 ({error})", "base64") from error
    if binascii.b2a_base64(content, newline=False).decode("ascii") != packed:
        raise BadNumber(f"{_shown(packed)}, which is no base64", "base64 without a stray sign")
    size = np.dtype(form).itemsize
    if len(content) % size:
        raise BadNumber(f"{len(content)} encoded bytes", f"a multiple of {size}, one number each")
    found = np.frombuffer(content, dtype=form)
    if form == "<i8" and ((found > _EXACT_INTEGERS) | (found < -_EXACT_INTEGERS)).any():
        raise BadNumber("an encoded integer beyond 2^53", "one that a float64 holds exactly")
    values = found.astype(np.float64)
    if np.isinf(values).any():
        raise BadNumber("an infinite encoded number", "finite numbers")
    return values


def incremented(start: str, increment: str, count: int) -> FloatArray:
    """The numbers ``start + i * increment``, each computed exactly and rounded once.

    Raises
    ------
    BadNumber
        A text is no finite number, or the numbers grow beyond what a float64 holds.
    """
    (first, first_power), (step, step_power) = _exactly(start), _exactly(increment)
    power = min(first_power, step_power)
    first *= 10 ** (first_power - power)
    step *= 10 ** (step_power - power)
    over, times = 10 ** max(-power, 0), 10 ** max(power, 0)
    last = first + step * max(count - 1, 0)
    largest = max(abs(first), abs(last), abs(step))
    if power <= 0 and largest <= _EXACT_INTEGERS and -power <= _EXACT_POWERS:
        whole: FloatArray = (first + step * np.arange(count, dtype=np.int64)).astype(np.float64)
        return whole / float(over)
    try:
        # the quotient of two integers is correctly rounded, however long they are
        quotients = ((first + step * i) * times / over for i in range(count))
        return np.fromiter(quotients, np.float64, count)
    except OverflowError as error:
        found = f"{_shown(start)} and {count} increments of {_shown(increment)}"
        raise BadNumber(found, "numbers that a float64 holds") from error


def _exactly(text: str) -> tuple[int, int]:
    """A decimal number as an integer and a power of ten."""
    text = text.strip(_BLANKS)
    match = _DECIMAL.fullmatch(text) if len(text) <= _LONGEST else None
    if match is None or not _DOUBLE.fullmatch(text):
        raise BadNumber(_shown(text), "a finite number")
    digits, fraction = match[2] or "", match[3] or ""
    power = int(match[4] or 0) - len(fraction)
    value = int(digits + fraction or "0")
    if value == 0:
        return 0, 0
    if abs(power) > 2 * _LONGEST:
        raise BadNumber(_shown(text), "a number that a float64 holds")
    return (-value if match[1] == "-" else value), power


def _shown(text: str) -> str:
    return repr(text if len(text) <= 40 else f"{text[:40]}...")
