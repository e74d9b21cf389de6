"""Requirements on plates, films and band edges."""

from typing import Annotated, ClassVar, Literal, Self

from pydantic import Field, model_validator
from typing_extensions import override

from speclake.specs.requirements.common import Angle, Place, Position, Requirement
from speclake.units import SpectralUnit

MaterialName = Literal[
    "fused silica", "borosilicate crown 517642", "calcium fluoride", "sapphire, ordinary ray"
]
RefractiveIndex = Annotated[float, Field(ge=1, le=10, allow_inf_nan=False)]


class Indexed(Requirement):
    """A number that needs the index of a material: one number, or a material with a formula."""

    index: RefractiveIndex | None = None
    material: MaterialName | None = None
    largest_interval: Position
    largest_bandwidth_nm: Position
    angle_deg: Angle

    @model_validator(mode="after")
    def _has_one_index(self) -> Self:
        if (self.index is None) == (self.material is None):
            raise ValueError("index = a number or material = a name, one of them")
        return self

    def _index_in_words(self) -> str:
        return f"of {self.material}" if self.material else f"of index {self.index:g}"


class _Plate(Indexed):
    place: ClassVar[Place] = "either"

    thickness_mm: Position
    largest_excess: Annotated[float, Field(ge=0, allow_inf_nan=False)]

    @model_validator(mode="after")
    def _is_a_transmittance_at_normal_incidence(self) -> Self:
        if self.spectral_unit not in ("%T", "T"):
            raise ValueError('of = "%T" or "T", in which largest_excess is counted too')
        if self.angle_deg > 10:
            raise ValueError("an angle_deg of 10 or less: the formula is that of normal incidence")
        return self

    @property
    def excess(self) -> float:
        """Excess that is allowed, as a fraction."""
        return self.largest_excess / 100 if self.spectral_unit == "%T" else self.largest_excess

    def _plate_in_words(self, largest: str) -> str:
        where = self._place_in_words()
        which = f"{largest} over the band {where}" if self.band is not None else where
        return f"{which} (plate {self._index_in_words()}, {self.thickness_mm:g} mm)"


class InternalTransmittanceRequirement(_Plate):
    """Internal transmittance of a plate, at a position or as the minimum over a band."""

    what: Literal["internal transmittance"]
    to_thickness_mm: Position

    @override
    def result_units(self) -> tuple[str, ...]:
        return ("%",)

    @override
    def taken(self) -> str:
        plate = self._plate_in_words("minimum")
        return f"internal transmittance of {self.to_thickness_mm:g} mm, {plate}"


class AbsorptionRequirement(_Plate):
    """Absorption coefficient of a plate, at a position or as the maximum over a band."""

    what: Literal["absorption coefficient"]

    @override
    def result_units(self) -> tuple[str, ...]:
        return ("1/mm", "1/cm")

    @override
    def taken(self) -> str:
        return f"absorption coefficient, {self._plate_in_words('maximum')}"


class FilmThicknessRequirement(Indexed):
    """Thickness of a film from its fringes."""

    what: Literal["film thickness"]
    smallest_swing: Position
    extrema_at_least: Annotated[int, Field(ge=4)]

    @override
    def result_units(self) -> tuple[str, ...]:
        return ("nm", "um")

    @override
    def taken(self) -> str:
        count, swing = self.extrema_at_least, f"{self.smallest_swing:g} {self.spectral_unit}"
        return (
            f"thickness of the film {self._index_in_words()}, from {count} fringes or more of "
            f"{self.measured} (maxima and minima {swing} apart) {self._place_in_words()}"
        )


class BandEdgeRequirement(Requirement):
    """Photon energy, or wavelength, at which the absorption starts."""

    what: Literal["band edge"]
    definition: Literal["tauc direct", "tauc indirect", "derivative"]
    largest_interval: Position
    largest_bandwidth_nm: Position

    @model_validator(mode="after")
    def _has_a_window_in_energy(self) -> Self:
        if self.axis_unit != "eV":
            raise ValueError('axis_unit = "eV": the window of a band edge is a band of energies')
        allowed: tuple[SpectralUnit, ...] = ("A", "%T", "T")
        if self.spectral_unit not in allowed:
            raise ValueError(f"of = one of {', '.join(allowed)}")
        return self

    @override
    def result_units(self) -> tuple[str, ...]:
        return ("eV", "nm")

    @override
    def taken(self) -> str:
        return f"band edge ({self.definition}) of {self.measured} {self._place_in_words()}"
