"""Formats of workbooks: those of text, with a table ``[sheets]`` in place of ``[text]``."""

from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, PositiveInt, model_validator

from speclake.importing.formats import Described, Format, Scanned, TimePattern, TomlTable
from speclake.importing.textrules import DecimalSign

DATE_CELL_PATTERNS = ("%Y-%m-%d", "%Y-%m-%d %H:%M:%S", "%Y-%m-%d %H:%M:%S.%f")
"""How a cell that holds a date is written out as a header entry; see `sheetcells.cell_text`."""


def _sheet_name(name: str) -> str:
    if not name.strip():
        raise ValueError("the name of a sheet, or a pattern with * and ?")
    return name


SheetName = Annotated[str, AfterValidator(_sheet_name)]


class Sheets(TomlTable):
    """Which sheets hold spectra, and what their cells may hold beside numbers."""

    read: list[SheetName] = Field(default_factory=lambda: ["*"], min_length=1)
    ignore: list[SheetName] = Field(default_factory=list)
    first_column: PositiveInt = 1
    missing: list[str] = Field(default_factory=list)
    numbers_as_text: Literal["refuse", "read"] = "refuse"
    decimal_sign: DecimalSign | None = None

    @model_validator(mode="after")
    def _tells_how_text_is_written(self) -> Self:
        if self.numbers_as_text == "read" and self.decimal_sign is None:
            raise ValueError("decimal_sign where numbers_as_text is 'read'")
        if any(word != word.strip() for word in self.missing):
            raise ValueError("missing words without blanks around them")
        return self


class SheetScanned(Scanned):
    """Where the time of the scan stands; cells that hold dates need no pattern."""

    patterns: list[TimePattern] = Field(default_factory=list)

    @property
    def readable_patterns(self) -> list[str]:
        """The patterns said, and those in which a cell's own date is written out."""
        return list(dict.fromkeys((*self.patterns, *DATE_CELL_PATTERNS)))


class SheetFormat(Described):
    """One kind of workbook.

    Raises
    ------
    ValueError
        The tables contradict one another.
    """

    sheets: Sheets
    scanned: SheetScanned | None = None

    @property
    def decimal_sign(self) -> DecimalSign:
        """Sign with which the header writes numbers that are text."""
        return self.sheets.decimal_sign or "."


TableFormat = Format | SheetFormat
"""A format that describes columns, of text or of a workbook."""
