"""Requirements on a series over the angle of incidence, taken as one family."""

from itertools import pairwise
from typing import Annotated, ClassVar, Literal, Self

from pydantic import Field, ValidationError, model_validator
from typing_extensions import override

from speclake.specs.requirements.bands import BandRequirement, ValueRequirement, Variable
from speclake.specs.requirements.colour import PLAIN
from speclake.specs.requirements.common import Angle, Place, Position, Requirement
from speclake.specs.requirements.edges import (
    CentroidRequirement,
    EdgeRequirement,
    ExtremePlaceRequirement,
    MiddleRequirement,
    Number,
    Peak,
)
from speclake.specs.requirements.gathered import GatheredRequirement
from speclake.specs.requirements.rules import Limited
from speclake.specs.requirements.several import Role

NumberOfAngle = Literal[
    "value", "minimum", "maximum", "mean", "cut-on", "cut-off", "centre between crossings",
    "centroid", "place of maximum", "place of minimum",
]  # fmt: skip

_CLASS_OF: dict[NumberOfAngle, type[Requirement]] = {
    "value": ValueRequirement,
    "minimum": BandRequirement,
    "maximum": BandRequirement,
    "mean": BandRequirement,
    "cut-on": EdgeRequirement,
    "cut-off": EdgeRequirement,
    "centre between crossings": MiddleRequirement,
    "centroid": CentroidRequirement,
    "place of maximum": ExtremePlaceRequirement,
    "place of minimum": ExtremePlaceRequirement,
}

_OF_THE_SERIES = frozenset(Limited.model_fields) | {
    "id", "what", "unit", "of", "note", "uncertainty", "over_sites", "angle_deg",
}  # fmt: skip
"""Keys that say something of the whole series, and nothing of the number at one angle."""

_OF_THE_NUMBER = (
    "level", "relative_to", "peak", "which", "elsewhere_above", "integrated_over",
)  # fmt: skip
"""Keys that some of the numbers know."""


class AngleSeriesRequirement(GatheredRequirement):
    """A number that is taken at each of several angles; the scan at the smallest angle leads."""

    place: ClassVar[Place] = "either"

    angles_deg: Annotated[tuple[Angle, ...], Field(min_length=2)]
    number: NumberOfAngle
    level: Number | None = None
    relative_to: Literal["nothing", "peak"] | None = None
    peak: Peak | None = None
    which: Literal["only", "first", "last"] | None = None
    elsewhere_above: Literal["refused", "allowed"] | None = None
    integrated_over: Variable | None = None

    @model_validator(mode="after")
    def _is_a_series(self) -> Self:
        if self.angle_deg is not None:
            raise ValueError("angles_deg alone, and no angle_deg")
        apart = 2 * self.angle_tolerance_deg
        if any(after - before <= apart for before, after in pairwise(self.angles_deg)):
            raise ValueError(
                f"angles_deg by rising angle, more than twice the angle_tolerance_deg apart "
                f"({apart:g})"
            )
        self._check_number()
        return self

    def at_angle(self, angle_deg: float) -> Requirement:
        """The number of one angle as a requirement of its own.

        Its limit means nothing: every requirement has one, and here only the series is decided.
        """
        kind = _CLASS_OF[self.number]
        mine = type(self).model_fields
        own = {
            key: value
            for key in mine.keys() & kind.model_fields.keys()
            if key not in _OF_THE_SERIES and (value := getattr(self, key)) != mine[key].default
        }
        return kind.model_validate(
            own
            | {
                "id": self.id,
                "what": self.number,
                "unit": self.number_unit,
                "of": self.spectral_unit,
                "angle_deg": angle_deg,
                "at_least": "0",
            }
        )

    @property
    @override
    def roles(self) -> tuple[Role, ...]:
        return tuple(map(self.role_of, self.angles_deg))

    def role_of(self, angle_deg: float) -> Role:
        """The measurement at one angle."""
        return Role(f"scan at {angle_deg:g}°", self.spectral_unit, (("angle_deg", angle_deg),))

    @property
    def is_position(self) -> bool:
        """Whether the number of each angle is a position on the axis."""
        return _CLASS_OF[self.number] not in (BandRequirement, ValueRequirement)

    @property
    def number_unit(self) -> str:
        """Unit of the number at each angle."""
        return self.axis_unit if self.is_position else self.spectral_unit

    @override
    def result_units(self) -> tuple[str, ...]:
        return (self.number_unit,)

    def _check_number(self) -> None:
        known = _CLASS_OF[self.number].model_fields
        for key in _OF_THE_NUMBER:
            if getattr(self, key) is not None and key not in known:
                raise ValueError(f'no {key} with number = "{self.number}"')
        try:
            self.at_angle(self.angles_deg[0])
        except ValidationError as error:
            said = "; ".join(_said(each["loc"], each["msg"]) for each in error.errors())
            raise ValueError(f'{said}, with number = "{self.number}"') from None

    def _number_in_words(self) -> str:
        angles = ", ".join(f"{angle:g}°" for angle in self.angles_deg)
        number = self.at_angle(self.angles_deg[0]).taken()
        return f"over the angles of incidence {angles} of: {number}"


class AngleSpreadRequirement(AngleSeriesRequirement):
    """Range, extreme or mean of the number over the angles."""

    what: Literal["range over angles", "smallest over angles", "largest over angles",
                  "mean over angles"]  # fmt: skip

    @override
    def taken(self) -> str:
        return f"{self.what.removesuffix(' over angles')} {self._number_in_words()}"


class AngleShiftRequirement(AngleSeriesRequirement):
    """Shift of the number from the smallest angle."""

    what: Literal["shift over angles"]
    shift: Literal["lowest", "highest", "at the largest angle"]

    @override
    def taken(self) -> str:
        shift = "shift from the smallest angle"
        if self.shift == "at the largest angle":
            return f"{shift} to the largest {self._number_in_words()}"
        return f"{self.shift} {shift} {self._number_in_words()}"


class EffectiveIndexRequirement(AngleSeriesRequirement):
    """Effective index, from how a position moves with the angle."""

    what: Literal["effective index"]
    largest_misfit: Position | None = None

    @model_validator(mode="after")
    def _moves(self) -> Self:
        if not self.is_position or self.axis_unit not in ("nm", "um"):
            raise ValueError(
                'number = a position on the axis with what = "effective index", and axis_unit = '
                '"nm" or "um"'
            )
        if (len(self.angles_deg) > 2) != (self.largest_misfit is not None):
            raise ValueError(
                "largest_misfit with more than two angles, and only so: two are always fitted"
            )
        return self

    @override
    def result_units(self) -> tuple[str, ...]:
        return (PLAIN,)

    @override
    def taken(self) -> str:
        misfit = self.largest_misfit
        within = f" (within {misfit:g} {self.axis_unit} of the curve)" if misfit else ""
        return f"effective index{within} {self._number_in_words()}"


def _said(place: tuple[int | str, ...], message: str) -> str:
    """One error of the number at an angle, as what is allowed there."""
    key = ".".join(str(part) for part in place)
    said = message.removeprefix("Value error, ")
    return f"{key}: {said}" if key else said
