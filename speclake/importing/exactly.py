"""Numbers of a binary file as float64 and as text: exactly, or not at all."""

from typing import Any

import numpy as np
import numpy.typing as npt

from speclake.errors import MalformedFile

LARGEST_EXACT_INTEGER = 2**53
"""Up to here float64 holds every integer."""

ALWAYS_ALLOWED_BYTES = 64 * 2**20
LARGEST_RATIO = 200
"""How many bytes of numbers a byte of a file may stand for, where they are more than the above.

Measured values have noise in their last digits; no known packing shrinks them even by 50.
"""

FloatArray = npt.NDArray[np.float64]


def as_float64(found: npt.NDArray[Any], file: str, place: str) -> FloatArray:
    """Numbers as float64, each one exactly what the file holds; NaN stays NaN.

    Raises
    ------
    speclake.errors.MalformedFile
        These are no numbers, an integer is beyond what float64 holds exactly, or one is infinite.
    """
    kind, bytes_each = found.dtype.kind, found.dtype.itemsize
    if kind not in "fiu" or bytes_each > 8:
        expected = "integers or floating-point numbers of at most 64 bits"
        raise MalformedFile(file, place, f"values of the type {found.dtype}", expected)
    if kind in "iu":
        beyond = found > LARGEST_EXACT_INTEGER
        if kind == "i":
            beyond |= found < -LARGEST_EXACT_INTEGER
        if beyond.any():
            expected = "integers up to 2**53, which float64 holds exactly"
            raise MalformedFile(file, place, f"the integer {int(found[beyond][0])}", expected)
    with np.errstate(invalid="ignore"):  # a NaN of the signalling kind is a NaN all the same
        values = found.astype(np.float64)
    if np.isinf(values).any():
        raise MalformedFile(file, place, "an infinite value", "finite values, or NaN for missing")
    return values


def precision_notes(dtype: np.dtype[Any], what: str) -> tuple[str, ...]:
    """Reading note where numbers have fewer digits than float64."""
    if dtype.kind != "f" or dtype.itemsize >= 8:
        return ()
    name = {4: "single precision", 2: "half precision"}.get(dtype.itemsize, str(dtype))
    return (f"{what} in {name}, widened exactly",)


def text_of_number(value: np.generic | float) -> str:
    """Shortest text that gives back the number in its own precision."""
    if isinstance(value, bool | np.bool_):
        return "true" if value else "false"
    return str(value)


def sound_text(text: str) -> str:
    r"""Text without what no encoding holds; bytes that were none of UTF-8 become ``\xff``."""
    return text.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


def check_size(numbers: int, bytes_of_file: int, file: str, place: str) -> None:
    """Nothing, if so many numbers may well be in a file of this size.

    Raises
    ------
    speclake.errors.MalformedFile
        The file declares far more than it can hold.
    """
    if numbers * 8 > max(ALWAYS_ALLOWED_BYTES, LARGEST_RATIO * bytes_of_file):
        raise MalformedFile(
            file,
            place,
            f"{numbers} values declared in a file of {bytes_of_file} bytes",
            f"at most {LARGEST_RATIO} bytes of values for a byte of the file",
        )
