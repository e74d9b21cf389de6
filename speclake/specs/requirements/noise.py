"""Requirements on noise and derivatives, which a polynomial of their own separates."""

from typing import Annotated, ClassVar, Literal

from pydantic import Field
from typing_extensions import override

from speclake.specs.requirements.common import Position, Requirement
from speclake.units import SpectralUnit


class NoiseRequirement(Requirement):
    """Rms noise in a window, without the trend."""

    may_be_smoothed: ClassVar[bool] = False

    what: Literal["noise"]
    unit: SpectralUnit
    degree: Annotated[int, Field(ge=0, le=3)]

    @override
    def taken(self) -> str:
        trend = f"without a polynomial of degree {self.degree}"
        return f"rms noise of {self.measured} ({trend}) {self._place_in_words()}"


class DerivativeRequirement(Requirement):
    """Largest or smallest first derivative in a band, of a local polynomial."""

    may_be_smoothed: ClassVar[bool] = False

    what: Literal["largest derivative", "smallest derivative"]
    window: Position
    degree: Annotated[int, Field(ge=1, le=5)]
    largest_interval: Position
    largest_bandwidth_nm: Position

    @override
    def result_units(self) -> tuple[str, ...]:
        return (f"{self.spectral_unit}/nm",)

    @override
    def taken(self) -> str:
        fit = f"polynomial of degree {self.degree} over {self.window:g} nm"
        return f"{self.what} of {self.measured} ({fit}) {self._place_in_words()}"
