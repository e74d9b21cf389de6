"""Formats: what a delimited-text export looks like, said in a TOML file so that nothing is guessed.

A folder ``formats/`` of an archive holds one file for each kind of export; ``docs/formats.md``
explains every key with an example.
"""

import hashlib
import json
import re
import tomllib
from datetime import datetime
from functools import cached_property
from pathlib import Path
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

from speclake import tomlfile
from speclake.errors import BadSettings, SettingsProblem
from speclake.measurement import FIELDS
from speclake.units import AxisUnit, Medium, ValueUnit

UNSAFE_CODECS = frozenset(
    {"idna", "punycode", "raw_unicode_escape", "undefined", "unicode_escape", "utf_7", "utf-7"}
)
"""Codecs in which one text may be written in several ways, or that are no encoding of a file."""


def _regular_expression(pattern: str) -> str:
    try:
        re.compile(pattern)
    except re.error as error:
        raise ValueError(f"a regular expression ({error})") from error
    return pattern


def _encoding(name: str) -> str:
    try:
        writes_digits = "0,1;2\n".encode(name).decode(name) == "0,1;2\n"
    except (LookupError, UnicodeError):
        writes_digits = False
    if not writes_digits or name.lower() in UNSAFE_CODECS:
        raise ValueError("an encoding such as utf-8, utf-16, cp1252, cp932, gb18030")
    return name


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


def _entry_table(value: Any) -> Any:
    return {"entry": value} if isinstance(value, str) else value


Regex = Annotated[str, AfterValidator(_regular_expression)]
Column = Annotated[int | str, PlainValidator(_column)]
FieldName = Annotated[str, AfterValidator(_field_name)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class Recognise(_Table):
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


class Text(_Table):
    """How characters, cells and numbers are written."""

    encoding: Annotated[str, AfterValidator(_encoding)]
    delimiter: Annotated[str, Field(min_length=1)]
    decimal_sign: Literal[".", ","]
    thousands_sign: Annotated[str, Field(min_length=1, max_length=1)] | None = None
    quote: Literal['"', "'"] | None = None
    missing: list[str] = []
    delimiter_at_line_end: bool = False
    last_line_may_lack_newline: bool = False

    @model_validator(mode="after")
    def _signs_differ(self) -> Self:
        mark, thousands = self.separator, self.thousands_sign
        if re.search(r"[0-9eE+\-\r\n]", mark) or (self.quote and self.quote in mark):
            raise ValueError("a delimiter that cannot be part of a number, a quote or a line end")
        if mark == self.decimal_sign and not self.quote:
            raise ValueError("a delimiter that is not the decimal sign, unless cells are quoted")
        if len(mark) > 1 and self.quote:
            raise ValueError("a delimiter of one character where cells are quoted")
        if thousands and (thousands == self.decimal_sign or re.match(r"[0-9eE+\-]", thousands)):
            raise ValueError("a thousands sign that cannot be another part of a number")
        if thousands == mark and not self.quote:
            raise ValueError("a thousands sign that is not the delimiter, unless cells are quoted")
        if "" in self.missing and self.delimiter == "spaces":
            raise ValueError("no empty missing word where spaces part the cells")
        if any(word != word.strip() for word in self.missing):
            raise ValueError("missing words without blanks around them")
        return self

    @property
    def separator(self) -> str:
        """The text between two cells; one space stands for a run of them."""
        return {"tab": "\t", "spaces": " "}.get(self.delimiter, self.delimiter)


class Header(_Table):
    """Where a header ends and how its entries are written."""

    lines: PositiveInt | None = None
    last_line: Regex | None = None
    next_line: Regex | None = None
    between: Annotated[str, Field(min_length=1)] = ":"
    prefix: str = ""

    @model_validator(mode="after")
    def _ends_in_one_way(self) -> Self:
        if sum(end is not None for end in (self.lines, self.last_line, self.next_line)) != 1:
            raise ValueError("one of lines, last_line and next_line, to say where the header ends")
        return self


class Table(_Table):
    """What stands around the rows of numbers, and how many there must be."""

    title_lines: Annotated[int, Field(ge=0, le=5)] = 0
    points_entry: str | None = None
    end_line: Regex | None = None


class AxisColumn(_Table):
    """Which column is the axis, and in what unit and medium it is counted."""

    column: Column = 1
    unit: AxisUnit
    medium: Medium | None = None


class UnitFrom(_Table):
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


class Values(_Table):
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


class Blocks(_Table):
    """How spectra stand one below the other, each with a header of its own."""

    begin_line: Regex | None = None
    growing: bool = False
    header: Header | None = None


class Scanned(_Table):
    """Where the time of the scan stands and how it is written."""

    entries: Annotated[list[str], Field(min_length=1)]
    patterns: Annotated[list[Annotated[str, AfterValidator(_time_pattern)]], Field(min_length=1)]
    zone: Annotated[str, AfterValidator(_zone)] | None = None


class FieldEntry(_Table):
    """Which header entry states a field, which part of it, and what its words mean."""

    entry: str
    pattern: Regex | None = None
    words: dict[str, str] = {}


class _Said(_Table):
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


class Format(_Said):
    """One kind of delimited-text export.

    Raises
    ------
    ValueError
        The tables contradict one another.
    """

    recognise: Recognise | None = None
    text: Text
    header: Header | None = None
    table: Table = Table()
    axis: AxisColumn
    values: Values
    blocks: Blocks | None = None
    scanned: Scanned | None = None
    fields: dict[FieldName, Annotated[FieldEntry, BeforeValidator(_entry_table)]] = {}
    constants: dict[FieldName, str] = {}

    @model_validator(mode="after")
    def _agrees_with_itself(self) -> Self:
        for check in (self._says_each_field_once, self._has_titles_to_read, self._can_end_blocks):
            check()
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

    def _can_end_blocks(self) -> None:
        whole = self.table.end_line is not None or self.table.points_entry is not None
        if self.blocks is None:
            return
        if not whole and (self.blocks.growing or self.blocks.begin_line is None):
            raise ValueError(
                "table.end_line or table.points_entry, to tell a finished block"
                " from an unfinished one"
            )
        if self.text.last_line_may_lack_newline:
            raise ValueError("no last_line_may_lack_newline where spectra stand in blocks")


def load_formats(folder: Path) -> dict[str, Format | ImporterSettings]:
    """Formats of a folder by name, which is the file's without ``.toml``; none without a folder.

    A file with the key ``importer`` holds settings for that importer.

    Raises
    ------
    speclake.errors.BadSettings
        One or more files are wrong; every problem of every file is in it.
    """
    formats: dict[str, Format | ImporterSettings] = {}
    problems: list[SettingsProblem] = []
    for path in sorted(folder.glob("*.toml")):
        try:
            formats[path.stem] = tomlfile.load(path, _model_of(path))
        except BadSettings as error:
            problems += error.problems
        except UnicodeDecodeError as error:
            line = error.object[: error.start].count(b"\n") + 1
            found = f"the byte 0x{error.object[error.start]:02x}"
            problems.append(SettingsProblem(path.name, line, "the file", found, "text in UTF-8"))
    if problems:
        raise BadSettings(tuple(problems))
    return formats


def _model_of(path: Path) -> type[Format] | type[ImporterSettings]:
    try:
        said = tomllib.loads(path.read_text("utf-8"))
    except tomllib.TOMLDecodeError:
        return Format  # and reading it as one tells what is wrong
    return ImporterSettings if "importer" in said else Format
