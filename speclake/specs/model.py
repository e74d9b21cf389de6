"""Specifications as people write them: requirements, what they apply to, and what a part needs."""

import hashlib
import json
from collections.abc import Mapping
from datetime import date
from decimal import Decimal
from functools import cached_property
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from speclake import tomlfile
from speclake.checks import Check
from speclake.specs.requirements import AnyRequirement, Requirement, same_text
from speclake.specs.requirements.common import Angle, Checks, Table, Texts, texts
from speclake.specs.rollup import Repeats, Witness
from speclake.specs.sampling import Lot


def _sites_needed(written: object) -> object:
    return written if isinstance(written, int) else texts(written)


class Needs(Table):
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


class Specification(Table):
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
    instrument_classes: Mapping[str, Texts] = {}
    repeats: Repeats = Repeats()
    witness: Witness | None = None
    lot: Lot = Lot()
    blocked_by: Checks = (Check.SATURATION, Check.IDENTICAL, Check.UNFIT)
    requirement: tuple[AnyRequirement, ...]

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
        self._check_classes()
        witnessed = () if self.witness is None else self.witness.requirements
        for each in self.requirement:
            each.over_sites.check_against(each.id, is_uncertain=each.is_uncertain())
            if each.id not in witnessed:
                self._check_needed(each)
        if self.witness is not None:
            self.witness.check_known(set(names))
        return self

    def _check_classes(self) -> None:
        """Refuse an instrument in two classes, and a class that no instrument has."""
        listed = [same_text(name) for names in self.instrument_classes.values() for name in names]
        if twice := {name for name in listed if listed.count(name) > 1}:
            raise ValueError(f"instrument_classes with {sorted(twice)[0]!r} once")
        for each in self.requirement:
            for wanted in (each.instrument_class, *each.classes_of_uncertainty()):
                if wanted is not None and not self.instrument_classes.get(wanted):
                    raise ValueError(
                        f"instrument_classes with the instruments of {wanted!r}, which "
                        f"requirement {each.id!r} asks for"
                    )

    def instrument_class_of(self, instrument: str) -> str | None:
        """Class in which an instrument is listed; None if in none."""
        return self._class_of.get(same_text(instrument))

    def blocked_by_of(self, requirement: Requirement) -> tuple[Check, ...]:
        """Checks whose doubts leave no verdict by a requirement of it."""
        own = requirement.blocked_by
        return self.blocked_by if own is None else own

    @cached_property
    def _class_of(self) -> Mapping[str, str]:
        return {
            same_text(name): label
            for label, names in self.instrument_classes.items()
            for name in names
        }

    def _check_needed(self, requirement: Requirement) -> None:
        """Refuse a requirement on spectra that a complete part need not have."""
        needs = self.needs
        named = needs.sites if isinstance(needs.sites, tuple) else ()
        for key, wanted, listed in (
            ("sites", requirement.sites, named),
            ("sides", _asked(requirement, "side"), needs.sides),
            ("polarisations", _asked(requirement, "polarisation"), needs.polarisations),
            ("segments", _asked(requirement, "segment"), needs.segments),
            ("stages", _asked(requirement, "stage"), needs.stages),
        ):
            known = {same_text(each) for each in listed}
            for each in wanted:
                if known and same_text(str(each)) not in known:
                    raise ValueError(
                        f"needs.{key} with {each!r}, which requirement {requirement.id!r} asks for"
                    )
        for angle in map(float, _asked(requirement, "angle_deg") if needs.angles_deg else ()):
            if not any(abs(angle - each) <= needs.angle_tolerance_deg for each in needs.angles_deg):
                raise ValueError(
                    f"needs.angles_deg with {angle:g}, which requirement {requirement.id!r} asks "
                    "for"
                )

    @property
    def requirements(self) -> tuple[AnyRequirement, ...]:
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


def _asked(requirement: Requirement, name: str) -> list[str | float]:
    """What a requirement asks for in one respect, itself or of the scans that it draws on."""
    own: str | float | None = getattr(requirement, name)
    told = [value for role in requirement.roles for key, value in role.told_by if key == name]
    return told if own is None else [own, *told]


def _canonical(said: object) -> str:
    return json.dumps(
        said, sort_keys=True, ensure_ascii=False, separators=(",", ":"), allow_nan=False
    )
