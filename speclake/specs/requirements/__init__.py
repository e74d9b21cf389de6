"""Requirements: one class for each kind of number that a specification may ask for."""

from typing import Annotated

from pydantic import Field

from speclake.specs.requirements.angles import (
    AngleSeriesRequirement,
    AngleShiftRequirement,
    AngleSpreadRequirement,
    EffectiveIndexRequirement,
)
from speclake.specs.requirements.bands import BandRequirement, ValueRequirement
from speclake.specs.requirements.blocking import DensityRequirement, LeakageRequirement
from speclake.specs.requirements.coating import (
    AbsorptionRequirement,
    BandEdgeRequirement,
    FilmThicknessRequirement,
    InternalTransmittanceRequirement,
)
from speclake.specs.requirements.colour import ColourRequirement
from speclake.specs.requirements.common import Requirement, same_text
from speclake.specs.requirements.edges import (
    CentroidRequirement,
    EdgeRequirement,
    ExtremePlaceRequirement,
    ExtremeValueRequirement,
    MiddleRequirement,
    SteepnessRequirement,
    WidthRequirement,
)
from speclake.specs.requirements.haze import HazeRequirement
from speclake.specs.requirements.noise import DerivativeRequirement, NoiseRequirement
from speclake.specs.requirements.shapes import (
    FitRequirement,
    MaskRequirement,
    MedianRequirement,
    RippleRequirement,
    ShareRequirement,
    SlopeRequirement,
    StepMeanRequirement,
)
from speclake.specs.requirements.weighted import WeightedRequirement

AnyRequirement = Annotated[
    BandRequirement
    | ValueRequirement
    | EdgeRequirement
    | SteepnessRequirement
    | WidthRequirement
    | MiddleRequirement
    | CentroidRequirement
    | ExtremePlaceRequirement
    | ExtremeValueRequirement
    | StepMeanRequirement
    | MedianRequirement
    | RippleRequirement
    | SlopeRequirement
    | ShareRequirement
    | FitRequirement
    | MaskRequirement
    | WeightedRequirement
    | ColourRequirement
    | DensityRequirement
    | LeakageRequirement
    | InternalTransmittanceRequirement
    | AbsorptionRequirement
    | FilmThicknessRequirement
    | BandEdgeRequirement
    | NoiseRequirement
    | DerivativeRequirement
    | HazeRequirement
    | AngleSpreadRequirement
    | AngleShiftRequirement
    | EffectiveIndexRequirement,
    Field(discriminator="what"),
]
"""Any kind of requirement; the key ``what`` tells which one it is."""

__all__ = [
    "AbsorptionRequirement",
    "AngleSeriesRequirement",
    "AngleShiftRequirement",
    "AngleSpreadRequirement",
    "AnyRequirement",
    "BandEdgeRequirement",
    "BandRequirement",
    "CentroidRequirement",
    "ColourRequirement",
    "DensityRequirement",
    "DerivativeRequirement",
    "EdgeRequirement",
    "EffectiveIndexRequirement",
    "ExtremePlaceRequirement",
    "ExtremeValueRequirement",
    "FilmThicknessRequirement",
    "FitRequirement",
    "HazeRequirement",
    "InternalTransmittanceRequirement",
    "LeakageRequirement",
    "MaskRequirement",
    "MedianRequirement",
    "MiddleRequirement",
    "NoiseRequirement",
    "Requirement",
    "RippleRequirement",
    "ShareRequirement",
    "SlopeRequirement",
    "SteepnessRequirement",
    "StepMeanRequirement",
    "ValueRequirement",
    "WeightedRequirement",
    "WidthRequirement",
    "same_text",
]
