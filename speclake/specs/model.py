"""Specifications as people write them: requirements, what they apply to, and what a part needs."""

import hashlib
import json
from datetime import date
from decimal import Decimal
from functools import cached_property
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from speclake import tomlfile
from speclake.measurement import Correction
from speclake.specs.rounding import Decision, last_place, limit_text, shown
from speclake.units import QUANTITY_OF_UNIT, AxisUnit, Medium, Quantity, ValueUnit

What = Literal["minimum", "maximum", "mean", "value"]
Smoothing = Literal["refused", "allowed", "must be known"]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


def _texts(written: object) -> object:
    """One entry as a list of one; a number, such as a site, as its text."""
    entries = written if isinstance(written, list | tuple) else [written]
    return tuple(
        str(entry) if isinstance(entry, int | Decimal) and not isinstance(entry, bool) else entry
        for entry in entries
    )


def _sites_needed(written: object) -> object:
    return written if isinstance(written, int) else _texts(written)


LimitText = Annotated[str, BeforeValidator(limit_text)]
Position = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Angle = Annotated[float, Field(ge=0, lt=90, allow_inf_nan=False)]
Texts = Annotated[tuple[str, ...], BeforeValidator(_texts)]


class Requirement(_Table):
    """One line of a specification: a number taken from a spectrum, and its limits."""

    id: str = Field(min_length=1)
    what: What
    unit: ValueUnit
    quantity: Quantity | None = None
    band: tuple[Position, Position] | None = None
    at: Position | None = None
    axis_unit: AxisUnit = "nm"
    medium: Medium | None = None
    largest_interval: Position | None = None
    at_least: LimitText | None = None
    at_most: LimitText | None = None
    target: LimitText | None = None
    decision: Decision = "absolute"
    uncertainty: Position | None = None
    when_within_uncertainty: Literal["undecided", "decide"] = "undecided"
    # which spectra it applies to
    angle_deg: Angle | None = None
    angle_tolerance_deg: Annotated[float, Field(ge=0, lt=90)] = 0.5
    polarisation: str | None = None
    side: str | None = None
    stage: str | None = None
    segment: str | None = None
    sites: Texts = ()
    # what such a spectrum must be
    needs_correction: Annotated[tuple[Correction, ...], BeforeValidator(_texts)] = ()
    smoothing: Smoothing = "refused"
    note: str = ""

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.quantity not in (None, self.measured):
            raise ValueError(
                f'quantity = "{self.measured}", which is what {self.unit} is a unit of'
            )
        if self.what == "value" and (self.at is None or self.band is not None):
            raise ValueError('at = a position, and no band, with what = "value"')
        if self.what != "value" and (self.band is None or self.at is not None):
            raise ValueError(f'band = [from, to], and no at, with what = "{self.what}"')
        if self.band is not None and not self.band[0] < self.band[1]:
            raise ValueError("band = [from, to] with the lower position first")
        if self.medium == "air" and self.axis_unit in ("cm-1", "eV"):
            raise ValueError(f"no medium air with {self.axis_unit}, which belongs to vacuum")
        self._check_limits()
        return self

    def _check_limits(self) -> None:
        if not self.limits:
            raise ValueError("at_least, at_most or both")
        if len(self.limits) == 2 and Decimal(self.limits[0]) > Decimal(self.limits[1]):
            raise ValueError("an at_least that is not above at_most")
        if self.decision == "rounded" and len({last_place(limit) for limit in self.limits}) > 1:
            raise ValueError(
                'at_least and at_most with the same last digit if decision = "rounded"'
            )

    @property
    def measured(self) -> Quantity:
        """The quantity that the unit is of."""
        return QUANTITY_OF_UNIT[self.unit]

    @property
    def limits(self) -> tuple[str, ...]:
        """Limits as written, the lower one first."""
        return tuple(limit for limit in (self.at_least, self.at_most) if limit is not None)

    @property
    def undecided_within(self) -> float | None:
        """Distance from a limit within which the value decides nothing; None if it always does."""
        return self.uncertainty if self.when_within_uncertainty == "undecided" else None

    def shown(self, value: float) -> str:
        """Value of this requirement as it is printed; never at odds with its verdict."""
        return shown(value, self.limits, self.decision, self.undecided_within)

    @property
    def description(self) -> str:
        """The requirement as one phrase, with its limits as written."""
        if self.band is not None:
            place = f"from {self.band[0]:.10g} {self.axis_unit} to {self.band[1]:.10g}"
        else:
            place = f"at {self.at:.10g}"
        place += f" {self.axis_unit}" + (f" in {self.medium}" if self.medium else "")
        taken = self.measured if self.what == "value" else f"{self.what} {self.measured}"
        words = [f"{taken} {place}"]
        if self.at_least is not None and self.at_most is not None:
            words.append(f"between {self.at_least} {self.unit} and {self.at_most} {self.unit}")
        elif self.at_least is not None:
            words.append(f"at least {self.at_least} {self.unit}")
        else:
            words.append(f"at most {self.at_most} {self.unit}")
        if self.decision == "rounded":
            words[-1] += " (rounded to the last digit of the limit)"
        return ", ".join([*words, *self._conditions_in_words()])

    def _conditions_in_words(self) -> list[str]:
        words = []
        if self.angle_deg is not None:
            words.append(f"angle of incidence {self.angle_deg:g}°")
        words += [
            f"{name} {wanted}"
            for name in ("polarisation", "side", "stage", "segment")
            if (wanted := getattr(self, name)) is not None
        ]
        if self.sites:
            words.append(f"site {', '.join(self.sites)}")
        return words


