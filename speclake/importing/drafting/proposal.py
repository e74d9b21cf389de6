"""A draft of the format for an unknown text export, and the same with questions answered."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import PurePosixPath

from speclake import tomlfile
from speclake.errors import BadSettings, MalformedFile
from speclake.importing.delimited import read_export
from speclake.importing.drafting.columns import AXIS_UNITS, VALUE_UNITS, find_roles, say_columns
from speclake.importing.drafting.dates import say_time
from speclake.importing.drafting.encodings import Encoding, find_encoding
from speclake.importing.drafting.fields import say_fields
from speclake.importing.drafting.parts import Parts, find_parts, with_titled_axis
from speclake.importing.drafting.recognition import recognised_by
from speclake.importing.drafting.sheet import Assumption, Question, Sheet, Value
from speclake.importing.drafting.surroundings import footer_entries, say_surroundings
from speclake.importing.drafting.tables import (
    DELIMITERS,
    FoundTable,
    broken_row,
    find_table,
    has_bare_decimal_commas,
    stands_in_rows,
)
from speclake.importing.formats import Format
from speclake.importing.lineends import as_lines
from speclake.importing.textrules import PROVEN

MOST_BYTES = 1 << 25
"""How much of an export is looked at."""


@dataclass(frozen=True)
class Draft:
    """A format drafted from one export, to be corrected by hand.

    Parameters
    ----------
    file : name of the export.
    toml : the format file. Each key carries its reason as a comment, marked ``assumed``; a key
        that the file could not tell is commented out and marked ``fill in``.
    assumptions : each key that was assumed, and why.
    questions : each key that is left open, those that need an answer first.
    doubts : what has to be looked at, in words.
    content : the export.
    encoding : the one in which the export was looked at.
    sheet : the keys, from which `with_answers` writes the file anew.
    """

    file: str
    toml: str
    assumptions: tuple[Assumption, ...]
    questions: tuple[Question, ...]
    doubts: tuple[str, ...]
    content: bytes = field(repr=False, compare=False)
    encoding: str = field(compare=False)
    sheet: Sheet = field(repr=False, compare=False)

    @property
    def unsure(self) -> tuple[str, ...]:
        """What has to be filled in or looked at, in words."""
        return self.sheet.unsure


def draft(name: str, content: bytes) -> Draft:
    """Draft of a format for an unknown export; `name` is its file name."""
    return _draft(name, content, None)


def with_answers(found: Draft, answers: Mapping[str, Value | None]) -> str:
    """The format file of a draft in which these keys have these values.

    Parameters
    ----------
    answers : key with its table, such as ``values.unit``, to the value that it is to have; any key
        of a format may be given, also one that the draft assumed otherwise. None takes a key out.

    Raises
    ------
    speclake.errors.BadSettings
        A key is in no table of a format.
    """
    encoding = answers.get("text.encoding")
    is_text = "text" in found.sheet.tables
    if is_text and isinstance(encoding, str) and encoding != found.encoding:
        # names of entries are other words in another encoding
        found = _draft(found.file, found.content, encoding)
    return found.sheet.answered(answers).with_remarks(_title(found.file))


def _title(name: str) -> str:
    return f"Drafted from {name}"


def _draft(name: str, content: bytes, declared: str | None) -> Draft:
    sheet = Sheet()
    if len(content) > MOST_BYTES:
        content = _beginning(content)
        sheet.doubt(f"only the first {MOST_BYTES >> 20} MB were looked at, not the end of the file")
    encoding = find_encoding(content, declared)
    _say_encoding(sheet, encoding)
    lines = as_lines(encoding.text)
    found = find_table(lines)
    trouble = _trouble(lines, found)
    if found is None or trouble:
        _ask_everything(sheet, trouble)
    else:
        _say_everything(sheet, name, lines, found)
        _try(sheet, name, content)
    return Draft(
        name, sheet.with_remarks(_title(name)), sheet.assumptions, sheet.questions,
        tuple(sheet.doubts), content, encoding.name, sheet,
    )  # fmt: skip


def _beginning(content: bytes) -> bytes:
    """Whole lines at the beginning of a long export."""
    end = content.rfind(b"\n", 0, MOST_BYTES) + 1 or content.rfind(b"\r", 0, MOST_BYTES) + 1
    # in UTF-16 a zero byte belongs to the newline
    return content[: end + (content[end : end + 1] == b"\x00")]


def _say_everything(sheet: Sheet, name: str, lines: Sequence[str], found: FoundTable) -> None:
    parts = find_parts(lines, found)
    found = with_titled_axis(lines, found, parts.titles)
    roles = find_roles(lines, found, parts)
    entries = parts.entries | footer_entries(lines, found)
    _say_recognition(sheet, name, lines, found, parts)
    _say_cells(sheet, lines, found)
    say_surroundings(sheet, lines, found, parts)
    say_columns(sheet, found, parts, roles)
    say_time(sheet, entries)
    say_fields(sheet, entries)


def _trouble(lines: Sequence[str], found: FoundTable | None) -> str:
    """Why no format can read the export; empty where one may."""
    if found is None:
        return "no table of numbers was found: is this a text export of spectra?"
    if stands_in_rows(lines, found):
        return "one axis stands above the rows, with a spectrum in each: no format reads that"
    if (number := broken_row(lines, found)) is not None:
        line = lines[number].strip()
        return f"line {number + 1} stands among the rows and is none: {line[:60]!r}"
    if has_bare_decimal_commas(lines, found):
        return "commas part the cells and are decimal signs too: no format can tell them apart"
    return ""


def _ask_everything(sheet: Sheet, trouble: str) -> None:
    sheet.doubt(trouble)
    sheet.ask("text", "delimiter", "tab", "what stands between cells", DELIMITERS[1:])
    sheet.ask("text", "decimal_sign", ".", "point or comma", [","])
    sheet.ask("axis", "unit", "nm", "nm, um, cm-1 or eV", AXIS_UNITS[1:])
    sheet.ask("values", "unit", "%T", "%T, T, %R, R, A or log(1/R)", VALUE_UNITS[1:])


def _say_encoding(sheet: Sheet, encoding: Encoding) -> None:
    others = [name for name in encoding.others if name != encoding.name]
    if encoding.is_proven:
        sheet.say("text", "encoding", encoding.name, encoding.why, others)
    else:
        sheet.ask("text", "encoding", encoding.name, encoding.why, others)


def _say_recognition(
    sheet: Sheet, name: str, lines: Sequence[str], found: FoundTable, parts: Parts
) -> None:
    suffix = PurePosixPath(name).suffix
    pattern = f"*{suffix}" if suffix else "*"
    texts, within = recognised_by(lines, found, parts)
    if not texts:
        why = "no text tells this kind of export from others; which names have its files alone?"
        sheet.ask("recognise", "file_name", pattern, why)
        return
    if suffix:
        sheet.say("recognise", "file_name", pattern, "by the name of this one file")
    why = "it stands in this file; does it in every export of this kind, and in no other?"
    sheet.say("recognise", "text", texts, why)
    if within > 20:
        sheet.say("recognise", "within_lines", within, "so far down the last of them stands")


def _say_cells(sheet: Sheet, lines: Sequence[str], found: FoundTable) -> None:
    reading, run = found.reading, found.runs[0]
    rows = sum(map(len, found.runs))
    others = [mark for mark in DELIMITERS if mark != reading.delimiter]
    if found.is_delimiter_sure:
        why = f"{rows} rows of {run.cells} cells each"
        sheet.say("text", "delimiter", reading.delimiter, why, others)
    else:
        why = "is the comma between whole numbers a delimiter, and no decimal sign?"
        sheet.ask("text", "delimiter", reading.delimiter, why, others)
    if reading.places:
        places = [list(place) for place in reading.places]
        sheet.say("text", "cells", places, "cells end below one another, and some are blank")
    signs = [sign for sign in (".", ",", PROVEN) if sign != reading.decimal_sign]
    tell = sheet.say if found.decimal_is_proven else sheet.ask
    tell("text", "decimal_sign", reading.decimal_sign, found.decimal_why, signs)
    if reading.thousands_sign:
        why = "it parts groups of three digits"
        sheet.say("text", "thousands_sign", reading.thousands_sign, why)
    if reading.minus_sign:
        sheet.say("text", "minus_sign", reading.minus_sign, "it stands before numbers")
    if reading.exponent_sign:
        sheet.say("text", "exponent_sign", reading.exponent_sign, "it stands in numbers")
    if reading.quote:
        sheet.say("text", "quote", reading.quote, "it stands around cells")
    if reading.delimiter_at_line_end:
        sheet.say("text", "delimiter_at_line_end", True, "every row ends with one")
    if found.missing:
        told = ", ".join(map(repr, found.missing))
        sheet.say("text", "missing", found.missing, "each stands where a number is due")
        sheet.doubt(f"text.missing: do {told} mean that a value is missing?")
    if lines[-1].strip():
        why = "the last line has no newline: is the file whole, and do all exports end so?"
        sheet.ask("text", "last_line_may_lack_newline", True, why, [False])


def _try(sheet: Sheet, name: str, content: bytes) -> None:
    """Remark what the draft reads of its own file, with the examples of open keys filled in."""
    try:
        form = tomlfile.loads(sheet.with_examples().toml(), "draft.toml", Format)
        spectra = read_export(content, name, form)
    except (BadSettings, MalformedFile) as error:
        sheet.doubt(f"as drafted, with the examples filled in, this very file is refused: {error}")
        return
    axis = spectra[0].axis
    count = f"{len(spectra)} spectra are" if len(spectra) > 1 else "1 spectrum is"
    ends = f"{axis.values[0]:g} to {axis.values[-1]:g}"
    sheet.remarks.append(
        f"With the examples filled in, {count} read from this file, "
        f"with {len(axis)} points from {ends}."
    )
