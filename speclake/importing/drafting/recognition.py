"""Texts by which the exports of one kind are known, without what changes from scan to scan."""

import re
from collections.abc import Sequence

from speclake.importing.drafting.parts import LINE_NAME, Parts, entries_of
from speclake.importing.drafting.tables import FoundTable
from speclake.importing.recognising import RECOGNISED_BYTES
from speclake.importing.statedunits import (
    axis_unit_in,
    names_an_axis,
    quantities_in,
    value_unit_in,
)
from speclake.importing.words import field_of, has_stem

MOST_NAMES = 6
FEWEST_LETTERS = 6


def recognised_by(
    lines: Sequence[str], found: FoundTable, parts: Parts
) -> tuple[tuple[str, ...], int]:
    """Texts that may be the same in every export of a kind, and how many lines hold them all.

    A heading without digits, names of the first entries, and the title of the axis.
    """
    first = found.runs[0].first
    header = list(lines[: first - parts.title_lines])
    texts = [
        *_headings(header, parts),
        *_names(header, found, parts),
        *_titles(lines[first - parts.title_lines : first], parts, found),
    ]
    # each must be found as it is written in one of the first lines
    within = [_line_of(text, lines, first) for text in texts]
    held = [(text, line) for text, line in zip(texts, within, strict=True) if line is not None]
    kept = list(dict.fromkeys(text for text, _ in held))
    if sum(len(re.findall(r"[^\W\d_]", text)) for text in kept) < FEWEST_LETTERS:
        return (), 0
    return tuple(kept), max(line for _, line in held) + 1


def _line_of(text: str, lines: Sequence[str], stop: int) -> int | None:
    """Number of the first line that holds a text, where recognition still looks for it."""
    length = 0
    for number, line in enumerate(lines[:stop]):
        length += 2 * len(line) + 2
        if length > RECOGNISED_BYTES:
            return None
        if text in line:
            return number
    return None


def _headings(header: Sequence[str], parts: Parts) -> list[str]:
    """The first line that is no entry and has no digits."""
    written = {line.strip().removeprefix(parts.prefix).strip() for line in header}
    found = [
        text
        for text in parts.lines_above
        if text in written
        and not re.search(r"\d", text)
        and re.search(r"[^\W\d_]{3}", text)
        and field_of(text.split()[0]) is None
    ]
    return found[:1]


def _names(header: Sequence[str], found: FoundTable, parts: Parts) -> list[str]:
    """Names of the first entries, with what stands between them and their values."""
    between = parts.between
    if between is None:
        return []
    names = []
    for line in header:
        entries = entries_of([line], between, parts.prefix, found.reading.quote, has_sections=False)
        [(name, _)] = entries.items() or [("line 1", "")]
        if LINE_NAME.fullmatch(name) or re.search(r"\d", name):
            continue
        start = line.partition(between)[0].strip().removeprefix(parts.prefix).strip()
        names.append(start + between if f"{start}{between}" in line else start)
    return names[:MOST_NAMES]


def _titles(lines: Sequence[str], parts: Parts, found: FoundTable) -> list[str]:
    """Lines of titles that hold units and names of quantities alone, or the title of the axis."""
    if parts.titles:
        whole = [text for line in lines if (text := _without_samples(line, found))]
        title = found.reading.cells(lines[-1])[found.runs[0].axis]
        return whole or [title] * bool(title)
    line = parts.last_lines[0] if parts.last_lines else ""
    is_title = (names_an_axis(line) or axis_unit_in(line)) and not re.search(r"\d{2}", line)
    return [line.strip()] if is_title else []


def _without_samples(line: str, found: FoundTable) -> str | None:
    """A line of titles, as far as it is the same for any number of spectra; None with samples."""
    cells = found.reading.cells(line)
    if not all(_is_about_units(cell) for cell in cells):
        return None
    if found.reading.delimiter == "spaces" or len(set(cells)) == len(cells):
        return line.strip(" ")
    repeated = next(n for n, cell in enumerate(cells) if cell in cells[:n])
    mark = found.reading.mark
    return mark.join(line.strip(" ").split(mark)[: repeated + 1])


def _is_about_units(cell: str) -> bool:
    """Whether a title names an axis, a unit, a quantity or a signal, and no sample."""
    if re.search(r"\d", re.sub(r"[(\[].*?[)\]]|cm\^?-1", "", cell)):
        return False
    return bool(
        names_an_axis(cell)
        or axis_unit_in(cell)
        or value_unit_in(cell)
        or quantities_in(cell)
        or re.fullmatch(r"\W*%\W*", cell)
        or has_stem(cell, "other_columns", "stems")
    )
