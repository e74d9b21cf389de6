"""A delimited-text export read as its format says: header, titles, table; once or in blocks."""

import math
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import chain
from typing import BinaryIO

from speclake.errors import MalformedFile
from speclake.importing.contradiction import contradiction, refuse_title
from speclake.importing.formats import Blocks, Format
from speclake.importing.interface import Source
from speclake.importing.numbers import number_reader
from speclake.importing.pairs import read_pairs
from speclake.importing.proof import Proof, prove_decimal_sign, prove_encoding
from speclake.importing.table import TablePlace, read_rows, split_cells
from speclake.importing.tablespectra import (
    HeaderOfTable,
    announced_points,
    refuse_other_count,
    spectra_of_table,
)
from speclake.importing.takerows import rows_above_footer, rows_of_block, rows_to_the_end
from speclake.importing.text import (
    CutShort,
    Entries,
    Lines,
    open_text,
    read_footer,
    read_header,
    shown,
)
from speclake.importing.textrules import PROVEN, Text
from speclake.importing.titles import Columns, choose_columns, pairs_of_columns
from speclake.spectrum import Spectrum


@dataclass
class _Export:
    """An export under way: `lines` is what is left of it."""

    file: str
    form: Format
    lines: Lines
    notes: tuple[str, ...]
    proof: Proof | None = None
    """What proves the decimal sign, once a number has."""


@dataclass(frozen=True)
class _TableText:
    """Text of a table: its rows in pieces, and what stands above them."""

    entries: Entries
    columns: Columns
    rows: Iterable[str]
    place: TablePlace


def read_export(content: bytes, file: str, form: Format) -> list[Spectrum]:
    """Spectra of a whole export, in file order.

    Raises
    ------
    speclake.errors.MalformedFile
        Something in the file does not fit the format.
    """
    return list(spectra_of(Source(file, content), form))


def spectra_of(source: Source, form: Format) -> Iterator[Spectrum]:
    """Spectra of an export as they are read: of blocks, no more than one is held at a time.

    Raises
    ------
    speclake.errors.MalformedFile
        Something in the file does not fit the format; it may come behind the last spectrum.
    """
    file = source.name
    with source.open() as stream:
        lines, notes = _open(stream, file, form)
        export = _Export(file, form, lines, notes)
        entries = Entries()
        if form.header is not None:
            entries = read_header(lines, form.header, form.text.quote, file, "")
        if form.blocks is not None:
            yield from _read_blocks(export, entries, form.blocks)
        else:
            yield from _spectra(export, _only_table(export, entries))


def _open(stream: BinaryIO, file: str, form: Format) -> tuple[Lines, tuple[str, ...]]:
    if form.text.encoding != PROVEN:
        return open_text(stream, form.text.encoding, file)
    encoding, evidence = prove_encoding(stream, file)
    stream.seek(0)
    lines, notes = open_text(stream, encoding, file)
    return lines, (evidence, *notes)


def _only_table(export: _Export, entries: Entries) -> _TableText:
    """Table of a file that has one; entries below it are read already."""
    lines, form = export.lines, export.form
    columns = choose_columns(lines, form, export.file, "")
    place = TablePlace(export.file, lines.number)
    if form.footer is None:
        rows = rows_to_the_end(lines, form.table.end_line, place)
        return _TableText(entries, columns, rows, place)
    above = rows_above_footer(lines, form.table.end_line or "", place)
    read_footer(lines, form.footer, form.text.quote, entries, _row_test(form, columns.count))
    return _TableText(entries, columns, above, place)


def _read_blocks(export: _Export, outer: Entries, blocks: Blocks) -> Iterator[Spectrum]:
    lines, number = export.lines, 0
    while True:
        try:
            lines.skip_blank()
            if lines.is_at_end:
                break
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
    points = announced_points(entries, form, place_of_rows)
    rows = rows_of_block(lines, form, points, place_of_rows)
    return list(_spectra(export, _TableText(entries, columns, rows, place_of_rows)))


