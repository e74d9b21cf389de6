"""What all requirements have in common: number, place, and the spectra they speak of."""

from collections.abc import Sequence
from decimal import Decimal
from typing import Annotated, ClassVar, Literal, Self, cast, get_args

from pydantic import BeforeValidator, Field, model_validator
from typing_extensions import override

from speclake.checks import Check
from speclake.measurement import Correction
from speclake.specs.requirements.over_sites import OverSites, OverSitesRule
from speclake.specs.requirements.rules import Limited
from speclake.specs.requirements.several import AnyDrawnFrom, Role
from speclake.specs.requirements.table import Position as Position
from speclake.specs.requirements.table import Table as Table
from speclake.specs.requirements.uncertainty import (
    USUAL_COVERAGE_FACTOR,
    UncertaintyKey,
    check_statements,
    sources_in_words,
)
from speclake.units import QUANTITY_OF_UNIT, AxisUnit, Medium, Quantity, SpectralUnit

Smoothing = Literal["refused", "allowed", "must be known"]
Geometry = Literal["total", "regular", "diffuse"]
Place = Literal["band", "at", "either", "optional band", "none"]


def texts(written: object) -> object:
    """One entry as a list of one; a number, such as a site, as its text."""
    entries = written if isinstance(written, list | tuple) else [written]
    return tuple(
        str(entry) if isinstance(entry, int | Decimal) and not isinstance(entry, bool) else entry
        for entry in entries
    )


Angle = Annotated[float, Field(ge=0, lt=90, allow_inf_nan=False)]
Texts = Annotated[tuple[str, ...], BeforeValidator(texts)]
Checks = Annotated[tuple[Check, ...], BeforeValidator(texts)]

VALUE_UNITS: tuple[SpectralUnit, ...] = get_args(SpectralUnit)


class AfterSmoothing(Table):
    """How a spectrum is smoothed before a number is taken from it."""

    window: Position
    degree: Annotated[int, Field(ge=0, le=5)]

    @property
    def in_words(self) -> str:
        """The smoothing as a phrase; the window is in nm."""
        return f"after smoothing over {self.window:g} nm, degree {self.degree}"


