"""Values of a spectrum as integers and a power of ten, wherever that loses not one bit.

An export prints decimals, so its values are integers times a power of ten as the nearest float64.
Integers of 32 bits, stored as differences, take a third of the space of the float64 themselves.
"""

from typing import Any

import numpy as np
import numpy.typing as npt

from speclake.archive.rows import EncodedValues
from speclake.archive.schemas import list_arrays

FINEST_EXPONENT = -9
_SCALES = np.array([10.0**places for places in range(-FINEST_EXPONENT + 1)])
_TOO_LARGE = 2.0**31 - 0.5  # rounds to an integer of more than 31 bits
_SAMPLE = 16


def encode(values: npt.ArrayLike) -> EncodedValues:
    """Values as integers and the largest power of ten, 0 to -9, that gives every bit back.

    Where none does (a NaN, a negative zero, an integer of more than 31 bits, more than nine
    places), the float64 themselves.

    Parameters
    ----------
    values : shape (p,).
    """
    floats = np.ascontiguousarray(values, dtype=np.float64)
    if floats.size == 0:
        return EncodedValues(None, None, floats)
    largest = float(np.abs(floats).max())  # NaN where a value is NaN, and then nothing fits
    # What a few of the values need, all of them need: mostly one full pass remains.
    few = floats[:: max(1, floats.size // _SAMPLE)]
    few_bits, bits = few.view(np.int64), floats.view(np.int64)
    for places, scale in enumerate(_SCALES.tolist()):
        if not largest * scale < _TOO_LARGE:
            break
        if _integers(few, few_bits, scale) is None:
            continue
        integers = _integers(floats, bits, scale)
        if integers is not None:
            return EncodedValues(-places, integers, None)
    return EncodedValues(None, None, floats)


def _integers(
    floats: npt.NDArray[np.float64], bits: npt.NDArray[np.int64], scale: float
) -> npt.NDArray[np.int32] | None:
    """Integers that give the floats back when divided by the scale, None where they do not."""
    integers = np.rint(floats * scale).astype(np.int32)
    # An integer below 2^53 divided by a power of ten up to 10^22 is the float64 nearest to the
    # decimal (both operands are exact, IEEE 754 rounds once), as a reader of decimals makes it.
    if not np.array_equal((integers / scale).view(np.int64), bits):
        return None
    return integers


def decode(values: EncodedValues) -> npt.NDArray[np.float64]:
    """Values, shape (p,), bit for bit those that were encoded."""
    if values.integers is None:
        assert values.floats is not None
        return values.floats
    assert values.exponent is not None
    floats: npt.NDArray[np.float64] = values.integers / _SCALES[-values.exponent]
    return floats


def decode_rows(table: Any, points: int) -> npt.NDArray[np.float64]:
    """Values of many rows that share an axis, shape (n, points).

    Parameters
    ----------
    table : pyarrow.Table with the columns ``exponent``, ``integers`` and ``floats``.

    Raises
    ------
    ValueError
        A row has another number of points.
    """
    rows = np.empty((table.num_rows, points))
    start = 0
    for batch in table.select(["exponent", "integers", "floats"]).to_batches():
        part = rows[start : start + batch.num_rows]
        start += batch.num_rows
        has_integers = batch.column("integers").is_valid().to_numpy(zero_copy_only=False)
        if has_integers.any():
            places = -batch.column("exponent").drop_null().to_numpy().astype(np.int64)
            integers = _flat(batch.column("integers"), int(has_integers.sum()), points)
            part[has_integers] = integers / _SCALES[places][:, None]
        if not has_integers.all():
            part[~has_integers] = _flat(batch.column("floats"), int((~has_integers).sum()), points)
    return rows


def _flat(lists: Any, n: int, points: int) -> Any:
    given = [values for values in list_arrays(lists) if values is not None]
    if any(len(values) != points for values in given):
        lengths = sorted({len(values) for values in given})
        raise ValueError(f"found spectra of {lengths} points; expected {points}")
    return lists.flatten().to_numpy().reshape(n, points)
