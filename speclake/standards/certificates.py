"""Certificates of reference standards, as a laboratory keeps them in ``standards/``."""

import hashlib
import json
from datetime import date
from functools import cached_property
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from speclake import tomlfile
from speclake.units import Medium, SpectralUnit

Above = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Number = Annotated[float, Field(allow_inf_nan=False)]


class Table(BaseModel):
    """A table of a certificate or a programme: an unknown key is an error."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    @cached_property
    def version(self) -> str:
        """Name of the content."""
        said = self.model_dump(mode="json", exclude_defaults=True)
        text = json.dumps(said, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
        return hashlib.sha256(text.encode()).hexdigest()[:32]


class Row(Table):
    """A table that may be written as a row of its numbers, in the order of its keys."""

    @model_validator(mode="before")
    @classmethod
    def _from_row(cls, said: object) -> object:
        if not isinstance(said, list | tuple):
            return said
        if len(said) != len(cls.model_fields):
            raise ValueError(f"a row of {', '.join(cls.model_fields)}")
        return dict(zip(cls.model_fields, said, strict=True))


class CertifiedBand(Row):
    """Position of one band or line; the uncertainty is expanded."""

    position_nm: Above
    uncertainty_nm: Above


class CertifiedValue(Row):
    """A value at one wavelength; the uncertainty is expanded, in the unit of the certificate."""

    at_nm: Above
    value: Number
    uncertainty: Above


class Certificate(Table):
    """What a certificate says of one standard: identification, values, until when.

    Values and band positions hold at the bandwidth that is stated. A long table is written in rows,
    ``value = [[400, 97.1, 0.5], [410, 97.3, 0.5]]``, in place of one ``[[value]]`` each.
    """

    name: str = Field(min_length=1)
    material: str
    identification: str
    certificate: str
    issued_by: str
    issued_on: date
    valid_until: date | None
    recognised_as: tuple[str, ...] = ()
    """Sample names of scans of it; ``*`` stands for any text."""
    coverage_factor: Above = 2.0
    bandwidth_nm: Above | None = None
    medium: Medium = "air"
    temperature_c: Number | None = None
    angle_deg: Annotated[float, Field(ge=0, lt=90)] | None = None
    sense: Literal["minimum", "maximum"] = "minimum"
    """Whether a band is a minimum or a maximum of the value, in transmittance or intensity."""
    unit: SpectralUnit | None = None
    band: tuple[CertifiedBand, ...] = ()
    value: tuple[CertifiedValue, ...] = ()
    note: str = ""

    @model_validator(mode="after")
    def _check(self) -> Self:
        if not self.band and not self.value:
            raise ValueError("at least one [[band]] or [[value]]")
        if self.value and self.unit is None:
            raise ValueError("unit, which the values are in")
        for places in ([b.position_nm for b in self.band], [v.at_nm for v in self.value]):
            if any(low >= high for low, high in pairwise(places)):
                raise ValueError("bands and values in the order of rising wavelength, each once")
        if self.valid_until is not None and self.valid_until < self.issued_on:
            raise ValueError("a valid_until that is not before issued_on")
        return self

    def is_valid_on(self, day: date) -> bool:
        """Whether the certificate holds on a day."""
        return self.issued_on <= day and (self.valid_until is None or day <= self.valid_until)

    def columns(self) -> tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...]]:
        """Wavelengths in nm, values, and expanded uncertainties, in the order of wavelength."""
        rows = self.value
        return (
            tuple(row.at_nm for row in rows),
            tuple(row.value for row in rows),
            tuple(row.uncertainty for row in rows),
        )

    @classmethod
    def from_toml(cls, path: Path) -> Self:
        """Certificate of a TOML file.

        Raises
        ------
        speclake.errors.BadSettings
            The file is not TOML, or says something that a certificate cannot.
        """
        return tomlfile.load(path, cls)
