"""What is computed from spectra: one number a spectrum, many spectra at once."""

from speclake.quantities.bands import (
    Coverage,
    coverage,
    maximum,
    mean,
    minimum,
    value_at,
)
from speclake.quantities.values import Values

__all__ = ["Coverage", "Values", "coverage", "maximum", "mean", "minimum", "value_at"]
