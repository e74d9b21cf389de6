"""Requirements on a number taken from a band, or from one position."""

from collections.abc import Mapping
from typing import ClassVar, Literal, Self

from pydantic import model_validator
from typing_extensions import override

from speclake.specs.requirements.common import Place, Requirement
from speclake.units import AxisUnit, SpectralUnit

Variable = Literal["wavelength", "wavenumber", "photon energy"]

UNITS_OF: Mapping[Variable, tuple[AxisUnit, ...]] = {
    "wavelength": ("nm", "um"),
    "wavenumber": ("cm-1",),
    "photon energy": ("eV",),
}
"""What an axis counts, and the units that count it."""


class BandRequirement(Requirement):
    """Smallest, largest or mean value of a band."""

    what: Literal["minimum", "maximum", "mean"]
    unit: SpectralUnit
    integrated_over: Variable | None = None

    @model_validator(mode="after")
    def _says_what_it_is_integrated_over(self) -> Self:
        if self.integrated_over is not None and self.what != "mean":
            raise ValueError('integrated_over with what = "mean" only')
        is_wavelength = self.axis_unit in UNITS_OF["wavelength"]
        if self.what == "mean" and self.integrated_over is None and not is_wavelength:
            raise ValueError(
                f"integrated_over = one of {', '.join(UNITS_OF)}: the mean of a band in "
                f"{self.axis_unit} depends on it"
            )
        return self

    @property
    def over(self) -> AxisUnit | None:
        """Unit that a mean is integrated over, if not that of the band."""
        if self.integrated_over is None or self.axis_unit in UNITS_OF[self.integrated_over]:
            return None
        return UNITS_OF[self.integrated_over][0]

    @override
    def taken(self) -> str:
        over = "" if self.integrated_over is None else f" integrated over {self.integrated_over}"
        return f"{self.what} {self.measured}{over} {self._place_in_words()}"


class ValueRequirement(Requirement):
    """Value at one position, on the straight line between two points."""

    place: ClassVar[Place] = "at"

    what: Literal["value"]
    unit: SpectralUnit

    @override
    def taken(self) -> str:
        return f"{self.measured} {self._place_in_words()}"
