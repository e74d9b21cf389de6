"""Requirements on a number taken from a band, or from one position."""

from typing import ClassVar, Literal

from typing_extensions import override

from speclake.specs.requirements.common import Place, Requirement
from speclake.units import SpectralUnit


class BandRequirement(Requirement):
    """Smallest, largest or mean value of a band."""

    what: Literal["minimum", "maximum", "mean"]
    unit: SpectralUnit

    @override
    def taken(self) -> str:
        return f"{self.what} {self.measured} {self._place_in_words()}"


class ValueRequirement(Requirement):
    """Value at one position, on the straight line between two points."""

    place: ClassVar[Place] = "at"

    what: Literal["value"]
    unit: SpectralUnit

    @override
    def taken(self) -> str:
        return f"{self.measured} {self._place_in_words()}"
