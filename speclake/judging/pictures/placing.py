"""Where on a curve a requirement looks, and whether its number can be read off the curve."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from speclake.errors import UnitError
from speclake.judging.pictures.scene import Span
from speclake.quantities.tables import shipped
from speclake.quantities.windows import on_axis
from speclake.specs.requirements import (
    BandEdgeRequirement,
    BandRequirement,
    CentroidRequirement,
    DensityRequirement,
    EdgeRequirement,
    ExtremePlaceRequirement,
    ExtremeValueRequirement,
    FitRequirement,
    LeakageRequirement,
    MaskRequirement,
    MedianRequirement,
    MiddleRequirement,
    Requirement,
    ShareRequirement,
    StepMeanRequirement,
    ValueRequirement,
    WeightedRequirement,
)
from speclake.spectrum import Axis
from speclake.units import AxisUnit, Medium, SpectralUnit, convert_positions

Reading = Literal["height", "position", "mask", "aside"]
"""How the number of a requirement is read off the curve: as a height, as a position, as the
distance to a mask, or not at all."""

_HEIGHTS = (
    BandRequirement,
    ValueRequirement,
    ExtremeValueRequirement,
    StepMeanRequirement,
    MedianRequirement,
    FitRequirement,
    WeightedRequirement,
    LeakageRequirement,
)
_POSITIONS = (
    EdgeRequirement,
    MiddleRequirement,
    CentroidRequirement,
    ExtremePlaceRequirement,
    BandEdgeRequirement,
)
_FORBIDS_POINTS = {("minimum", -1), ("maximum", 1)}


def reading_of(requirement: Requirement) -> Reading:
    """How the number of a requirement is read off its curve."""
    if isinstance(requirement, _POSITIONS):
        return "position"
    if isinstance(requirement, MaskRequirement):
        return "mask"
    if isinstance(requirement, DensityRequirement):
        return "height"
    if isinstance(requirement, _HEIGHTS) and requirement.unit == requirement.spectral_unit:
        return "height"
    return "aside"


def drawn_unit(requirement: Requirement) -> SpectralUnit:
    """Unit in which the curve is drawn: where a density is asked for, minus the logarithm of T."""
    return "A" if isinstance(requirement, DensityRequirement) else requirement.spectral_unit


def is_pointwise(requirement: Requirement, side: int) -> bool:
    """Whether a limit with its forbidden side (-1 below, +1 above) holds for every single point."""
    if isinstance(requirement, DensityRequirement):
        return requirement.definition == "minimum" and side < 0
    if isinstance(requirement, LeakageRequirement | MaskRequirement):
        return isinstance(requirement, MaskRequirement) or side > 0
    return isinstance(requirement, ValueRequirement) or (requirement.what, side) in _FORBIDS_POINTS


def levels_of(requirement: Requirement) -> tuple[float, ...]:
    """Heights at which a requirement looks for crossings, those that are relative left out."""
    if isinstance(requirement, ShareRequirement):
        return (requirement.level,)
    level = getattr(requirement, "level", None)
    if level is None or getattr(requirement, "relative_to", None) != "nothing":
        return ()
    further = (getattr(requirement, name, None) for name in ("middle_level", "to_level"))
    return (level, *(each for each in further if each is not None))


@dataclass(frozen=True)
class Ruler:
    """Positions of a requirement on the axis of a spectrum.

    Parameters
    ----------
    unit, medium : what the requirement counts in.
    """

    axis: Axis
    unit: AxisUnit
    medium: Medium | None

    def on_axis(self, positions: Sequence[float], unit: AxisUnit | None = None) -> list[float]:
        """Positions on the axis, in the order given.

        Where nobody said air or vacuum they are taken as if it did not matter: it moves a position
        by 0.03 %, finer than a line.
        """
        counted = unit or self.unit
        asked = np.array(positions, dtype=np.float64)
        try:
            found = on_axis(self.axis, asked, counted, self.medium)
        except UnitError:
            found = convert_positions(asked, counted, "vacuum", self.axis.unit, "vacuum")
        return [float(each) for each in found]

    def span(self, ends: Sequence[float], unit: AxisUnit | None = None) -> Span:
        """Both ends on the axis, the lower one first."""
        found = self.on_axis(ends, unit)
        return min(found), max(found)


def windows_of(requirement: Requirement, ruler: Ruler) -> tuple[Span, ...]:
    """Stretches of the axis that a requirement looks at; for weights, the range that has them."""
    bands = [requirement.band] if requirement.band else []
    if isinstance(requirement, LeakageRequirement):
        bands += requirement.blocking_bands
    elif isinstance(requirement, FitRequirement) and requirement.at is not None:
        half = requirement.half_width
        bands.append((requirement.at - half, requirement.at + half))
    elif isinstance(requirement, WeightedRequirement):
        bands = [range_of_weights(requirement)]
    elif requirement.at is not None:
        bands.append((requirement.at, requirement.at))
    return tuple(sorted(ruler.span(band) for band in bands))


def range_of_weights(requirement: WeightedRequirement) -> Span:
    """Stretch over which a weighted mean is taken: its band, else that of its table."""
    if requirement.band is not None:
        return requirement.band
    if requirement.table is not None:
        positions = [position for position, _ in requirement.table.rows]
    else:
        positions = list(shipped(requirement.weights).positions)
    return positions[0], positions[-1]
