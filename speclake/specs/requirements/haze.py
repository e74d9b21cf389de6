"""Requirements on haze, a number of four measurements."""

from typing import ClassVar, Literal, Self

from pydantic import Field, model_validator
from typing_extensions import override

from speclake.specs.requirements.common import Place, Position
from speclake.specs.requirements.gathered import GatheredRequirement
from speclake.specs.requirements.several import Role

Reading = Literal["T1", "T2", "T3", "T4"]

LEADING: Reading = "T4"
_SPECIMEN_AND_PORT: dict[Reading, tuple[bool, str]] = {
    "T4": (True, "light trap"),
    "T2": (True, "white standard"),
    "T3": (False, "light trap"),
    "T1": (False, "white standard"),
}
"""Whether the specimen is in the beam, and what closes the port of the sphere; the lead first."""


class HazeRequirement(GatheredRequirement):
    """Haze by ASTM D1003 from its four readings; the scan with specimen and light trap leads."""

    place: ClassVar[Place] = "none"

    what: Literal["haze"]
    of: Literal["%T", "T"]
    unit: Literal["%"]
    edition: str = Field(min_length=1)
    illuminant: Literal["A", "C"]
    largest_interval: Position
    largest_age_h: Position

    @model_validator(mode="after")
    def _counts_in_nm(self) -> Self:
        if self.axis_unit != "nm":
            raise ValueError('axis_unit = "nm", in which the weights of the eye count')
        return self

    @property
    @override
    def roles(self) -> tuple[Role, ...]:
        return tuple(map(self.role_of, _SPECIMEN_AND_PORT))

    def role_of(self, reading: Reading) -> Role:
        """The measurement that is one of the four readings."""
        has_specimen, port = _SPECIMEN_AND_PORT[reading]
        beam = "specimen" if has_specimen else "no specimen"
        return Role(
            f"{reading} scan ({beam}, {port})",
            self.of,
            (("port", port),),
            blank_within_h=None if has_specimen else self.largest_age_h,
        )

    @override
    def result_units(self) -> tuple[str, ...]:
        return ("%",)

    @override
    def taken(self) -> str:
        return (
            f"haze by ASTM D1003 ({self.edition}), weights CIE illuminant {self.illuminant} times "
            f"V(lambda), readings without specimen at most {self.largest_age_h:g} h older"
        )