class Requirement(Limited):
    """One line of a specification: a number taken from a spectrum, and its limits.

    Each kind of number is a class of its own with the keys that it needs; `what` tells which.
    """

    place: ClassVar[Place] = "band"
    """Where on the axis the number is taken: whether `band` or `at` must be given."""
    as_exported: ClassVar[bool] = False
    """Whether the computation wants the values as exported and changes their unit itself."""
    may_be_smoothed: ClassVar[bool] = True
    """Whether the number can be taken after a smoothing of ours."""

    id: str = Field(min_length=1)
    what: str
    of: SpectralUnit | None = None
    unit: str
    quantity: Quantity | None = None
    band: tuple[Position, Position] | None = None
    at: Position | None = None
    axis_unit: AxisUnit = "nm"
    medium: Medium | None = None
    after_smoothing: AfterSmoothing | None = None
    largest_interval: Position | None = None
    largest_bandwidth_nm: Position | None = None
    uncertainty: UncertaintyKey = None
    # which spectra it applies to
    angle_deg: Angle | None = None
    angle_tolerance_deg: Annotated[float, Field(ge=0, lt=90)] = 0.5
    polarisation: str | None = None
    side: str | None = None
    stage: str | None = None
    segment: str | None = None
    instrument_class: str | None = None
    accessory: str | None = None
    geometry: Geometry | None = None
    sites: Texts = ()
    when_not_met: Literal["no verdict", "not measurable"] = "no verdict"
    largest_unpolarised_angle_deg: Angle = 10.0
    drawn_from: AnyDrawnFrom | None = None
    over_sites: OverSitesRule = OverSites()
    # what such a spectrum must be
    needs_correction: Annotated[tuple[Correction, ...], BeforeValidator(texts)] = ()
    smoothing: Smoothing = "refused"
    blocked_by: Checks | None = None
    """Checks whose doubts leave no verdict; None for those of the specification."""
    note: str = ""

    @model_validator(mode="after")
    def _check(self) -> Self:
        self._check_units()
        self._check_place()
        if self.medium == "air" and self.axis_unit in ("cm-1", "eV"):
            raise ValueError(f"no medium air with {self.axis_unit}, which belongs to vacuum")
        if self.after_smoothing is not None and not self.may_be_smoothed:
            raise ValueError(f'no after_smoothing with what = "{self.what}"')
        check_statements(self.uncertainty, self.spectral_unit)
        self._check_drawn()
        return self

    def _check_drawn(self) -> None:
        if self.drawn_from is None:
            if self.spectral_unit == "%A+S":
                raise ValueError('[requirement.drawn_from] with how = "100 - T - R" for %A+S')
            return
        self.drawn_from.check(self.spectral_unit)
        for key in self.drawn_from.excluded:
            if getattr(self, key) is not None:
                raise ValueError(f'no {key} with drawn_from.how = "{self.drawn_from.how}"')

    @override
    def is_uncertain(self) -> bool:
        return bool(self.uncertainty)

    def stated_sizes(self) -> list[tuple[float, float]]:
        """Expanded uncertainties that are stated outright, each with its coverage factor."""
        if self.uncertainty is None:
            return []
        if not isinstance(self.uncertainty, tuple):
            return [(self.uncertainty, USUAL_COVERAGE_FACTOR)]
        return [(each.expanded, each.k) for each in self.uncertainty if each.expanded and each.k]

    def classes_of_uncertainty(self) -> list[str | None]:
        """Classes of instruments for which an uncertainty is stated, None for all of them."""
        stated = self.uncertainty if isinstance(self.uncertainty, tuple) else ()
        return [each.instrument_class for each in stated]

    def result_units(self) -> Sequence[str]:
        """Units that the number may have."""
        return VALUE_UNITS

    def taken(self) -> str:
        """What number is taken, and where, as a phrase without the limits."""
        raise NotImplementedError

    def _check_units(self) -> None:
        if self.of is None and self.unit not in VALUE_UNITS:
            allowed = ", ".join(VALUE_UNITS)
            raise ValueError(f"of = the unit in which the spectrum is taken, one of {allowed}")
        if self.quantity not in (None, self.measured):
            unit = self.spectral_unit
            raise ValueError(f'quantity = "{self.measured}", which is what {unit} is a unit of')
        if self.unit not in self.result_units():
            raise ValueError(f"unit = one of {', '.join(self.result_units())}")

    def _check_place(self) -> None:
        has = {"band": self.band is not None, "at": self.at is not None}
        wanted: dict[Place, tuple[dict[str, bool], ...]] = {
            "band": ({"band": True, "at": False},),
            "at": ({"band": False, "at": True},),
            "either": ({"band": True, "at": False}, {"band": False, "at": True}),
            "optional band": ({"band": True, "at": False}, {"band": False, "at": False}),
            "none": ({"band": False, "at": False},),
        }
        if has not in wanted[self.place]:
            words = {
                "band": "band = [from, to], and no at,",
                "at": "at = a position, and no band,",
                "either": "band = [from, to] or at = a position, one of them,",
                "optional band": "no at",
                "none": "neither band nor at",
            }
            raise ValueError(f'{words[self.place]} with what = "{self.what}"')
        if self.band is not None and not self.band[0] < self.band[1]:
            raise ValueError("band = [from, to] with the lower position first")

    @property
    def spectral_unit(self) -> SpectralUnit:
        """The unit in which the spectrum is taken."""
        return self.of or cast(SpectralUnit, self.unit)

    @property
    def roles(self) -> tuple[Role, ...]:
        """The measurements that it draws on, the lead first; none where one spectrum is enough."""
        return () if self.drawn_from is None else self.drawn_from.roles(self.spectral_unit)

    @property
    def measured(self) -> Quantity:
        """The quantity that the spectrum is of."""
        return QUANTITY_OF_UNIT[self.spectral_unit]

    @property
    def looked_at(self) -> Sequence[tuple[float, float]]:
        """Stretches of the axis that the number hangs on; none where that is all of it."""
        ends = self.band or (None if self.at is None else (self.at, self.at))
        return () if ends is None else (ends,)

    @property
    def description(self) -> str:
        """The requirement as one phrase, with its limits as written."""
        smoothing = f" {self.after_smoothing.in_words}" if self.after_smoothing else ""
        drawn = f" {self.drawn_from.in_words}" if self.drawn_from else ""
        words = [f"{self.taken()}{drawn}{smoothing}", self._limits_in_words(self.unit)]
        words += [*self._rule_in_words(self.unit), *sources_in_words(self.uncertainty)]
        return ", ".join([*words, *self._conditions_in_words()])

    def _place_in_words(self) -> str:
        """Where on the axis the number is taken, as `taken` says it."""
        medium = f" in {self.medium}" if self.medium else ""
        if self.band is not None:
            low, high = (f"{end:.10g} {self.axis_unit}" for end in self.band)
            return f"from {low} to {high}{medium}"
        return f"at {self.at:.10g} {self.axis_unit}{medium}" if self.at is not None else ""

    def _conditions_in_words(self) -> list[str]:
        words = []
        if self.angle_deg is not None:
            words.append(f"angle of incidence {self.angle_deg:g}°")
        words += [
            f"{in_words(name)} {wanted}"
            for name in CONDITIONS_AS_TEXT
            if (wanted := getattr(self, name)) is not None
        ]
        if self.sites:
            words.append(f"site {', '.join(self.sites)}")
        if self.when_not_met != "no verdict":
            words.append(f"otherwise {self.when_not_met}")
        return [*words, over] if (over := self.over_sites.in_words) else words


CONDITIONS_AS_TEXT = (
    "polarisation", "side", "stage", "segment", "instrument_class", "accessory", "geometry",
)  # fmt: skip
"""Conditions of a scan that are compared as text, beside the site."""


def in_words(name: str) -> str:
    """Name of a condition as a phrase."""
    return name.replace("_", " ")


def same_text(text: str) -> str:
    """Text by which a side, a site or a polarisation is compared: without case and outer space."""
    return text.strip().casefold()
