"""Requirements on edges and passbands: positions, widths and steepness."""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator
from typing_extensions import override

from speclake.specs.requirements.common import Position, Requirement

Number = Annotated[float, Field(allow_inf_nan=False)]
Peak = Literal["sampled", "parabola"]


class _Edge(Requirement):
    """What belongs to every number that a slit or a coarse interval would shift."""

    largest_interval: Position
    largest_bandwidth_nm: Position

    @override
    def result_units(self) -> tuple[str, ...]:
        return (self.axis_unit,)


class _AtLevel(_Edge):
    """A number that needs a level, absolute or relative to the peak."""

    level: Number
    relative_to: Literal["nothing", "peak"]
    peak: Peak | None = None

    @model_validator(mode="after")
    def _knows_the_peak(self) -> Self:
        if (self.relative_to == "peak") != (self.peak is not None):
            raise ValueError(
                'peak = "sampled" or "parabola" with relative_to = "peak", and only so'
            )
        return self

    def _level_in_words(self, level: float) -> str:
        if self.relative_to == "peak":
            return f"{level:g} % of the {self.peak} peak"
        return f"{level:g} {self.spectral_unit}"


class EdgeRequirement(_AtLevel):
    """Position at which the spectrum rises or falls through a level."""

    what: Literal["cut-on", "cut-off"]
    which: Literal["only", "first", "last"] = "only"

    @override
    def taken(self) -> str:
        goes = "rises" if self.what == "cut-on" else "falls"
        which = "" if self.which == "only" else f"{self.which} "
        return (
            f"{which}{self.what} of {self.measured} (where it {goes} through "
            f"{self._level_in_words(self.level)}) {self._place_in_words()}"
        )


class SteepnessRequirement(_AtLevel):
    """How steep an edge is, from the positions of two levels."""

    what: Literal["edge steepness"]
    edge: Literal["cut-on", "cut-off"]
    definition: Literal["distance", "relative distance", "slope"]
    to_level: Number
    middle_level: Number | None = None
    which: Literal["only", "first", "last"] = "only"

    @model_validator(mode="after")
    def _knows_its_levels(self) -> Self:
        if self.level == self.to_level:
            raise ValueError("a to_level that differs from level")
        if (self.definition == "relative distance") != (self.middle_level is not None):
            raise ValueError('middle_level with definition = "relative distance", and only so')
        return self

    @override
    def result_units(self) -> tuple[str, ...]:
        if self.definition == "relative distance":
            return ("%",)
        if self.definition == "slope":
            return (f"{self.spectral_unit}/{self.axis_unit}",)
        return (self.axis_unit,)

    @override
    def taken(self) -> str:
        between = f"{self._level_in_words(self.level)} and {self._level_in_words(self.to_level)}"
        words = {
            "distance": f"distance between {between}",
            "slope": f"slope between {between}",
            "relative distance": f"distance between {between} as part of the position of "
            f"{self._level_in_words(self.middle_level or 0.0)}",
        }[self.definition]
        return f"steepness of the {self.edge} of {self.measured} ({words}) {self._place_in_words()}"


class WidthRequirement(_AtLevel):
    """Width of a passband at a level; at half of the peak, the full width at half maximum."""

    what: Literal["passband width"]
    elsewhere_above: Literal["refused", "allowed"] = "refused"

    @override
    def taken(self) -> str:
        level = self._level_in_words(self.level)
        return f"width of the {self.measured} band at {level} {self._place_in_words()}"


class MiddleRequirement(_AtLevel):
    """Centre of a passband as the middle between its crossings of a level."""

    what: Literal["centre between crossings"]
    elsewhere_above: Literal["refused", "allowed"] = "refused"

    @override
    def taken(self) -> str:
        level = self._level_in_words(self.level)
        return f"middle of the {self.measured} band between its crossings of {level} " + (
            self._place_in_words()
        )


class CentroidRequirement(_Edge):
    """Centre of a passband as its centroid."""

    what: Literal["centroid"]

    @override
    def taken(self) -> str:
        return f"centroid of {self.measured} {self._place_in_words()}"


class _Extreme(_Edge):
    """The largest or smallest value in a band."""

    peak: Peak

    @override
    def taken(self) -> str:
        return f"{self.what} of {self.measured} ({self.peak}) {self._place_in_words()}"


class ExtremePlaceRequirement(_Extreme):
    """Position of the largest or smallest value in a band."""

    what: Literal["place of maximum", "place of minimum"]


class ExtremeValueRequirement(_Extreme):
    """Largest or smallest value in a band, of the points or of the parabola through them."""

    what: Literal["value at maximum", "value at minimum"]

    @override
    def result_units(self) -> tuple[str, ...]:
        return (self.spectral_unit,)
