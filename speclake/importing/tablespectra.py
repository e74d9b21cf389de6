"""Spectra from the columns of a table and the header above it, whatever holds the cells."""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Protocol

from speclake.importing.duplicates import fold_of
from speclake.importing.headerfields import entry_text, fields_of_title, stated_fields, value_unit
from speclake.importing.sheetformat import TableFormat
from speclake.importing.table import TablePlace, as_axis
from speclake.importing.text import Entries, shown
from speclake.importing.titles import Columns
from speclake.spectrum import FloatArray, Spectrum
from speclake.units import Medium

MEDIA: Mapping[str, Medium] = {"air": "air", "vacuum": "vacuum"}


class ColumnArrays(Protocol):
    """Columns of a table by index, each of shape (n rows,)."""

    def __getitem__(self, index: int, /) -> FloatArray: ...


@dataclass(frozen=True)
class HeaderOfTable:
    """Header entries above a table, the format that explains them, and what was tolerated."""

    entries: Entries
    form: TableFormat
    notes: tuple[str, ...] = ()


def announced_points(entries: Entries, form: TableFormat, place: TablePlace) -> int | None:
    """Number of rows that the header announces; None where the format reads none.

    Raises
    ------
    speclake.errors.MalformedFile
        The entry is missing or no number of rows.
    """
    name = form.table.points_entry
    if name is None:
        return None
    text = entry_text(entries, name, place.file)
    if text is None or not re.fullmatch(r"[0-9]{1,9}", text):
        found = f"{name!r} {shown(text)}" if text is not None else f"no header entry {name!r}"
        place.refuse(0, found, "the number of rows that follow")
    return int(text)


def refuse_other_count(count: int, entries: Entries, form: TableFormat, place: TablePlace) -> None:
    """Nothing, if a table has as many rows as its header announces, or that announces none.

    Raises
    ------
    speclake.errors.MalformedFile
        There are more or fewer.
    """
    points = announced_points(entries, form, place)
    if points is not None and count != points:
        place.refuse(count, f"{count} rows", f"{points}, as the header says")


def spectra_of_table(
    arrays: ColumnArrays, columns: Columns, header: HeaderOfTable, place: TablePlace
) -> Iterator[Spectrum]:
    """Spectra of a table, column by column.

    Parameters
    ----------
    arrays : at least the axis and each spectrum by index of the column.

    Raises
    ------
    speclake.errors.MalformedFile
        The axis is none, rows are missing, or a unit is not declared.
    """
    form, entries = header.form, header.entries
    listed_axis = arrays[columns.axis]
    if not columns.is_one_pair:
        refuse_other_count(len(listed_axis), entries, form, place)
    fields, field_notes = stated_fields(entries, form, place.file)
    medium = form.axis.medium or MEDIA.get(fields.get("medium", ""))
    notes, rows = header.notes, None
    if fold := fold_of(listed_axis, form.axis.duplicates):
        rows, first = fold.starts, fold.first_row
        position = f"{listed_axis[first]} {form.axis.unit}"
        notes = (*notes, fold.note(place.line(first), position))
        listed_axis = listed_axis[rows]
    axis, direction = as_axis(listed_axis, form.axis.unit, medium, place, rows)
    several = len(columns.spectra) > 1 or columns.is_one_pair
    for index in columns.spectra:
        title = columns.title(index)
        more, title_notes = fields_of_title(title, form)
        listed = fold.of(arrays[index]) if fold else arrays[index]
        yield Spectrum(
            axis=axis,
            values=listed[::-1] if direction == "descending" else listed,
            unit=value_unit(form.values, entries, title, place.file, place.line(0)),
            header=_header(entries, title),
            fields=fields | more,
            place=_place(place.block, index, several),
            scan_direction=direction,
            notes=(*notes, *field_notes, *title_notes),
        )


def _header(entries: Entries, title: str) -> dict[str, str]:
    return entries.values | ({"column title": title} if title else {})


def _place(block: str, index: int, several: bool) -> str:
    parts = [block.removesuffix(", ")] if block else []
    return ", ".join([*parts, *([f"column {index + 1}"] if several else [])])
