"""What is known of how well values are known."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from speclake.spectrum import FloatArray


@dataclass(frozen=True, eq=False)
class Uncertainty:
    """How well values are known, each array of shape (n,), NaN where nobody stated it.

    Parameters
    ----------
    expanded : expanded uncertainty U, in the unit of the requirement.
    coverage_factor : the k that it was expanded with.
    noise_bias : by how much noise alone moves a minimum or a maximum outwards, with its sign, in
        the unit of the requirement.
    reasons : by row, why an uncertainty that the requirement asks for is not known, in words.
    """

    expanded: FloatArray
    coverage_factor: FloatArray
    noise_bias: FloatArray
    reasons: Mapping[int, str] = field(default_factory=dict)

    @classmethod
    def of_none(cls, n: int) -> "Uncertainty":
        """Nothing known of `n` values."""
        return cls(np.full(n, np.nan), np.full(n, np.nan), np.full(n, np.nan))

    @classmethod
    def of_all(cls, n: int, expanded: float, coverage_factor: float) -> "Uncertainty":
        """One uncertainty for each of `n` values."""
        return cls(np.full(n, expanded), np.full(n, coverage_factor), np.full(n, np.nan))

    @property
    def standard(self) -> FloatArray:
        """Standard uncertainties u, shape (n,)."""
        return self.expanded / self.coverage_factor


def cut(numbers: FloatArray, digits: int) -> FloatArray:
    """Numbers with some significant digits; NaN stays NaN."""
    return np.array([float(f"{each:.{digits}g}") for each in numbers.tolist()], np.float64)
