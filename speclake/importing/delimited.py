"""A delimited-text export read as its format says: header, titles, table; once or in blocks."""

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

from speclake.errors import MalformedFile
from speclake.importing.formats import Blocks, Format
from speclake.importing.headerfields import entry_text, fields_of_title, stated_fields, value_unit
from speclake.importing.table import (
    TablePlace,
    as_axis,
    number_reader,
    read_columns,
    split_cells,
)
from speclake.importing.text import CutShort, Entries, Lines, decode, read_header, shown
from speclake.importing.titles import Columns, choose_columns
from speclake.spectrum import Spectrum
from speclake.units import Medium

LINE = re.compile(r"([^\n]*)\n")
MEDIA: Mapping[str, Medium] = {"air": "air", "vacuum": "vacuum"}


@dataclass(frozen=True)
class _Export:
    """An export under way: `lines` is what is left of it."""

    file: str
    form: Format
    lines: Lines
    notes: tuple[str, ...]


def read_export(content: bytes, file: str, form: Format) -> list[Spectrum]:
    """Spectra of a whole export, in file order.

    Raises
    ------
    speclake.errors.MalformedFile
        Something in the file does not fit the format.
    """
    text, notes = decode(content, form.text.encoding, file)
    export = _Export(file, form, Lines(text), notes)
    entries = Entries()
    if form.header is not None:
        entries = read_header(export.lines, form.header, form.text.quote, file, "")
    if form.blocks is not None:
        return list(_read_blocks(export, entries, form.blocks))
    columns = choose_columns(export.lines, form, file, "")
    place = TablePlace(file, export.lines.number)
    return _spectra(export, entries, columns, _rows_to_the_end(export, place), place)


def _read_blocks(export: _Export, outer: Entries, blocks: Blocks) -> Iterator[Spectrum]:
    lines, number = export.lines, 0
    while True:
        lines.skip_blank()
        if lines.is_at_end:
            break
        try:
            spectra = _read_block(export, outer, blocks, f"block {number + 1}, ")
        except CutShort:
            if not blocks.growing:
                raise
            break
        number += 1
        yield from spectra
    if number == 0:
        expected = "at least one; the file may yet grow" if blocks.growing else "at least one"
        raise MalformedFile(export.file, f"line {lines.number}", "no finished block", expected)


def _read_block(export: _Export, outer: Entries, blocks: Blocks, block: str) -> list[Spectrum]:
    lines, form = export.lines, export.form
    entries = Entries()
    if blocks.begin_line is not None:
        _look_for_begin(export, blocks.begin_line, block)
    if blocks.header is not None:
        entries = read_header(lines, blocks.header, form.text.quote, export.file, block)
    elif blocks.begin_line is not None:
        place = f"line {lines.number}"
        entries.add(place, (lines.take() or "").strip(), place)
    entries = entries.over(outer)
    columns = choose_columns(lines, form, export.file, block)
    place_of_rows = TablePlace(export.file, lines.number, block)
    rows = _rows_of_block(export, entries, blocks, place_of_rows)
    return _spectra(export, entries, columns, rows, place_of_rows)


def _look_for_begin(export: _Export, begin_line: str, block: str) -> None:
    line, place = export.lines.peek(), f"{block}line {export.lines.number}"
    if line is None:
        raise CutShort(export.file, place, "the end of the file", "a whole line")
    if not re.search(begin_line, line):
        expected = f"a line that begins a block and matches {begin_line!r}"
        raise MalformedFile(export.file, place, shown(line), expected)


def _rows_of_block(export: _Export, entries: Entries, blocks: Blocks, place: TablePlace) -> str:
    """Text of a block's rows; they and the line that ends the block are left behind."""
    lines, end_line = export.lines, export.form.table.end_line
    points = _points(export, entries, place)
    ends, begins = _search(end_line), _search(blocks.begin_line)
    start = stop = after = lines.position
    for row, match in enumerate(LINE.finditer(lines.text, start)):
        line = match[1].removesuffix("\r")
        if ends(line):
            after = match.end()
            break
        if begins(line):
            if end_line is not None:
                place.refuse(row, shown(line), f"a line before it that matches {end_line!r}")
            break
        if end_line is None and row == points:
            _refuse_one_more_row(export, line, row, place)
            break
        stop = after = match.end()
    else:
        count = lines.text.count("\n", start, stop)
        stop = after = _end_of_last_block(export, count, points, place) or stop
    lines.number += lines.text.count("\n", start, after)
    lines.position = after
    return lines.text[start:stop]


