"""How a laboratory qualifies a configuration of an instrument: ``qualification/*.toml``.

A programme speaks of one configuration: an instrument with an accessory, measuring one quantity
over one range. Each of its checks is due again after some days; what fails makes the configuration
unfit, and what is overdue makes its state unknown.
"""

from pathlib import Path
from typing import Annotated, ClassVar, Literal, Self

from pydantic import Field, model_validator

from speclake import tomlfile
from speclake.measurement import Kind
from speclake.standards import published
from speclake.standards.certificates import Above, Number, Table
from speclake.units import Quantity, SpectralUnit

Band = tuple[Above, Above]


class QualifyingCheck(Table):
    """One check: which scans it takes, how often, and within which limits.

    Parameters
    ----------
    id : name of the check, the same from run to run.
    sample : sample name of the scans, ``*`` for any text; the names of the standard by default.
    kind : what such a scan is; None takes any.
    every_days : after how many days it is due again.
    rule : how a number near its limit decides: ``guarded`` by its expanded uncertainty to both
        sides, so that it may be undecided, or by ``simple acceptance``, alone.
    """

    of_several: ClassVar[bool] = False
    """Whether it takes more than one scan."""

    id: str = Field(min_length=1)
    what: str
    sample: str | None = None
    kind: Kind | None = None
    every_days: Above
    rule: Literal["guarded", "simple acceptance"] = "guarded"
    note: str = ""


class OfStandard(QualifyingCheck):
    """A check against a certificate of the laboratory, or a table that is published."""

    standard: str | None = None
    """Name of a certificate in ``standards/``."""
    published: str | None = None
    """Name of a table of `speclake.standards.published`."""

    @model_validator(mode="after")
    def _one_source(self) -> Self:
        if (self.standard is None) == (self.published is None):
            raise ValueError("standard = a certificate or published = a table, one of them")
        return self

    def _must_know(self, tables: tuple[str, ...], tolerance: str | None) -> None:
        """Table and class of tolerance exist, and are of this kind of check."""
        if self.published is not None and self.published not in tables:
            raise ValueError(f"published = one of {', '.join(tables)}")
        if tolerance is None:
            return
        if tolerance == published.OF_TABLE:
            if self.published is None:
                raise ValueError(f'tolerance = "{tolerance}" with a published table')
            return
        of_kind = [each.name for each in published.TOLERANCES.values() if each.what == self.what]
        if tolerance not in of_kind:
            raise ValueError(f"tolerance = one of {', '.join((*of_kind, published.OF_TABLE))}")


def _one_of(**limits: object) -> None:
    if sum(value is not None for value in limits.values()) != 1:
        raise ValueError(f"one of {', '.join(limits)}")


class BandPositions(OfStandard):
    """Wavelength accuracy: where the bands or lines of a standard are found."""

    what: Literal["band positions"]
    largest_error_nm: Above | None = None
    tolerance: str | None = None
    """A tolerance class of `speclake.standards.published`, in place of `largest_error_nm`."""
    window_nm: Above = 5.0
    """Greatest width over which a band is fitted; it is looked for half of it to both sides."""
    band: Band | None = None
    """Only the bands of the standard in this stretch; in the range of the programme by default."""

    @model_validator(mode="after")
    def _check(self) -> Self:
        _one_of(largest_error_nm=self.largest_error_nm, tolerance=self.tolerance)
        self._must_know(published.BANDS, self.tolerance)
        if self.tolerance == published.OF_TABLE and self.published is not None:
            rows = published.bands(self.published).bands
            if any(each.allowance_nm is None for each in rows):
                raise ValueError(f"another tolerance: {self.published} states none")
        return self


class Values(OfStandard):
    """Photometric accuracy: values at the certified wavelengths."""

    what: Literal["values"]
    largest_error: Above | None = None
    largest_error_percent: Above | None = None
    """Of the value, in place of `largest_error`."""
    tolerance: str | None = None
    """A tolerance class, in place of both."""

    @model_validator(mode="after")
    def _check(self) -> Self:
        _one_of(
            largest_error=self.largest_error,
            largest_error_percent=self.largest_error_percent,
            tolerance=self.tolerance,
        )
        self._must_know(published.VALUES, self.tolerance)
        if self.tolerance == published.OF_TABLE and self.published is not None:
            rows = published.values(self.published).values
            if any(each.low is None for each in rows):
                raise ValueError(f"another tolerance: {self.published} states none")
        return self


