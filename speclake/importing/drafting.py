"""A draft of the format for an unknown text export, with every assumption marked."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath

from speclake import tomlfile
from speclake.errors import BadSettings, MalformedFile
from speclake.importing.clues import (
    VALUE_UNIT_TEXTS,
    axis_unit_in,
    field_of_entry,
    find_dates,
    value_unit_text,
)
from speclake.importing.delimited import read_export
from speclake.importing.draftparts import Parts, find_parts, say_parts
from speclake.importing.draftsheet import Sheet
from speclake.importing.evidence import Encoding, FoundTable, find_encoding, find_table
from speclake.importing.formats import Format

NUMBER_AND_UNIT = r"^[+-]?[0-9]+([.,][0-9]+)?"


@dataclass(frozen=True)
class Draft:
    """A format drafted from one export, to be corrected by hand.

    Parameters
    ----------
    toml : the format file. Each key carries its reason as a comment, marked ``assumed``; a key
        that the file could not tell is commented out and marked ``fill in``.
    assumptions : each key that was assumed, and why.
    unsure : what has to be filled in or looked at, in words.
    """

    toml: str
    assumptions: tuple[str, ...]
    unsure: tuple[str, ...]


def draft(name: str, content: bytes) -> Draft:
    """Draft of a format for an unknown export; `name` is its file name."""
    sheet = Sheet()
    encoding = find_encoding(content)
    _say_encoding(sheet, encoding)
    lines = encoding.text.split("\n")
    found = find_table(lines)
    if found is None:
        _ask_everything(sheet)
    else:
        parts = find_parts(lines, found)
        _say_recognition(sheet, name, parts)
        _say_cells(sheet, lines, found)
        say_parts(sheet, lines, found, parts)
        _say_axis(sheet, found, parts)
        _say_values(sheet, found, parts)
        _say_time(sheet, parts)
        _say_fields(sheet, parts)
        _try(sheet, name, content)
    toml = sheet.with_remarks(f"Drafted from {name}")
    return Draft(toml, tuple(sheet.assumptions), tuple(sheet.unsure))


def _ask_everything(sheet: Sheet) -> None:
    sheet.doubt("no table of numbers was found: is this a text export of spectra?")
    sheet.ask("text", "delimiter", "tab", "what stands between cells")
    sheet.ask("text", "decimal_sign", ".", "point or comma")
    sheet.ask("axis", "unit", "nm", "nm, um, cm-1 or eV")
    sheet.ask("values", "unit", "%T", "%T, T, %R, R, A or log(1/R)")


def _say_encoding(sheet: Sheet, encoding: Encoding) -> None:
    tell = sheet.say if encoding.is_proven else sheet.ask
    tell("text", "encoding", encoding.name, encoding.why)


def _say_recognition(sheet: Sheet, name: str, parts: Parts) -> None:
    suffix = PurePosixPath(name).suffix
    if suffix:
        sheet.say("recognise", "file_name", f"*{suffix}", "by the name of this one file")
    if parts.recognised_by:
        why = "it stands in this file; does it in every export of this kind, and in no other?"
        sheet.say("recognise", "text", parts.recognised_by, why)
    else:
        sheet.doubt("recognise: no text in the file tells this kind of export from others")


def _say_cells(sheet: Sheet, lines: Sequence[str], found: FoundTable) -> None:
    reading, run = found.reading, found.runs[0]
    rows = sum(map(len, found.runs))
    sheet.say("text", "delimiter", reading.delimiter, f"{rows} rows of {run.cells} cells each")
    tell = sheet.say if found.decimal_is_proven else sheet.ask
    tell("text", "decimal_sign", reading.decimal_sign, found.decimal_why)
    if reading.thousands_sign:
        why = "it parts groups of three digits"
        sheet.say("text", "thousands_sign", reading.thousands_sign, why)
    if reading.quote:
        sheet.say("text", "quote", reading.quote, "it stands around cells")
    if reading.delimiter_at_line_end:
        sheet.say("text", "delimiter_at_line_end", True, "every row ends with one")
    if found.missing:
        why = "each stands where a number is due"
        sheet.say("text", "missing", found.missing, why)
        sheet.doubt(f"text.missing: do {_listed(found.missing)} mean that a value is missing?")
    if lines[-1].strip():
        why = "the last line has no newline: is the file whole, and do all exports end so?"
        sheet.ask("text", "last_line_may_lack_newline", True, why)
    if reading.delimiter == "," and not reading.quote and not found.decimal_is_proven:
        sheet.doubt("text.delimiter: is the comma between the cells not a decimal sign?")


def _listed(words: Sequence[str]) -> str:
    return ", ".join(map(repr, words))


def _say_axis(sheet: Sheet, found: FoundTable, parts: Parts) -> None:
    index = found.runs[0].axis
    sheet.say("axis", "column", index + 1, "the column that rises or falls from row to row")
    if index == 1:
        sheet.say("values", "ignore", [1], "it only counts the rows")
    title = parts.titles[index] if parts.titles else ""
    where = [(f"the column title {title!r}", title)] if title else []
    where += [(f"the header entry {name!r}", text) for name, text in parts.entries.items()]
    where += [(f"the line {line!r}", line) for line in parts.lines_above]
    for what, text in where:
        is_entry = what.startswith("the header entry")
        unit = axis_unit_in(text) if not is_entry or len(text) < 20 else None
        if unit:
            sheet.say("axis", "unit", unit, f"{what} has it")
            break
    else:
        sheet.ask("axis", "unit", "nm", "nm, um, cm-1 or eV; it stands nowhere in the file")
    sheet.offer("axis", "medium", "air", "air or vacuum, where the wavelengths are counted in it")


def _say_values(sheet: Sheet, found: FoundTable, parts: Parts) -> None:
    run = found.runs[0]
    titles = [parts.titles[i] if parts.titles else "" for i in range(run.cells)]
    spectra = [titles[i] for i in range(run.cells) if i != run.axis and (run.axis, i) != (1, 0)]
    texts = [value_unit_text(title) for title in spectra]
    stated = [name for name, text in parts.entries.items() if text in VALUE_UNIT_TEXTS]
    if all(texts):
        _say_units_of_titles(sheet, [text for text in texts if text])
    elif len(stated) == 1:
        text = parts.entries[stated[0]]
        sheet.say("values.unit_from", "entry", stated[0], f"its text is {text!r}")
        units = {text: VALUE_UNIT_TEXTS[text]}
        sheet.say("values.unit_from", "units", units, "add the other texts that exports have there")
    else:
        sheet.ask("values", "unit", "%T", "%T, T, %R, R, A or log(1/R); the numbers cannot tell")
    if len(spectra) > 1:
        sheet.doubt(f"values: are all {len(spectra)} columns beside the axis spectra?")
        sheet.offer(
            "values", "columns", list(range(2, run.cells + 1)), "name them, ignore the rest"
        )
        if parts.titles:
            pattern = r"(?P<sample>\w+)-(?P<site>\d+)"
            sheet.offer("values", "title_pattern", pattern, "what the titles tell")


def _say_units_of_titles(sheet: Sheet, texts: list[str]) -> None:
    if len(set(texts)) == 1:
        why = f"{texts[0]!r} stands in the column title"
        sheet.say("values", "unit", VALUE_UNIT_TEXTS[texts[0]], why)
        return
    units = {text: str(VALUE_UNIT_TEXTS[text]) for text in texts}
    longest_first = sorted(units, key=len, reverse=True)
    sheet.say("values.unit_from", "title", True, "the columns differ in it")
    pattern = "|".join(map(re.escape, longest_first))
    sheet.say("values.unit_from", "pattern", pattern, "what stands in the titles")
    sheet.say("values.unit_from", "units", units, "by their names")


def _say_time(sheet: Sheet, parts: Parts) -> None:
    dates = find_dates(parts.entries)
    if not dates:
        sheet.offer("scanned", "entries", ["Date"], "no entry looks like a date")
        sheet.offer("scanned", "patterns", ["%d.%m.%Y"], "how it is written")
        return
    first = dates[0]
    others = [" and ".join(clue.entries) for clue in dates[1:]]
    if others:
        sheet.doubt(f"scanned: {_listed(others)} hold times too; which is that of the scan?")
    if len(first.patterns) == 1:
        sheet.say("scanned", "entries", first.entries, "they look like a date")
        sheet.say("scanned", "patterns", first.patterns, first.why)
    else:
        sheet.hold("scanned", "entries", first.entries, "they look like a date")
        sheet.ask("scanned", "patterns", first.patterns[:1], _which(first.patterns, first.why))
    if not first.has_offset and any("%M" in pattern for pattern in first.patterns):
        why = "the zone of the clock; without it the time has no offset"
        sheet.offer("scanned", "zone", "Europe/Paris", why)


def _which(patterns: Sequence[str], why: str) -> str:
    return f"{' or '.join(map(repr, patterns))}: {why}"


def _say_fields(sheet: Sheet, parts: Parts) -> None:
    by_field: dict[str, list[str]] = {}
    for name in parts.entries:
        if field := field_of_entry(name):
            by_field.setdefault(field, []).append(name)
    for field, names in by_field.items():
        if len(names) > 1:
            sheet.ask("fields", field, names[0], f"one of {_listed(names)}")
            continue
        _say_field(sheet, field, names[0], parts.entries[names[0]])


def _say_field(sheet: Sheet, field: str, name: str, text: str) -> None:
    if not field.endswith(("_nm", "_deg", "_mm")):
        sheet.say("fields", field, name, "by its name")
        return
    number = re.match(NUMBER_AND_UNIT, text)
    is_in_unit = not field.endswith("_nm") or re.search(
        r"(?i)(?<![^\W_])nm(?![^\W_])", f"{name} {text}"
    )
    if number is None or not is_in_unit:
        sheet.ask("fields", field, name, f"is {text!r} a number in {field.rpartition('_')[2]}?")
    elif number[0] == text:
        sheet.say("fields", field, name, "by its name")
    else:
        rule = {"entry": name, "pattern": NUMBER_AND_UNIT}
        sheet.say("fields", field, rule, "by its name; the number without its unit")


def _try(sheet: Sheet, name: str, content: bytes) -> None:
    """Remark what the draft reads of its own file, with the examples of open keys filled in."""
    try:
        form = tomlfile.loads(sheet.toml(answered=True), "draft.toml", Format)
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
