"""What is computed from spectra: one number a spectrum, many spectra at once."""

from speclake.quantities.angles import effective_index, shift_over_angles, spread_over_angles
from speclake.quantities.bandedge import band_edge
from speclake.quantities.bands import (
    Coverage,
    coverage,
    maximum,
    mean,
    minimum,
    value_at,
)
from speclake.quantities.blocking import (
    FloorCurve,
    exported_step,
    largest_leakage,
    leakage_share,
    optical_density,
)
from speclake.quantities.colour import colour_number
from speclake.quantities.combining import absorptance_and_scatter, unpolarised
from speclake.quantities.edges import (
    Level,
    centre,
    edge,
    extreme_value,
    passband_width,
    place_of_extreme,
    steepness,
)
from speclake.quantities.fringes import Fringes, film_thickness
from speclake.quantities.haze import haze
from speclake.quantities.noise import rms_noise
from speclake.quantities.places import Place, Spot
from speclake.quantities.plates import (
    Plate,
    absorption_coefficient,
    internal_transmittance,
)
from speclake.quantities.smoothing import derivative, extreme_derivative, smoothed
from speclake.quantities.substrates import Material, material, refractive_index
from speclake.quantities.summing import Fill
from speclake.quantities.tables import WeightTable, shipped
from speclake.quantities.tristimulus import Viewing, tristimulus
from speclake.quantities.values import Values
from speclake.quantities.weighted import Weighting, weighted_mean

__all__ = [
    "Coverage",
    "Fill",
    "FloorCurve",
    "Fringes",
    "Level",
    "Material",
    "Place",
    "Plate",
    "Spot",
    "Values",
    "Viewing",
    "WeightTable",
    "Weighting",
    "absorptance_and_scatter",
    "absorption_coefficient",
    "band_edge",
    "centre",
    "colour_number",
    "coverage",
    "derivative",
    "edge",
    "effective_index",
    "exported_step",
    "extreme_derivative",
    "extreme_value",
    "film_thickness",
    "haze",
    "internal_transmittance",
    "largest_leakage",
    "leakage_share",
    "material",
    "maximum",
    "mean",
    "minimum",
    "optical_density",
    "passband_width",
    "place_of_extreme",
    "refractive_index",
    "rms_noise",
    "shift_over_angles",
    "shipped",
    "smoothed",
    "spread_over_angles",
    "steepness",
    "tristimulus",
    "unpolarised",
    "value_at",
    "weighted_mean",
]
