"""What is computed from spectra: one number a spectrum, many spectra at once."""

from speclake.quantities.bands import (
    Coverage,
    coverage,
    maximum,
    mean,
    minimum,
    value_at,
)
from speclake.quantities.edges import (
    Level,
    centre,
    edge,
    passband_width,
    place_of_extreme,
    steepness,
)
from speclake.quantities.stretches import Place
from speclake.quantities.values import Values

__all__ = [
    "Coverage",
    "Level",
    "Place",
    "Values",
    "centre",
    "coverage",
    "edge",
    "maximum",
    "mean",
    "minimum",
    "passband_width",
    "place_of_extreme",
    "steepness",
    "value_at",
]