class StrayLight(QualifyingCheck):
    """Stray light: what is left where a cut-off filter or solution lets nothing through."""

    what: Literal["stray light"]
    band: Band
    unit: SpectralUnit
    limit: Number
    """The most in %T or T, the least in A or OD."""


class Resolution(QualifyingCheck):
    """Width of a narrow line, or the ratio of a maximum of absorbance to the minimum beside it."""

    what: Literal["resolution"]
    line_nm: Above | None = None
    largest_width_nm: Above | None = None
    maximum_nm: Above | None = None
    minimum_nm: Above | None = None
    least_ratio: Above | None = None

    @model_validator(mode="after")
    def _check(self) -> Self:
        line = (self.line_nm, self.largest_width_nm)
        ratio = (self.maximum_nm, self.minimum_nm, self.least_ratio)
        of_line, of_ratio = (all(x is not None for x in each) for each in (line, ratio))
        if of_line == of_ratio or any(x is not None for x in (ratio if of_line else line)):
            raise ValueError(
                "line_nm with largest_width_nm, or maximum_nm, minimum_nm and least_ratio"
            )
        return self


class Flatness(QualifyingCheck):
    """How far a 100 % or 0 % line lies off anywhere in a band."""

    what: Literal["flatness"]
    band: Band
    level_percent: Literal[0, 100] = 100
    largest_deviation_percent: Above


class Noise(QualifyingCheck):
    """Rms noise of a line over a band."""

    what: Literal["noise"]
    band: Band
    largest_rms: Above
    unit: SpectralUnit


class Drift(QualifyingCheck):
    """How fast a line drifts: the slope over scans of `within_h` hours."""

    of_several: ClassVar[bool] = True
    what: Literal["drift"]
    at_nm: Above
    within_h: Above = 2.0
    largest_an_hour: Above
    unit: SpectralUnit


class Repeatability(QualifyingCheck):
    """Scatter of repeated scans of one piece within `within_h` hours."""

    of_several: ClassVar[bool] = True
    what: Literal["repeatability"]
    at_nm: Above
    scans: Annotated[int, Field(ge=3)] = 6
    within_h: Above = 2.0
    largest_sd: Above
    unit: SpectralUnit


class CheckSample(QualifyingCheck):
    """A value of the check piece of every day, for a control chart.

    Without `target` and `tolerance` nothing is judged but by the chart.
    """

    what: Literal["check sample"]
    band: Band | None = None
    at_nm: Above | None = None
    unit: SpectralUnit
    target: Number | None = None
    tolerance: Above | None = None

    @model_validator(mode="after")
    def _check(self) -> Self:
        if (self.band is None) == (self.at_nm is None):
            raise ValueError("band = [from, to] or at_nm = a wavelength, one of them")
        if (self.target is None) != (self.tolerance is None):
            raise ValueError("target with tolerance, or neither")
        return self


AnyCheck = Annotated[
    BandPositions | Values | StrayLight | Resolution | Flatness | Noise | Drift | Repeatability
    | CheckSample,
    Field(discriminator="what"),
]  # fmt: skip


class Programme(Table):
    """How one configuration is qualified."""

    name: str = Field(min_length=1)
    instrument: str
    accessory: str | None = None
    """None speaks of every accessory."""
    quantity: Quantity
    range_nm: Band
    check: tuple[AnyCheck, ...]
    note: str = ""

    @model_validator(mode="after")
    def _check_all(self) -> Self:
        if not self.range_nm[0] < self.range_nm[1]:
            raise ValueError("range_nm = [from, to] with the lower wavelength first")
        names = [each.id for each in self.check]
        if not names or len(set(names)) != len(names):
            raise ValueError("at least one [[check]], each with an id of its own")
        return self

    def covers(self, instrument: str | None, accessory: str | None, quantity: str) -> bool:
        """Whether it speaks of this instrument with this accessory measuring this quantity."""
        return (
            self.instrument == instrument
            and self.accessory in (None, accessory)
            and self.quantity == quantity
        )

    @classmethod
    def from_toml(cls, path: Path) -> Self:
        """Programme of a TOML file.

        Raises
        ------
        speclake.errors.BadSettings
            The file is not TOML, or says something that a programme cannot.
        """
        return tomlfile.load(path, cls)
