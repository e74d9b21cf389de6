"""What is computed from spectra: one number a spectrum, many spectra at once."""

from speclake.quantities.bands import (
    BandValues,
    Coverage,
    coverage,
    maximum,
    mean,
    minimum,
    value_at,
)

__all__ = ["BandValues", "Coverage", "coverage", "maximum", "mean", "minimum", "value_at"]
