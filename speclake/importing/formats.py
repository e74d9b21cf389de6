"""Formats: what an export looks like, said in a TOML file so that nothing is guessed.

A folder ``formats/`` of an archive holds one file for each kind of export; ``docs/formats.md``
explains every key with an example.
"""

import hashlib
import json
import re
from datetime import datetime
from functools import cached_property
from typing import Annotated, Any, Literal, Self
from zoneinfo import ZoneInfo

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainValidator,
    PositiveInt,
    model_validator,
)

from speclake.importing.textrules import DecimalSign, Text
from speclake.measurement import FIELDS
from speclake.units import AxisUnit, Medium, ValueUnit


def _regular_expression(pattern: str) -> str:
    try:
        re.compile(pattern)
    except re.error as error:
        raise ValueError(f"a regular expression ({error})") from error
    return pattern


def _column(column: Any) -> int | str:
    if isinstance(column, str) and column:
        return column
    if isinstance(column, int) and not isinstance(column, bool) and column >= 1:
        return column
    raise ValueError("a column number from 1 on, or a column title in quotes")


def _zone(name: str) -> str:
    if re.fullmatch(r"[+-](0\d|1[0-4]):[0-5]\d", name):
        return name
    try:
        ZoneInfo(name)
    except (LookupError, ValueError, OSError) as error:
        raise ValueError("a zone such as 'Europe/Paris', or an offset such as '+02:00'") from error
    return name


def _time_pattern(pattern: str) -> str:
    wanted = "a pattern with day, month and year, such as '%d.%m.%Y %H:%M:%S'"
    moment = datetime.fromisoformat("2026-05-04T13:12:30.250000+00:00")
    if re.search(r"%[cxX]", pattern):
        raise ValueError(f"{wanted}; %c, %x and %X depend on the machine")
    if "%I" in pattern and "%p" not in pattern:
        raise ValueError(f"{wanted}; %I needs %p, or noon and midnight are the same")
    try:
        again = datetime.strptime(moment.strftime(pattern), pattern)  # noqa: DTZ007 (only compared)
    except (ValueError, re.error) as error:
        raise ValueError(f"{wanted} ({error})") from error
    if again.date() != moment.date():
        raise ValueError(wanted)
    return pattern


def _field_name(name: str) -> str:
    if name == "scanned":
        raise ValueError("any other field; the time of the scan has its own table [scanned]")
    if name not in FIELDS:
        raise ValueError(f"one of {', '.join(sorted(set(FIELDS) - {'scanned'}))}")
    return name


def entry_table(value: Any) -> Any:
    """Table that names an entry, of which the name alone may be written."""
    return {"entry": value} if isinstance(value, str) else value


Regex = Annotated[str, AfterValidator(_regular_expression)]
Column = Annotated[int | str, PlainValidator(_column)]
FieldName = Annotated[str, AfterValidator(_field_name)]
TimePattern = Annotated[str, AfterValidator(_time_pattern)]


