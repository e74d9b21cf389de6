"""Requirements on a band or a position: their numbers, settled exactly where float64 misleads."""

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from speclake.judging.deciding import in_doubt
from speclake.quantities.bands import holes_in, missing_said, reduced
from speclake.quantities.exact import exact
from speclake.quantities.windows import Window
from speclake.specs.requirements import BandRequirement, ValueRequirement
from speclake.spectrum import FloatArray, SpectrumSet
from speclake.units import QUANTITY_OF_UNIT, convert_values

Banded = BandRequirement | ValueRequirement
Rows = slice | npt.NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class BandTask:
    """A requirement on a band, found on the axis of a set.

    `factor` leads from the unit of the set to that of the requirement; None where a logarithm does.
    """

    requirement: Banded
    window: Window
    factor: Fraction | None

    def numbers(self, spectra: SpectrumSet, rows: Rows) -> tuple[FloatArray, FloatArray | None]:
        """Numbers of some spectra, and where they lie, as float64 gives them."""
        values, unit = spectra.values[rows], self.requirement.spectral_unit
        if self.factor is None:
            # a logarithm changes what lies between two points: convert first, then reduce
            changed = convert_values(values[:, self.window.needed], spectra.unit, unit)
            found = reduced(self.requirement.what, changed, self.window.narrowed())
            return found.value, found.at
        found = reduced(self.requirement.what, values, self.window)
        return convert_values(found.value, spectra.unit, unit), found.at

    def settle(self, spectra: SpectrumSet, value: FloatArray) -> None:
        """Put exact numbers in place of those at which float64 could mislead."""
        what, window, factor = self.requirement.what, self.window, self.factor
        is_computed = what == "mean" or factor != 1 or window.before or window.after
        if factor is not None and is_computed:
            for row in np.flatnonzero(in_doubt(value, self.requirement)):
                value[row] = float(exact(what, spectra.values[row], window) * factor)

    def why_missing(self, spectra: SpectrumSet, row: int) -> str:
        """Why a spectrum gave no number, in words."""
        values, axis_unit = spectra.values[row : row + 1], spectra.axis.unit
        hole = holes_in(values, self.window)[0]
        if not np.isnan(hole):
            return missing_said(hole, axis_unit)
        unit = self.requirement.spectral_unit
        changed = convert_values(values[:, self.window.needed], spectra.unit, unit)
        point = self.window.needed.start + int(np.isnan(changed[0]).argmax())
        return (
            f"the value of {values[0, point]:.6g} {spectra.unit} at "
            f"{spectra.axis.values[point]:.10g} {axis_unit} has no {QUANTITY_OF_UNIT[unit]}"
        )
