"""Sums of exported decimals without a rounding of ours: the result is the float nearest to it.

An export writes decimals, so a value is an integer over a power of ten. 0.1 + 0.2 in float64 is not
0.3; one tenth and two tenths are three tenths all the same, and no verdict may hang on the
difference.
"""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from speclake.spectrum import FloatArray

FINEST = 9
"""Most decimal places that are looked for."""

_LARGEST = 2.0**49
"""Integers up to here stay exact when two are added and the sum is multiplied by ten."""

_SAMPLE = 16


def decimal_places(values: FloatArray) -> npt.NDArray[np.int64]:
    """Decimal places that write every value of a row exactly, shape (n,); -1 where 9 do not.

    Parameters
    ----------
    values : shape (n, p); a NaN needs none.

    Examples
    --------
    >>> decimal_places(np.array([[90.0, 89.25], [0.1, 1 / 3]]))
    array([ 2, -1])
    """
    places = np.full(len(values), -1)
    open_rows = np.arange(len(values))
    few = slice(None, None, max(1, values.shape[1] // _SAMPLE))
    for number in range(FINEST + 1):
        # what a few values need, all of them need: mostly one full pass remains
        likely = open_rows[_are_written(values[open_rows, few], number)]
        done = likely[_are_written(values[likely], number)]
        places[done] = number
        open_rows = np.setdiff1d(open_rows, done, assume_unique=True)
    return places


def _are_written(values: FloatArray, places: int) -> npt.NDArray[np.bool_]:
    """Which rows so many decimal places write exactly, shape (n,)."""
    scaled = np.rint(values * 10.0**places)
    is_written = (scaled / 10.0**places == values) & (np.abs(scaled) < _LARGEST)
    found: npt.NDArray[np.bool_] = (is_written | np.isnan(values)).all(axis=1)
    return found


def summed(first: int, terms: Sequence[tuple[int, FloatArray]], *, over: int = 1) -> FloatArray:
    """(first + sum of weight times values) over a number, shape (n, p).

    Rows whose values are decimals are summed as integers and divided once, so that each result is
    the float64 nearest to the true one; other rows are summed in float64. What a row gives depends
    on that row alone.

    Parameters
    ----------
    first : a whole number.
    terms : weights, 1 or -1, and values of shape (n, p).
    over : 1 or 2.

    Examples
    --------
    >>> tenth, fifth = np.array([[0.1]]), np.array([[0.2]])
    >>> float(summed(0, [(1, tenth), (1, fifth)], over=2)[0, 0])
    0.15
    """
    places = np.stack([decimal_places(values) for _, values in terms])
    finest = np.where((places < 0).any(axis=0), -1, places.max(axis=0))
    result = np.full(terms[0][1].shape, float(first))
    for weight, values in terms:
        result += weight * values
    result /= over
    tenths = {1: 10, 2: 5}[over]
    for number in np.unique(finest[finest >= 0]).tolist():
        rows = finest == number
        whole = np.full(result[rows].shape, float(first * 10**number))
        for weight, values in terms:
            whole += weight * np.rint(values[rows] * 10.0**number)
        result[rows] = whole * tenths / 10.0 ** (number + 1)
    return result


def hundredfold(values: FloatArray) -> FloatArray:
    """A hundred times the values, shape (n, p); of decimals without a rounding.

    Examples
    --------
    >>> float(np.float64(0.07) * 100), float(hundredfold(np.array([[0.07]]))[0, 0])
    (7.000000000000001, 7.0)
    """
    places = decimal_places(values)
    result: FloatArray = values * 100.0
    for number in np.unique(places[places >= 0]).tolist():
        rows = places == number
        whole = np.rint(values[rows] * 10.0**number)
        few = 10.0 ** (2 - number)
        result[rows] = whole * few if number <= 2 else whole / 10.0 ** (number - 2)
    return result
