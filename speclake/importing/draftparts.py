"""The parts of an unknown export around its numbers: header, blocks, titles, end."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from speclake.importing.clues import (
    axis_unit_in,
    prefix_of,
    separator_of,
    value_unit_text,
)
from speclake.importing.draftsheet import Sheet
from speclake.importing.evidence import FoundTable, Reading, Run
from speclake.importing.formats import Header
from speclake.importing.text import Lines, read_header

TITLE_WORDS = re.compile(r"(?i)wave|transm|reflec|absorb|%")
MARKER = re.compile(r"\W*[^\W\d_][\w ]*\W*|\W{3,}")


@dataclass(frozen=True)
class Parts:
    """What stands around the numbers; lines are counted from 0.

    Parameters
    ----------
    titles : column titles; empty where there are none.
    title_lines : how many lines they take.
    begin : number of the line that begins the first block; None without blocks.
    begin_line : regular expression of the lines that begin blocks.
    entries : entries of the header, that of the first block included.
    lines_above : header lines that are no entries.
    recognised_by : texts of the header that may be the same in every export.
    """

    titles: tuple[str, ...]
    title_lines: int
    begin: int | None
    begin_line: str | None
    between: str | None
    prefix: str
    entries: dict[str, str]
    lines_above: tuple[str, ...]
    recognised_by: tuple[str, ...]


def find_parts(lines: Sequence[str], found: FoundTable) -> Parts:
    """Parts of an export around the tables that were found."""
    first = found.runs[0]
    title_lines = _count_title_lines(lines, first, found.reading)
    rows_of_titles = [
        found.reading.cells(line) for line in lines[first.first - title_lines : first.first]
    ]
    header = lines[: first.first - title_lines]
    prefix = prefix_of(header)
    between = separator_of(header, prefix)
    begin, begin_line = _find_begin(lines, found.runs, title_lines)
    entries = _entries(header, between, prefix, found.reading.quote)
    above = tuple(text for name, text in entries.items() if re.fullmatch(r"line \d+", name))
    return Parts(
        titles=tuple(" ".join(filter(None, cells)) for cells in zip(*rows_of_titles, strict=True)),
        title_lines=title_lines,
        begin=begin,
        begin_line=begin_line,
        between=between,
        prefix=prefix,
        entries={n: t for n, t in entries.items() if not re.fullmatch(r"line \d+", n)},
        lines_above=above,
        recognised_by=_recognised_by(header, above, between),
    )


def _count_title_lines(lines: Sequence[str], run: Run, reading: Reading) -> int:
    above = [reading.cells(line) for line in lines[max(run.first - 2, 0) : run.first]][::-1]
    count = 0
    for cells in above:
        if len(cells) != run.cells or any(reading.number(cell) is not None for cell in cells):
            break
        text = "  ".join(cells)
        looks_so = (
            TITLE_WORDS.search(text) or axis_unit_in(text) or any(map(value_unit_text, cells))
        )
        if not looks_so and run.cells == 2:
            break
        if count and not axis_unit_in("  ".join(above[0])):
            break
        count += 1
    return count


def _entries(
    header: Sequence[str], between: str | None, prefix: str, quote: str | None
) -> dict[str, str]:
    if not header:
        return {}
    rules = Header(lines=len(header), between=between or "\x1f", prefix=prefix)
    text = "".join(f"{line}\n" for line in header)
    return read_header(Lines(text), rules, quote, "", "").values


def _recognised_by(
    header: Sequence[str], above: Sequence[str], between: str | None
) -> tuple[str, ...]:
    """A heading without digits, or else the first names of entries."""
    headings = [text for text in above if not re.search(r"\d", text) and len(text) > 5]
    if headings:
        return (headings[0],)
    if between is None:
        return ()
    names = [line.partition(between)[0] for line in header if between in line]
    return tuple(name + between for name in names[:2] if not re.search(r"\d", name))


def _find_begin(
    lines: Sequence[str], runs: Sequence[Run], title_lines: int
) -> tuple[int | None, str | None]:
    """Line that begins the first of several blocks, and a regular expression for all of them."""
    if len(runs) == 1:
        return None, None
    gaps = [
        [line.strip() for line in lines[a.stop : b.first - title_lines] if line.strip()]
        for a, b in pairwise(runs)
    ]
    if not all(gaps):
        return None, None
    before = [(n, lines[n].strip()) for n in range(runs[0].first - title_lines - 1, -1, -1)]
    begins = [gap[0] for gap in gaps]
    for number, line in before:
        if line and all(_shape(begin) == _shape(line) for begin in begins):
            return number, f"^{_shape(line)}$"
    # names in the lines that begin blocks: what they have in common must say enough
    common = [(_common_beginning([line, *begins]), number) for number, line in before]
    start, number = max(common, key=lambda each: len(each[0]), default=("", 0))
    return (number, f"^{escaped(start)}") if len(start.strip()) >= 3 else (None, None)


def _common_beginning(texts: Sequence[str]) -> str:
    length = 0
    for characters in zip(*texts, strict=False):
        if len(set(characters)) > 1:
            break
        length += 1
    return texts[0][:length]


def escaped(text: str) -> str:
    """Regular expression for a text, with no more backslashes than it needs."""
    return re.sub(r"([\\.^$*+?{}\[\]|()])", r"\\\1", text)


def _shape(line: str) -> str:
    """Regular expression for a line in which other whole numbers may stand."""
    return r"\d+".join(escaped(text) for text in re.split(r"\d+", line))


def say_parts(sheet: Sheet, lines: Sequence[str], found: FoundTable, parts: Parts) -> None:
    """Write what was found into the tables header, blocks and table."""
    first = found.runs[0]
    stop = first.first - parts.title_lines
    if len(found.runs) > 1:
        _say_blocks(sheet, lines, found, parts)
    elif stop:
        _say_end_of_header(sheet, "header", lines[:stop], lines[stop], parts)
    if parts.title_lines:
        why = f"above the numbers stands {', '.join(parts.titles)}"
        sheet.say("table", "title_lines", parts.title_lines, why)
    points = [name for name, text in parts.entries.items() if text == str(len(first))]
    if points:
        sheet.say(
            "table", "points_entry", points[0], f"it says {len(first)}, and so many rows follow"
        )
    _say_end_of_rows(sheet, lines, found, has_points=bool(points))


def _say_end_of_header(
    sheet: Sheet, table: str, header: Sequence[str], after: str, parts: Parts
) -> None:
    """Say where a header ends by what is least likely to change from file to file."""
    mark = escaped(_first_cell(after)) if parts.title_lines else ""
    last = header[-1].strip()
    if mark and not any(re.search(f"^{mark}", line) for line in header):
        sheet.say(table, "next_line", f"^{mark}", "the titles begin so, and no line before does")
    elif _is_marker(last, parts) and sum(line.strip() == last for line in header) == 1:
        pattern = f"^{escaped(last)}"
        sheet.say(table, "last_line", pattern, "it stands directly above the numbers")
    else:
        sheet.say(table, "lines", len(header), "is every header as long as this one?")
    if parts.between:
        sheet.say(table, "between", parts.between, "it stands in most lines of the header")
    if parts.prefix:
        sheet.say(table, "prefix", parts.prefix, "every line of the header begins with it")


def _first_cell(line: str) -> str:
    return re.split(r"[\t;,|]|  ", line.strip(), maxsplit=1)[0]


def _is_marker(line: str, parts: Parts) -> bool:
    is_entry = parts.between is not None and parts.between in line
    return bool(line) and not is_entry and bool(MARKER.fullmatch(line) or axis_unit_in(line))


def _say_blocks(sheet: Sheet, lines: Sequence[str], found: FoundTable, parts: Parts) -> None:
    runs = found.runs
    if parts.begin is None or parts.begin_line is None:
        sheet.say("blocks", "growing", False, f"{len(runs)} tables stand one below the other")
        if any(line.strip() for line in lines[runs[0].stop : runs[1].first]):
            sheet.doubt("blocks: no common line begins the tables; look at blocks and header")
        if runs[0].first > parts.title_lines:
            header = lines[: runs[0].first - parts.title_lines]
            _say_end_of_header(sheet, "header", header, lines[len(header)], parts)
        return
    if any(line.strip() for line in lines[: parts.begin]):
        why = "the blocks begin there"
        sheet.say("header", "next_line", parts.begin_line, why)
        if parts.between:
            sheet.say("header", "between", parts.between, "it stands in most lines of the header")
    why = f"{len(runs)} tables stand one below the other, each behind such a line"
    sheet.say("blocks", "begin_line", parts.begin_line, why)
    sheet.offer("blocks", "growing", True, "is the file appended to while the run goes on?")
    header = lines[parts.begin : runs[0].first - parts.title_lines]
    if _are_headers_alike(lines, found, parts, len(header)):
        why = f"so long is that of each of the {len(runs)} blocks"
        sheet.say("blocks.header", "lines", len(header), why)
        if parts.between:
            why = "it stands in most lines of the header"
            sheet.say("blocks.header", "between", parts.between, why)
    else:
        after = lines[parts.begin + len(header)]
        _say_end_of_header(sheet, "blocks.header", header, after, parts)


def _are_headers_alike(lines: Sequence[str], found: FoundTable, parts: Parts, length: int) -> bool:
    first_lines = [lines[run.first - parts.title_lines - length] for run in found.runs]
    return all(re.search(parts.begin_line or "", line.strip()) for line in first_lines)


def _say_end_of_rows(
    sheet: Sheet, lines: Sequence[str], found: FoundTable, has_points: bool
) -> None:
    last = found.runs[-1]
    behind = [line.strip() for line in lines[last.stop :] if line.strip()]
    if len(found.runs) > 1:
        # the last element of the lines is what stands behind the last newline, no line
        blank = all(not lines[run.stop].strip() for run in found.runs if run.stop < len(lines) - 1)
        if blank and last.stop < len(lines) - 1:
            sheet.say("table", "end_line", r"^\s*$", "a blank line stands behind each table")
        elif not has_points:
            sheet.doubt("table: nothing tells a finished block from an unfinished one")
    elif len(behind) == 1:
        why = "it is the only line below the numbers"
        sheet.say("table", "end_line", f"^{escaped(behind[0])}$", why)
    elif behind:
        sheet.doubt(f"{len(behind)} lines stand below the numbers, which no format can read")
    elif not has_points:
        sheet.doubt("table: nothing tells a whole file from one cut short between two rows")