class TomlTable(BaseModel):
    """A table of a format file: keys that it does not know are errors."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class Recognise(TomlTable):
    """How a file is known to be of this format; all that is given must hold."""

    file_name: str | None = None
    text: list[str] = []
    within_lines: PositiveInt = 20

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        if self.file_name is None and not self.text:
            raise ValueError("file_name, or text, or both")
        if any(not text.strip() for text in self.text):
            raise ValueError("texts that are not empty")
        return self


class EntryLines(TomlTable):
    """How the entries of a header or a footer are written."""

    last_line: Regex | None = None
    between: Annotated[str, Field(min_length=1)] = ":"
    prefix: str = ""
    sections: Regex | None = None


class Header(EntryLines):
    """Where a header ends and how its entries are written."""

    lines: PositiveInt | None = None
    next_line: Regex | None = None

    @model_validator(mode="after")
    def _ends_in_one_way(self) -> Self:
        if sum(end is not None for end in (self.lines, self.last_line, self.next_line)) != 1:
            raise ValueError("one of lines, last_line and next_line, to say where the header ends")
        return self


class Table(TomlTable):
    """What stands around the rows of numbers, and how many there must be."""

    title_lines: Annotated[int, Field(ge=0, le=5)] = 0
    points_entry: str | None = None
    end_line: Regex | None = None


class AxisColumn(TomlTable):
    """Which column is the axis, and in what unit and medium it is counted."""

    column: Column = 1
    unit: AxisUnit
    medium: Medium | None = None
    duplicates: Literal["refuse", "mean", "first", "last"] = "refuse"


class UnitFrom(TomlTable):
    """Where the unit of the values is read, and what each text there means."""

    entry: str | None = None
    title: bool = False
    pattern: Regex | None = None
    units: Annotated[dict[str, ValueUnit], Field(min_length=1)]

    @model_validator(mode="after")
    def _reads_one_place(self) -> Self:
        if (self.entry is None) == (not self.title):
            raise ValueError("either entry = '...' or title = true")
        return self


class Values(TomlTable):
    """Which columns are spectra, and the unit of their values."""

    columns: list[Column] | None = None
    ignore: list[Column] = []
    unit: ValueUnit | None = None
    unit_from: UnitFrom | None = None
    title_pattern: Regex | None = None

    @model_validator(mode="after")
    def _unit_is_declared(self) -> Self:
        if (self.unit is None) == (self.unit_from is None):
            raise ValueError("either unit or the table unit_from")
        for name in self.title_fields:
            _field_name(name)
        return self

    @property
    def title_fields(self) -> set[str]:
        """Fields that a column title states, as named groups of `title_pattern`."""
        return set(re.compile(self.title_pattern or "").groupindex)


class TextValues(Values):
    """Which columns of a text are spectra, and whether each has an axis column of its own."""

    pairs: bool = False

    @model_validator(mode="after")
    def _pairs_take_all_columns(self) -> Self:
        if self.pairs and self.columns is not None:
            raise ValueError("no columns where they stand in pairs; ignore those that are none")
        return self


class Blocks(TomlTable):
    """How spectra stand one below the other, each with a header of its own."""

    begin_line: Regex | None = None
    parted_by_blank_lines: bool = False
    growing: bool = False
    header: Header | None = None


class Scanned(TomlTable):
    """Where the time of the scan stands and how it is written."""

    entries: Annotated[list[str], Field(min_length=1)]
    patterns: Annotated[list[TimePattern], Field(min_length=1)]
    zone: Annotated[str, AfterValidator(_zone)] | None = None

    @property
    def readable_patterns(self) -> list[str]:
        """Every way in which the time may be written."""
        return list(self.patterns)


class FieldEntry(TomlTable):
    """Which header entry states a field, which part of it, and what its words mean."""

    entry: str
    pattern: Regex | None = None
    words: dict[str, str] = {}


class _Said(TomlTable):
    """One file of the folder of formats."""

    description: str = ""

    def as_data(self) -> dict[str, Any]:
        """What was said, as TOML would give it: what `Source.formats` carries."""
        return self.model_dump(exclude_unset=True)

    @cached_property
    def version(self) -> str:
        """Version by content: comments and the order of keys do not count."""
        text = json.dumps(self.as_data(), sort_keys=True, ensure_ascii=False, default=str)
        return hashlib.sha256(text.encode()).hexdigest()[:16]


class ImporterSettings(_Said):
    """What an archive declares of exports that an importer other than `columns` reads.

    The importer checks its own settings, since only it knows them.
    """

    importer: Annotated[str, Field(min_length=1)]
    recognise: Recognise | None = None
    settings: dict[str, Any] = {}


class Described(_Said):
    """What a format says of a table of spectra, whatever holds its cells.

    Raises
    ------
    ValueError
        The tables contradict one another.
    """

    recognise: Recognise | None = None
    header: Header | None = None
    table: Table = Table()
    axis: AxisColumn
    values: Values
    scanned: Scanned | None = None
    fields: dict[FieldName, Annotated[FieldEntry, BeforeValidator(entry_table)]] = {}
    constants: dict[FieldName, str] = {}

    @model_validator(mode="after")
    def _agrees_with_itself(self) -> Self:
        self._says_each_field_once()
        self._has_titles_to_read()
        return self

    def _says_each_field_once(self) -> None:
        said = [*self.fields, *self.constants, *self.values.title_fields]
        twice = sorted({name for name in said if said.count(name) > 1})
        if twice:
            raise ValueError(f"each field in one place only, not twice: {', '.join(twice)}")
        if self.axis.medium and "medium" in said:
            raise ValueError("the medium in one place only, not in [axis] and as a field")
        if self.constants.get("medium") not in (None, "air", "vacuum"):
            raise ValueError("'air' or 'vacuum' for the constant medium")

    def _has_titles_to_read(self) -> None:
        named = [self.axis.column, *(self.values.columns or []), *self.values.ignore]
        by_title = self.values.unit_from is not None and self.values.unit_from.title
        needs = by_title or self.values.title_pattern or any(isinstance(c, str) for c in named)
        if needs and not self.table.title_lines:
            raise ValueError("table.title_lines of 1 or more where column titles are used")
        if len(set(named)) < len(named):
            raise ValueError("each column once, as axis, spectrum or ignored")


class Format(Described):
    """One kind of delimited-text export.

    Raises
    ------
    ValueError
        The tables contradict one another.
    """

    text: Text
    values: TextValues
    blocks: Blocks | None = None
    footer: EntryLines | None = None

    @property
    def decimal_sign(self) -> DecimalSign:
        """Sign with which the header writes numbers, as the table does."""
        return "," if self.text.decimal_sign == "," else "."

    @model_validator(mode="after")
    def _has_one_axis_for_each_pair(self) -> Self:
        if self.values.pairs and self.axis.column != 1:
            raise ValueError("no axis.column where columns stand in pairs")
        return self

    @model_validator(mode="after")
    def _can_end_its_rows(self) -> Self:
        if self.footer is not None and (self.table.end_line is None or self.blocks is not None):
            raise ValueError("a footer only below one table whose rows table.end_line ends")
        return self

    @model_validator(mode="after")
    def _can_end_blocks(self) -> Self:
        whole = self.table.end_line is not None or self.table.points_entry is not None
        if self.blocks is None:
            return self
        parted = self.blocks.parted_by_blank_lines
        if parted and self.table.end_line is not None:
            raise ValueError("either table.end_line or blocks.parted_by_blank_lines")
        if not whole and (self.blocks.growing or (self.blocks.begin_line is None and not parted)):
            raise ValueError(
                "table.end_line or table.points_entry, to tell a finished block"
                " from an unfinished one"
            )
        if self.text.last_line_may_lack_newline:
            raise ValueError("no last_line_may_lack_newline where spectra stand in blocks")
        return self
