"""Requirements on noise."""

from typing import Annotated, ClassVar, Literal

from pydantic import Field
from typing_extensions import override

from speclake.specs.requirements.common import Requirement
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
