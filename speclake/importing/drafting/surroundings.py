"""Header, blocks, titles and footer of an unknown export, as its format would describe them."""

import re
from collections.abc import Sequence

from speclake.importing.drafting.parts import (
    SECTION,
    Parts,
    entries_of,
    escaped,
    prefix_of,
    separator_of,
    start_of,
    whole_line,
)
from speclake.importing.drafting.sheet import Sheet
from speclake.importing.drafting.tables import FoundTable
from speclake.importing.statedunits import axis_unit_in, names_an_axis
from speclake.importing.words import is_among

MARKER = re.compile(r"\W*[^\W\d_][\w ]*\W*|\W{3,}")
BLANK = r"^\s*$"


def say_surroundings(sheet: Sheet, lines: Sequence[str], found: FoundTable, parts: Parts) -> None:
    """Write what was found into the tables header, blocks, table and footer."""
    first = found.runs[0]
    stop = first.first - parts.title_lines
    if len(found.runs) > 1:
        _say_blocks(sheet, lines, found, parts)
    elif stop:
        _say_header(sheet, "header", lines[:stop], lines[stop:], found, parts)
    if parts.title_lines:
        why = f"above the numbers stands {', '.join(parts.titles)}"
        sheet.say("table", "title_lines", parts.title_lines, why)
    points = _points_entry(parts, len(first))
    if points:
        why = f"it says {len(first)}, and so many rows follow"
        sheet.say("table", "points_entry", points, why)
    _say_end_of_rows(sheet, lines, found, has_points=points is not None)


def _points_entry(parts: Parts, rows: int) -> str | None:
    """Header entry that says how many rows follow, and is called so."""
    names = [name for name, text in parts.entries.items() if text == str(rows)]
    return next((n for n in names if is_among(n.rpartition("/")[2], "points")), None)


def _say_header(
    sheet: Sheet,
    table: str,
    header: Sequence[str],
    after: Sequence[str],
    found: FoundTable,
    parts: Parts,
) -> None:
    """Say where a header ends and how its entries are written."""
    key, value, why = _end_of_header(header, after, found, parts)
    sheet.say(table, key, value, why)
    _say_entries(sheet, table, parts.between, parts.prefix)
    if parts.has_sections:
        sheet.say(table, "sections", SECTION, "lines in square brackets part the header")


def _say_entries(sheet: Sheet, table: str, between: str | None, prefix: str) -> None:
    if between:
        sheet.say(table, "between", between, "it stands in most of these lines")
    if prefix:
        sheet.say(table, "prefix", prefix, "every one of these lines begins with it")


def _end_of_header(
    header: Sequence[str], after: Sequence[str], found: FoundTable, parts: Parts
) -> tuple[str, str | int, str]:
    """Where a header ends, by what is least likely to change from file to file."""
    mark = _title_mark(after[0], found) if parts.title_lines else None
    if mark and not any(re.search(mark, line) for line in header):
        return "next_line", mark, "the titles begin so, and no line before does"
    last = header[-1].strip()
    is_single = sum(line.strip() == last for line in header) == 1
    if last and is_single and not parts.title_lines and _is_marker(last, parts):
        pattern = f"{start_of(header[-1])}{escaped(last)}"
        return "last_line", pattern, "it stands directly above the numbers"
    row = _number_mark(found)
    if not parts.title_lines and not any(re.search(row, line) for line in header):
        return "next_line", row, "a row of numbers begins so, and no line before does"
    return "lines", len(header), "is every header as long as this one?"


def _title_mark(line: str, found: FoundTable) -> str | None:
    """Regular expression for the beginning of the line of titles."""
    if found.reading.delimiter in ("spaces", "fixed"):
        first = re.split(r"\s{2,}", line.strip(), maxsplit=1)[0]
    else:
        first = line.strip(" \r").split(found.reading.mark, maxsplit=1)[0].strip(" ")
    return f"{start_of(line)}{escaped(first)}" if first.strip() else None


def _number_mark(found: FoundTable) -> str:
    """Regular expression for the beginning of a row: its first number alone.

    The second cell may be a word for a missing value in another export, and a row that does not
    match would be taken for a line of the header.
    """
    reading = found.reading
    signs = re.escape(f"{reading.decimal_sign}{reading.thousands_sign or ''}").replace(r"\ ", " ")
    quote = f"{reading.quote}?" if reading.quote else ""
    mark = r"\s" if reading.mark in "\t " else rf"\s*{re.escape(reading.mark)}"
    return rf"^\s*{quote}[+-]?[0-9][0-9eE{signs}+-]*{quote}{mark}"


def _is_marker(line: str, parts: Parts) -> bool:
    """Whether a line says that numbers follow, and is no entry."""
    is_entry = parts.between is not None and parts.between in line
    if names_an_axis(line) or axis_unit_in(line):
        return not re.search(r"\d{3}", line)
    return not is_entry and bool(MARKER.fullmatch(line))


