"""How well the values of a requirement are known."""

from dataclasses import dataclass

import numpy as np

from speclake.specs.requirements import Requirement
from speclake.spectrum import FloatArray

USUAL_COVERAGE_FACTOR = 2.0
"""Coverage factor of an expanded uncertainty of which nothing else is said."""


@dataclass(frozen=True, eq=False)
class Uncertainty:
    """How well values are known, each array of shape (n,), NaN where nobody stated it.

    Parameters
    ----------
    expanded : expanded uncertainty U, in the unit of the requirement.
    coverage_factor : the k that it was expanded with.
    noise_bias : by how much noise alone moves a minimum or a maximum outwards, with its sign, in
        the unit of the requirement.
    """

    expanded: FloatArray
    coverage_factor: FloatArray
    noise_bias: FloatArray

    @property
    def standard(self) -> FloatArray:
        """Standard uncertainties u, shape (n,)."""
        return self.expanded / self.coverage_factor


def stated(requirement: Requirement, n: int) -> Uncertainty:
    """Uncertainty that a requirement itself states, the same for each of `n` values."""
    expanded, factor = np.nan, np.nan
    if requirement.uncertainty is not None:
        expanded, factor = requirement.uncertainty, USUAL_COVERAGE_FACTOR
    return Uncertainty(np.full(n, expanded), np.full(n, factor), np.full(n, np.nan))
