"""Spectra as the checks look at them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

from speclake.fitness.circumstances import Circumstances
from speclake.settings import Fitness
from speclake.spectrum import FloatArray, SpectrumSet
from speclake.units import SpectralUnit, convert_positions

_PERCENT: Mapping[SpectralUnit, float] = {"T": 100.0, "R": 100.0, "%T": 1.0, "%R": 1.0}


@dataclass(frozen=True, eq=False)
class Subject:
    """Spectra of one axis and unit with what is known of each.

    Parameters
    ----------
    known : one for each spectrum, in the order of the set.
    limits : what the checks go by.
    """

    spectra: SpectrumSet
    known: Sequence[Circumstances]
    limits: Fitness

    @cached_property
    def nm(self) -> FloatArray:
        """Wavelength of each point, shape (p,); falling where the axis is one of energy."""
        axis = self.spectra.axis
        if axis.unit == "nm":
            return axis.values
        medium = axis.medium or "vacuum"
        return convert_positions(axis.values, axis.unit, medium, "nm", medium)

    @cached_property
    def percent(self) -> float | None:
        """Factor from the unit of the values to percent; None for absorbance and its like."""
        return _PERCENT.get(self.spectra.unit)