def _look_for_begin(export: _Export, begin_line: str, block: str) -> None:
    line, place = export.lines.peek(), f"{block}line {export.lines.number}"
    if line is None:
        raise CutShort(export.file, place, "the end of the file", "a whole line")
    if not re.search(begin_line, line):
        expected = f"a line that begins a block and matches {begin_line!r}"
        raise MalformedFile(export.file, place, shown(line), expected)


def _spectra(export: _Export, table: _TableText) -> Iterator[Spectrum]:
    form, evidence, rows = _with_decimal_sign(export, table)
    columns, place = table.columns, table.place
    notes = (*export.notes, *evidence)
    if form.values.pairs:
        header = HeaderOfTable(table.entries, form, notes)
        yield from _spectra_of_pairs(replace(table, rows=rows), header, form)
        return
    ignored = frozenset(range(columns.count)) - {columns.axis, *columns.spectra}
    read = read_rows(rows, columns.count, form.text, place, ignored)
    header = HeaderOfTable(table.entries, form, (*notes, *read.notes))
    yield from _agreeing(table, form, spectra_of_table(read, columns, header, place))


def _row_test(form: Format, count: int) -> Callable[[str], bool]:
    """Function that tells whether a line could be a row of a table of so many columns."""
    signs = (".", ",") if form.text.decimal_sign == PROVEN else (form.text.decimal_sign,)
    readings = [form.text.model_copy(update={"decimal_sign": sign}) for sign in signs]

    def is_row(line: str) -> bool:
        return any(_is_row(line, count, rules) for rules in readings)

    return is_row


def _is_row(line: str, count: int, rules: Text) -> bool:
    number = number_reader(rules)
    try:
        cells = split_cells(line, rules)
        numbers = [number(cell) for cell in cells]
    except ValueError:
        return False
    return len(numbers) == count and not all(map(math.isnan, numbers))


def _agreeing(table: _TableText, form: Format, spectra: Iterator[Spectrum]) -> Iterator[Spectrum]:
    """The spectra, after making sure that no title states another unit than the format."""
    axis_title = table.columns.title(table.columns.axis)
    if stated := contradiction(axis_title, form.axis.unit):
        refuse_title(table.place, axis_title, stated, form.axis.unit)
    told_by_title = form.values.unit_from is not None and form.values.unit_from.title
    for spectrum in spectra:
        title = spectrum.header.get("column title", "")
        if not told_by_title and (stated := contradiction(title, spectrum.unit)):
            refuse_title(table.place, title, stated, spectrum.unit)
        yield spectrum


def _with_decimal_sign(
    export: _Export, table: _TableText
) -> tuple[Format, tuple[str, ...], Iterable[str]]:
    """Format that says the decimal sign, what proves it, and the rows, of which none is lost."""
    form = export.form
    if form.text.decimal_sign != PROVEN:
        return form, (), table.rows
    rows = iter(table.rows)
    first = next(rows, "")
    proof = export.proof or prove_decimal_sign(first, form.text, table.place)
    if proof.sign is not None:
        export.proof = proof
    text = form.text.model_copy(update={"decimal_sign": proof.sign or "."})
    return form.model_copy(update={"text": text}), (proof.note,), chain([first], rows)


def _spectra_of_pairs(table: _TableText, header: HeaderOfTable, form: Format) -> Iterator[Spectrum]:
    pairs = pairs_of_columns(table.columns, form, table.place)
    arrays, count, notes = read_pairs(table.rows, pairs, form.text, table.place)
    refuse_other_count(count, table.entries, form, table.place)
    header = replace(header, notes=(*header.notes, *notes))
    for columns, of_pair in zip(pairs, arrays, strict=True):
        spectra = spectra_of_table(of_pair, columns, header, table.place)
        yield from _agreeing(replace(table, columns=columns), form, spectra)