def _say_blocks(sheet: Sheet, lines: Sequence[str], found: FoundTable, parts: Parts) -> None:
    runs = found.runs
    if parts.begin is None or parts.begin_line is None:
        _say_blocks_alike(sheet, lines, found, parts)
        return
    if any(line.strip() for line in lines[: parts.begin]):
        sheet.say("header", "next_line", parts.begin_line, "the blocks begin there")
        _say_entries(sheet, "header", parts.between, parts.prefix)
    why = f"{len(runs)} tables stand one below the other, each behind such a line"
    sheet.say("blocks", "begin_line", parts.begin_line, why)
    sheet.offer("blocks", "growing", True, "is the file appended to while the run goes on?")
    header = lines[parts.begin : runs[0].first - parts.title_lines]
    if _are_headers_alike(lines, found, parts, len(header)):
        why = f"so long is that of each of the {len(runs)} blocks"
        sheet.say("blocks.header", "lines", len(header), why)
        _say_entries(sheet, "blocks.header", parts.between, parts.prefix)
    else:
        after = lines[parts.begin + len(header) :]
        _say_header(sheet, "blocks.header", header, after, found, parts)


def _say_blocks_alike(sheet: Sheet, lines: Sequence[str], found: FoundTable, parts: Parts) -> None:
    """Say of tables that no line of their own begins."""
    runs = found.runs
    sheet.doubt(f"blocks: {len(runs)} tables stand one below the other")
    if any(line.strip() for line in lines[runs[0].stop : runs[1].first - parts.title_lines]):
        sheet.doubt("blocks: no common line begins the tables; look at blocks and header")
    stop = runs[0].first - parts.title_lines
    if stop > 0:
        _say_header(sheet, "header", lines[:stop], lines[stop:], found, parts)


def _are_headers_alike(lines: Sequence[str], found: FoundTable, parts: Parts, length: int) -> bool:
    first_lines = [lines[run.first - parts.title_lines - length] for run in found.runs]
    return all(re.search(parts.begin_line or "", line.strip()) for line in first_lines)


def _say_end_of_rows(
    sheet: Sheet, lines: Sequence[str], found: FoundTable, has_points: bool
) -> None:
    last = found.runs[-1]
    behind = [line for line in lines[last.stop :] if line.strip()]
    if len(found.runs) > 1:
        _say_end_of_blocks(sheet, lines, found, has_points)
    elif len(behind) == 1 and not _is_entry(behind[0]):
        why = "it is the only line below the numbers"
        sheet.say("table", "end_line", whole_line(behind[0]), why)
    elif behind:
        _say_footer(sheet, lines, found)
    elif not has_points:
        sheet.doubt("table: nothing tells a whole file from one cut short between two rows")


def _say_end_of_blocks(
    sheet: Sheet, lines: Sequence[str], found: FoundTable, has_points: bool
) -> None:
    # the last element of the lines is what stands behind the last newline, no line
    behind = [lines[run.stop] for run in found.runs if run.stop < len(lines) - 1]
    are_blank = not any(line.strip() for line in behind)
    why = "a blank line stands behind each table"
    if are_blank and len(behind) == len(found.runs):
        sheet.say("table", "end_line", BLANK, why)
        return
    if are_blank:
        why += ", and the end of the file behind the last"
        sheet.say("blocks", "parted_by_blank_lines", True, why)
    if not has_points:
        sheet.doubt("table: nothing tells a finished block from an unfinished one")


def _is_entry(line: str) -> bool:
    between = separator_of([line], "")
    return between is not None and bool(line.partition(between)[2].strip())


def _say_footer(sheet: Sheet, lines: Sequence[str], found: FoundTable) -> None:
    """Say of lines below the numbers that they are entries; the first ends the rows."""
    footer = lines[found.runs[-1].stop :]
    first, written = footer[0].strip(), [line for line in footer if line.strip()]
    if not first:
        end, why = BLANK, "a blank line stands below the numbers"
    elif _is_entry(first):
        mark = separator_of([first], "") or ""
        name = first.partition(mark)[0].strip()
        end, why = (
            rf"{start_of(footer[0])}{escaped(name)}\s*{escaped(mark)}",
            "with it begin the lines below",
        )
    else:
        end, why = whole_line(footer[0]), "it stands directly below the numbers"
    sheet.say("table", "end_line", end, why)
    prefix = prefix_of(written)
    why = f"{len(written)} lines stand below the numbers"
    sheet.say("footer", "between", separator_of(written, prefix) or ":", why)
    if prefix:
        sheet.say("footer", "prefix", prefix, "every one of these lines begins with it")
    if MARKER.fullmatch(written[-1].strip()):
        sheet.say("footer", "last_line", whole_line(written[-1]), "it is the last line")
    else:
        sheet.doubt("footer: nothing tells a whole footer from one cut short")


def footer_entries(lines: Sequence[str], found: FoundTable) -> dict[str, str]:
    """Entries below the numbers, as the drafted footer reads them."""
    if len(found.runs) > 1:
        return {}
    footer = [line for line in lines[found.runs[-1].stop :] if line.strip()]
    prefix = prefix_of(footer)
    between = separator_of(footer, prefix)
    if between is None:
        return {}
    quote = found.reading.quote
    return dict(entries_of(footer, between, prefix, quote, has_sections=False))
