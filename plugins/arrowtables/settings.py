"""What a format says of Arrow tables: what a row is, and which columns are axis and values."""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from speclake.importing.declared import StatedFields
from speclake.importing.formats import TomlTable, Values
from speclake.units import AxisUnit, Medium


class TableAxis(TomlTable):
    """Where the axis stands: in a column, in the metadata of the table, or here."""

    column: str | None = None
    metadata: str | None = None
    values: Annotated[list[float], Field(min_length=1)] | None = None
    first: float | None = None
    step: float | None = None
    unit: AxisUnit
    medium: Medium | None = None

    @model_validator(mode="after")
    def _stands_in_one_place(self) -> Self:
        if (self.first is None) != (self.step is None):
            raise ValueError("first and step together")
        ways = (self.column, self.metadata, self.values, self.first)
        if sum(way is not None for way in ways) != 1:
            raise ValueError("one of column, metadata, values, or first and step")
        return self


class ArrowSettings(StatedFields):
    """The table ``[settings]`` of a format for Arrow tables."""

    rows: Literal["spectra", "points", "positions"]
    keys: list[str] = Field(default_factory=list)
    axis: TableAxis
    values: Values

    @model_validator(mode="after")
    def _fits_what_a_row_is(self) -> Self:
        if self.keys and self.rows != "points":
            raise ValueError("keys only where rows = 'points'")
        if self.rows != "spectra" and self.axis.column is None:
            raise ValueError("axis.column, since a row holds a single position")
        if self.rows != "positions" and not self.values.columns:
            raise ValueError("values.columns, which of the columns hold values")
        return self
