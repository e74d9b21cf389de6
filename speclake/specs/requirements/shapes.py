"""Requirements on the shape of a spectrum over a band."""

from collections.abc import Sequence
from itertools import pairwise
from typing import Annotated, ClassVar, Literal, Self

from pydantic import Field, model_validator
from typing_extensions import override

from speclake.specs.requirements.common import Place, Position, Requirement
from speclake.units import SpectralUnit

Number = Annotated[float, Field(allow_inf_nan=False)]
Knots = tuple[tuple[Position, Number], ...]


class StepMeanRequirement(Requirement):
    """Plain average of readings at equal steps."""

    what: Literal["average of readings"]
    unit: SpectralUnit
    step: Position

    @model_validator(mode="after")
    def _has_whole_steps(self) -> Self:
        assert self.band is not None  # checked before
        count = (self.band[1] - self.band[0]) / self.step
        if round(count) < 1 or abs(count - round(count)) > 1e-9 * count:
            raise ValueError("a step of which the band holds a whole number")
        return self

    @override
    def taken(self) -> str:
        every = f"every {self.step:g} {self.axis_unit}"
        return f"average of readings of {self.measured} {every} {self._place_in_words()}"


class MedianRequirement(Requirement):
    """Value that the spectrum is above over half of the band."""

    what: Literal["median"]
    unit: SpectralUnit

    @override
    def taken(self) -> str:
        return f"median {self.measured} {self._place_in_words()}"


class RippleRequirement(Requirement):
    """Difference between the highest and the lowest value of a band."""

    what: Literal["ripple"]
    definition: Literal["peak to valley", "peak to valley of the mean", "residual peak to valley"]

    @override
    def result_units(self) -> tuple[str, ...]:
        of_mean = self.definition == "peak to valley of the mean"
        return ("%",) if of_mean else (self.spectral_unit,)

    @override
    def taken(self) -> str:
        return f"ripple of {self.measured} ({self.definition}) {self._place_in_words()}"


class SlopeRequirement(Requirement):
    """Change of the value along the band."""

    what: Literal["slope"]
    definition: Literal["end to end", "least squares"]

    @override
    def result_units(self) -> tuple[str, ...]:
        return (f"{self.spectral_unit}/{self.axis_unit}",)

    @override
    def taken(self) -> str:
        return f"slope of {self.measured} ({self.definition}) {self._place_in_words()}"


class ShareRequirement(Requirement):
    """Part of the band over which the spectrum is at or above a level."""

    what: Literal["share above level"]
    level: Number

    @override
    def result_units(self) -> tuple[str, ...]:
        return ("%",)

    @override
    def taken(self) -> str:
        level = f"{self.level:g} {self.spectral_unit}"
        return f"share of the band with {self.measured} at or above {level} " + (
            self._place_in_words()
        )


class FitRequirement(Requirement):
    """Value at a position, from a polynomial through the points around it."""

    place: ClassVar[Place] = "at"

    what: Literal["fitted value"]
    unit: SpectralUnit
    half_width: Position
    degree: Annotated[int, Field(ge=1, le=4)]

    @property
    @override
    def looked_at(self) -> Sequence[tuple[float, float]]:
        assert self.at is not None  # checked before
        return ((self.at - self.half_width, self.at + self.half_width),)

    @override
    def taken(self) -> str:
        fit = f"polynomial of degree {self.degree} over ±{self.half_width:g} {self.axis_unit}"
        return f"{self.measured} {self._place_in_words()} ({fit})"


class MaskRequirement(Requirement):
    """Smallest distance to limits that change along the axis."""

    what: Literal["distance to mask"]
    lower: Knots = ()
    upper: Knots = ()

    @model_validator(mode="after")
    def _is_a_mask(self) -> Self:
        if not self.lower and not self.upper:
            raise ValueError("lower, upper or both: knots [position, limit] of the mask")
        assert self.band is not None  # checked before
        for curve in filter(None, (self.lower, self.upper)):
            if len(curve) < 2 or any(after[0] < before[0] for before, after in pairwise(curve)):
                raise ValueError("two knots or more in each curve, by rising position")
        starts = [curve[0][0] for curve in (self.lower, self.upper) if curve]
        stops = [curve[-1][0] for curve in (self.lower, self.upper) if curve]
        if self.band != (min(starts), max(stops)):
            raise ValueError(
                f"band = [{min(starts):g}, {max(stops):g}], from the first knot to the last"
            )
        return self

    @override
    def result_units(self) -> tuple[str, ...]:
        return (self.spectral_unit,)

    @override
    def taken(self) -> str:
        curves = [name for name in ("lower", "upper") if getattr(self, name)]
        which = f"the {' and '.join(curves)} curve{'s' if len(curves) > 1 else ''} of the mask"
        return f"distance of {self.measured} to {which} {self._place_in_words()}"