class Needs(_Table):
    """The spectra that a complete part has: every combination of the entries."""

    sites: Annotated[
        Annotated[int, Field(ge=1)] | tuple[str, ...], BeforeValidator(_sites_needed)
    ] = ()
    sides: Texts = ()
    angles_deg: tuple[Angle, ...] = ()
    angle_tolerance_deg: Annotated[float, Field(ge=0, lt=90)] = 0.5
    polarisations: Texts = ()
    segments: Texts = ()
    stages: Texts = ()


class Specification(_Table):
    """What the parts of a product, an order or a customer must fulfil.

    The version is the content: two files that say the same, in whatever order and layout, have one
    version, and any change of a digit makes another.
    """

    name: str = Field(min_length=1)
    title: str = ""
    owner: Literal["customer", "in-house"] = "customer"
    revision: str = ""
    products: Texts = ()
    orders: Texts = ()
    customers: Texts = ()
    approved_by: str | None = None
    approved_on: date | None = None
    effective_from: date | None = None
    effective_until: date | None = None
    note: str = ""
    needs: Needs = Needs()
    requirement: tuple[Requirement, ...]

    @model_validator(mode="after")
    def _check(self) -> Self:
        if not self.requirement:
            raise ValueError("at least one [[requirement]]")
        names = [each.id for each in self.requirement]
        if twice := {name for name in names if names.count(name) > 1}:
            raise ValueError(f"requirements with an id each; {sorted(twice)[0]!r} stands twice")
        begin, end = self.effective_from, self.effective_until
        if begin is not None and end is not None and begin > end:
            raise ValueError("an effective_from that is not after effective_until")
        for each in self.requirement:
            self._check_needed(each)
        return self

    def _check_needed(self, requirement: Requirement) -> None:
        """Refuse a requirement on spectra that a complete part need not have."""
        needs = self.needs
        named = needs.sites if isinstance(needs.sites, tuple) else ()
        for key, wanted, listed in (
            ("sites", requirement.sites, named),
            ("sides", (requirement.side,), needs.sides),
            ("polarisations", (requirement.polarisation,), needs.polarisations),
            ("segments", (requirement.segment,), needs.segments),
            ("stages", (requirement.stage,), needs.stages),
        ):
            known = {same_text(each) for each in listed}
            for each in wanted:
                if known and each is not None and same_text(each) not in known:
                    raise ValueError(
                        f"needs.{key} with {each!r}, which requirement {requirement.id!r} asks for"
                    )
        angle = requirement.angle_deg
        if angle is None or not needs.angles_deg:
            return
        if not any(abs(angle - each) <= needs.angle_tolerance_deg for each in needs.angles_deg):
            raise ValueError(
                f"needs.angles_deg with {angle:g}, which requirement {requirement.id!r} asks for"
            )

    @property
    def requirements(self) -> tuple[Requirement, ...]:
        """The requirements in the order of the file."""
        return self.requirement

    @cached_property
    def version(self) -> str:
        """Name of this content: what is said, without what is left at its default."""
        said = _canonical(self.model_dump(mode="json", exclude_defaults=True))
        return hashlib.sha256(said.encode()).hexdigest()[:32]

    def to_json(self) -> str:
        """Everything, the defaults included, as canonical JSON; `from_json` gives it back."""
        return _canonical(self.model_dump(mode="json"))

    @classmethod
    def from_json(cls, content: str) -> Self:
        """Specification from `to_json`.

        Raises
        ------
        pydantic.ValidationError
            The content was not written by `to_json`.
        """
        return cls.model_validate_json(content)

    @classmethod
    def from_toml(cls, path: Path | str) -> Self:
        """Specification of a TOML file.

        Raises
        ------
        speclake.errors.BadSettings
            The file is not TOML, or says something that a specification cannot.
        """
        return tomlfile.load(Path(path), cls, Decimal)

    @classmethod
    def from_toml_text(cls, text: str, name: str) -> Self:
        """Specification of TOML text; `name` is the file's name in messages.

        Raises
        ------
        speclake.errors.BadSettings
            As for `from_toml`.
        """
        return tomlfile.loads(text, name, cls, Decimal)


def _canonical(said: object) -> str:
    return json.dumps(
        said, sort_keys=True, ensure_ascii=False, separators=(",", ":"), allow_nan=False
    )


def same_text(text: str) -> str:
    """Text by which a side, a site or a polarisation is compared: without case and outer space."""
    return text.strip().casefold()
