"""Requirements on rejection: optical density over a blocking band, and leakage outside a band."""

from collections.abc import Sequence
from datetime import date
from itertools import pairwise
from typing import Annotated, ClassVar, Literal, Self

from pydantic import Field, model_validator
from typing_extensions import override

from speclake.specs.requirements.common import Place, Position, Requirement, Table, same_text
from speclake.units import AxisUnit, Medium

Floor = Annotated[float, Field(gt=0, lt=1)]
FloorName = Annotated[str, Field(min_length=1)]


class FloorTable(Table):
    """Smallest T that a configuration can tell from nothing, kept with the requirement."""

    unit: AxisUnit
    medium: Medium | None = None
    instrument: str = Field(min_length=1)
    accessory: str = Field(min_length=1)
    runs: str = Field(min_length=1)
    date: date
    rows: tuple[tuple[Position, Floor], ...]

    @model_validator(mode="after")
    def _rises(self) -> Self:
        at = [position for position, _ in self.rows]
        if len(at) < 2 or any(after <= before for before, after in pairwise(at)):
            raise ValueError("two rows [position, T] or more, each position above the one before")
        return self

    @property
    def configuration(self) -> tuple[str, str]:
        """Instrument and accessory as they are compared."""
        return same_text(self.instrument), same_text(self.accessory)


class Floored(Requirement):
    """A number that the floor of the instrument may turn into a bound."""

    as_exported: ClassVar[bool] = True
    may_be_smoothed: ClassVar[bool] = False

    of: Literal["%T", "T", "A"]
    largest_interval: Position
    floor: Floor | FloorName | Annotated[tuple[FloorName, ...], Field(min_length=1)] | None = None
    floor_curve: FloorTable | tuple[FloorTable, ...] | None = None

    @model_validator(mode="after")
    def _names_its_floors(self) -> Self:
        if self.floor_curve is None:
            return self
        if len(self.floor_names) != len(self.floor_curves):
            raise ValueError("floor = a name together with floor_curve, or a list of both")
        if len({each.configuration for each in self.floor_curves}) < len(self.floor_curves):
            raise ValueError("one floor for each instrument with its accessory")
        return self

    @property
    def floor_names(self) -> tuple[str, ...]:
        """Names of the floors; none where a number or nothing is stated."""
        if isinstance(self.floor, str):
            return (self.floor,)
        return self.floor if isinstance(self.floor, tuple) else ()

    @property
    def floor_curves(self) -> tuple[FloorTable, ...]:
        """Floors of the configurations, in the order of their names."""
        curves = self.floor_curve
        return curves if isinstance(curves, tuple) else () if curves is None else (curves,)

    @property
    def is_lacking(self) -> bool:
        """Whether it names a floor that nobody has put in."""
        return bool(self.floor_names) and self.floor_curve is None

    def _floor_in_words(self) -> str:
        if not self.floor_names:
            return "" if self.floor is None else f", floor {self.floor:g} T"
        if self.is_lacking:
            return f", floor {' or '.join(self.floor_names)}"
        said = [
            f"{name} ({each.instrument}, {each.accessory}, {each.runs}, {each.date.isoformat()})"
            for name, each in zip(self.floor_names, self.floor_curves, strict=True)
        ]
        return f", floor {' or '.join(said)}"


class DensityRequirement(Floored):
    """Optical density over a blocking band."""

    what: Literal["optical density"]
    definition: Literal["minimum", "mean", "of mean transmittance"]

    @override
    def result_units(self) -> tuple[str, ...]:
        return ("OD",)

    @override
    def taken(self) -> str:
        words = {
            "minimum": "minimum optical density",
            "mean": "mean optical density",
            "of mean transmittance": "optical density of the mean transmittance",
        }[self.definition]
        return f"{words} {self._place_in_words()}{self._floor_in_words()}"


class LeakageRequirement(Floored):
    """Light that passes outside of the passband."""

    place: ClassVar[Place] = "optional band"

    what: Literal["leakage"]
    of: Literal["%T", "T"]
    definition: Literal["largest", "share of the signal"]
    blocking_bands: tuple[tuple[Position, Position], ...]

    @model_validator(mode="after")
    def _has_its_bands(self) -> Self:
        if (self.definition == "share of the signal") != (self.band is not None):
            raise ValueError(
                'band = the passband with definition = "share of the signal", and only so'
            )
        if not self.blocking_bands or any(low >= high for low, high in self.blocking_bands):
            raise ValueError("blocking_bands = [[from, to], ...], the lower position first")
        if any(after[0] < before[1] for before, after in pairwise(sorted(self.blocking_bands))):
            raise ValueError("blocking_bands that do not overlap")
        if self.band and any(
            low < self.band[1] and high > self.band[0] for low, high in self.blocking_bands
        ):
            raise ValueError("blocking_bands outside of the band")
        return self

    @property
    @override
    def looked_at(self) -> Sequence[tuple[float, float]]:
        return (*super().looked_at, *self.blocking_bands)

    @override
    def result_units(self) -> tuple[str, ...]:
        return ("%",) if self.definition == "share of the signal" else (self.spectral_unit,)

    @override
    def taken(self) -> str:
        bands = " and ".join(
            f"{low:.10g} {self.axis_unit} to {high:.10g} {self.axis_unit}"
            for low, high in self.blocking_bands
        )
        words = f"largest {self.measured}"
        if self.band is not None:
            words = f"leakage of {self.measured} as part of the signal {self._place_in_words()},"
        medium = f" in {self.medium}" if self.medium and self.band is None else ""
        return f"{words} over the blocking bands {bands}{medium}{self._floor_in_words()}"
