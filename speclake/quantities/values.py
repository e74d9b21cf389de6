"""What every computation on a set of spectra gives: one number a spectrum, or why there is none."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from speclake.spectrum import FloatArray

EXACT, AT_LEAST, AT_MOST = 0, 1, -1
"""What a number is: the value itself, or only a bound that the value cannot be beyond."""


@dataclass(frozen=True, eq=False)
class Values:
    """One number a spectrum.

    Parameters
    ----------
    value : shape (n,), in the unit that the computation states; NaN where a spectrum cannot answer.
    at : shape (n,), where on the axis the number was found, in the unit of the axis; None for one
        that no single position decides, such as a mean.
    reasons : by row, why the spectrum cannot answer, in words.
    bound : shape (n,), `EXACT`, `AT_LEAST` or `AT_MOST`; None where all numbers are exact.
    standard_uncertainty : shape (n,), what the method itself knows of its uncertainty (k = 1), in
        the unit of `value`; None where it knows nothing of it.
    """

    value: FloatArray
    at: FloatArray | None = None
    reasons: Mapping[int, str] = field(default_factory=dict)
    bound: npt.NDArray[np.int8] | None = None
    standard_uncertainty: FloatArray | None = None

    @classmethod
    def of_none(cls, n: int, reason: str) -> "Values":
        """No number for any of `n` spectra, for one reason."""
        return cls(np.full(n, np.nan), reasons=dict.fromkeys(range(n), reason))


def blanked(values: FloatArray, rows: Iterable[int]) -> FloatArray:
    """Values with NaN in some rows: those that have a reason not to answer."""
    found = values.copy()
    found[list(rows)] = np.nan
    return found