def _search(pattern: str | None) -> Callable[[str], object]:
    return re.compile(pattern).search if pattern is not None else lambda _: None


def _end_of_last_block(
    export: _Export, count: int, points: int | None, place: TablePlace
) -> int | None:
    """Position of the end of rows that only the file's end ends; None: of the last whole line.

    Raises
    ------
    CutShort
        The block is not finished.
    """
    end_line = export.form.table.end_line
    if end_line is not None:
        expected = f"a line that ends the block and matches {end_line!r}"
        raise CutShort(export.file, place.line(count), "the end of the file", expected)
    if points is None:
        return len(export.lines.text)
    if count < points:
        expected = f"{points} rows, as the header says, not {count}"
        raise CutShort(export.file, place.line(count), "the end of the file", expected)
    return None


def _refuse_one_more_row(export: _Export, line: str, count: int, place: TablePlace) -> None:
    """Refuse a row behind the last one announced; any other line begins what comes next."""
    try:
        number_reader(export.form.text)(split_cells(line, export.form.text)[0])
    except (ValueError, IndexError):
        return
    place.refuse(count, f"one more row: {shown(line)}", f"{count} rows, as the header says")


def _rows_to_the_end(export: _Export, place: TablePlace) -> str:
    """Text of the rows of a file with one table, without the line that ends them."""
    rows = export.lines.text[export.lines.position :]
    end_line = export.form.table.end_line
    if end_line is None:
        return rows
    # from the end on, so that a table of thousands of rows costs one look
    end = len(rows)
    while end > 0:
        start = rows.rfind("\n", 0, end - 1) + 1
        line = rows[start:end].rstrip("\r\n")
        if re.search(end_line, line):
            return rows[:start]
        if line.strip():
            break
        end = start
    last = place.line(rows.count("\n", 0, max(end - 1, 0)))
    found = shown(rows[:end].rstrip("\r\n").rpartition("\n")[2])
    expected = f"a line that ends the rows and matches {end_line!r}"
    raise CutShort(export.file, last, f"{found} at the end", expected)


def _points(export: _Export, entries: Entries, place: TablePlace) -> int | None:
    """Number of rows that the header announces; None where the format reads none."""
    name = export.form.table.points_entry
    if name is None:
        return None
    text = entry_text(entries, name, export.file)
    if text is None or not re.fullmatch(r"[0-9]{1,9}", text):
        found = f"{name!r} {shown(text)}" if text is not None else f"no header entry {name!r}"
        place.refuse(0, found, "the number of rows that follow")
    return int(text)


def _spectra(
    export: _Export, entries: Entries, columns: Columns, rows: str, place: TablePlace
) -> list[Spectrum]:
    form = export.form
    arrays, table_notes = read_columns(rows, columns.count, form.text, place)
    points = _points(export, entries, place)
    if points is not None and len(arrays[0]) != points:
        place.refuse(len(arrays[0]), f"{len(arrays[0])} rows", f"{points}, as the header says")
    fields, field_notes = stated_fields(entries, form, export.file)
    medium = form.axis.medium or MEDIA.get(fields.get("medium", ""))
    axis, direction = as_axis(arrays[columns.axis], form.axis.unit, medium, place)
    spectra = []
    for index in columns.spectra:
        title = columns.title(index)
        more, title_notes = fields_of_title(title, form)
        listed = arrays[index]
        spectra.append(
            Spectrum(
                axis=axis,
                values=listed[::-1] if direction == "descending" else listed,
                unit=value_unit(form.values, entries, title, export.file, place.line(0)),
                header=_header(entries, title),
                fields=fields | more,
                place=_place(place.block, index, len(columns.spectra)),
                scan_direction=direction,
                notes=(*export.notes, *table_notes, *field_notes, *title_notes),
            )
        )
    return spectra


def _header(entries: Entries, title: str) -> dict[str, str]:
    return entries.values | ({"column title": title} if title else {})


def _place(block: str, index: int, spectra: int) -> str:
    parts = [block.removesuffix(", ")] if block else []
    return ", ".join([*parts, *([f"column {index + 1}"] if spectra > 1 else [])])
