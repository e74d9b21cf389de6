"""The parts of an unknown export around its numbers: header, blocks, titles, footer."""

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from speclake.importing.drafting.tables import (
    FoundTable,
    Reading,
    Run,
    columns_of,
    is_steady,
    runs_on,
)
from speclake.importing.formats import Header
from speclake.importing.statedunits import (
    axis_unit_in,
    names_an_axis,
    quantities_in,
    value_unit_in,
)
from speclake.importing.text import Lines, read_header
from speclake.importing.words import field_of

SEPARATORS = ("\t", "=", ":", "\N{FULLWIDTH COLON}", ";", ",", "|")
WIDE_GAP = "  "
PREFIXES = ("##", "#", "//", "%", "!", "*", ";")
SECTION = r"^\[([^\[\]]+)\]$"
LINE_NAME = re.compile(r"(.*/)?line \d+")
"""Name under which a header line is kept that is no entry."""


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
    last_lines : the lines of the header nearest to the numbers, the nearest first.
    has_sections : whether lines in square brackets part the header.
    """

    titles: tuple[str, ...]
    title_lines: int
    begin: int | None
    begin_line: str | None
    between: str | None
    prefix: str
    entries: dict[str, str]
    lines_above: tuple[str, ...]
    last_lines: tuple[str, ...]
    has_sections: bool


def find_parts(lines: Sequence[str], found: FoundTable) -> Parts:
    """Parts of an export around the tables that were found."""
    first, reading = found.runs[0], found.reading
    title_lines = _count_title_lines(lines, first, reading)
    top = first.first - title_lines
    rows_of_titles = [reading.cells(line) for line in lines[top : first.first]]
    header = list(lines[:top])
    prefix = prefix_of(header)
    between = separator_of(header, prefix)
    sections = [line for line in header if re.search(SECTION, line.strip())]
    has_sections = len(sections) > 1 and between is not None
    begin, begin_line = _find_begin(lines, found.runs, title_lines)
    entries = _without_contradicted(
        entries_of(header, between, prefix, reading.quote, has_sections=has_sections)
    )
    last = [line.strip().removeprefix(prefix) for line in reversed(header) if line.strip()]
    return Parts(
        titles=tuple(" ".join(filter(None, cells)) for cells in zip(*rows_of_titles, strict=True)),
        title_lines=title_lines,
        begin=begin,
        begin_line=begin_line,
        between=between,
        prefix=prefix,
        entries={n: t for n, t in entries.items() if not LINE_NAME.fullmatch(n)},
        lines_above=tuple(t for n, t in entries.items() if LINE_NAME.fullmatch(n)),
        last_lines=tuple(last[:4]),
        has_sections=has_sections,
    )


def with_titled_axis(lines: Sequence[str], found: FoundTable, titles: Sequence[str]) -> FoundTable:
    """Table whose axis is the column with the title of one, where another one rises too."""
    if not titles or _names_axis(titles[found.runs[0].axis]):
        return found
    steady = [
        [index for index, c in enumerate(columns_of(lines, run, found.reading)) if is_steady(c)]
        for run in found.runs
    ]
    for index, title in enumerate(titles):
        if _names_axis(title) and all(index in each for each in steady):
            return replace(found, runs=tuple(replace(run, axis=index) for run in found.runs))
    return found


def _names_axis(title: str) -> bool:
    return value_unit_in(title) is None and (names_an_axis(title) or bool(axis_unit_in(title)))


def entries_of(
    lines: Sequence[str], between: str | None, prefix: str, quote: str | None, *, has_sections: bool
) -> Mapping[str, str]:
    """Entries of header lines, as the reader of exports reads them."""
    if not lines:
        return {}
    rules = Header(
        lines=len(lines),
        between=between or "\x1f",
        prefix=prefix,
        sections=SECTION if has_sections else None,
    )
    text = "".join(f"{line}\n" for line in lines)
    return read_header(Lines(text), rules, quote, "", "").values


def _without_contradicted(entries: Mapping[str, str]) -> dict[str, str]:
    """Entries whose names stand for one text: the reader refuses to choose between several."""
    twice = {match[1] for name in entries if (match := re.fullmatch(r"(.*) \[\d+\]'*", name))}
    return {name: text for name, text in entries.items() if name not in twice}


def prefix_of(lines: Sequence[str]) -> str:
    """Sign that every header line begins with; empty where they do not."""
    written = [line.strip() for line in lines if line.strip()]
    for prefix in PREFIXES:
        if len(written) > 1 and all(line.startswith(prefix) for line in written):
            return prefix
    return ""


def separator_of(lines: Sequence[str], prefix: str) -> str | None:
    """What stands between names and values in most header lines; None without any."""
    texts = [line.strip(" \r").removeprefix(prefix).strip(" ") for line in lines]
    counts: Counter[str] = Counter()
    for text in texts:
        mark = _mark_behind_name(text)
        if mark and _looks_like_a_name(text.partition(mark)[0]):
            counts[mark] += 2 if text.partition(mark)[2].strip(" ,;\t") else 1
    # blanks alone part names and values only where several lines show it
    counts = Counter({m: n for m, n in counts.items() if m != WIDE_GAP or n > 2})
    return max(counts, key=lambda mark: counts[mark], default=None)


def _mark_behind_name(text: str) -> str:
    """The first sign in a line, which ends a name; dots that lead to the value, or wide blanks."""
    if leaders := re.match(r"[^\W\d_][\w ]*?( \.{3,} *)(?=[^ .:=])", text):
        return leaders[1]
    if re.match(r"[^\W\d_][\w .]*?  +(?=[^ :=;,|\t])", text):
        return WIDE_GAP
    return min((mark for mark in SEPARATORS if mark in text), key=text.index, default="")


def _looks_like_a_name(text: str) -> bool:
    return bool(re.fullmatch(r"[^\W\d_][^:=;\t]{0,40}", text.strip().strip("\"'")))


def _count_title_lines(lines: Sequence[str], run: Run, reading: Reading) -> int:
    lines_above = lines[max(run.first - 2, 0) : run.first][::-1]
    if reading.places and any(runs_on(line, reading) for line in lines_above[:1]):
        return 0
    above = [reading.cells(line) for line in lines_above]
    if not above or not _are_titles(above[0], run, reading):
        return 0
    if len(above) > 1 and _are_upper_titles(above[1], above[0], run, reading):
        return 2
    return 1


def _are_words(cells: Sequence[str], run: Run, reading: Reading) -> bool:
    return len(cells) == run.cells and all(reading.number(cell) is None for cell in cells)


def _are_titles(cells: Sequence[str], run: Run, reading: Reading) -> bool:
    if not _are_words(cells, run, reading) or any(set(c) <= set("-=_*") for c in cells if c):
        return False
    text = "  ".join(cells)
    if names_an_axis(text) or axis_unit_in(cells[run.axis]) or any(map(value_unit_in, cells)):
        return True
    if quantities_in(text):
        return field_of(cells[0]) is None
    return run.cells > 2 and len(list(filter(None, cells))) >= run.cells - 1


def _are_upper_titles(
    cells: Sequence[str], lower: Sequence[str], run: Run, reading: Reading
) -> bool:
    """Whether cells are titles above units, or names above titles."""
    if not _are_words(cells, run, reading) or not axis_unit_in("  ".join(lower)):
        return False
    filled = [cell for cell in cells if cell]
    is_entry = bool(field_of(cells[0])) and not quantities_in("  ".join(cells))
    if names_an_axis(cells[run.axis]):
        return True
    return run.cells > 2 and len(filled) >= 2 and not is_entry


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
            raw = lines[number]
            return number, f"{start_of(raw)}{_shape(line)}{end_of(raw)}"
    # names in the lines that begin blocks: what they have in common must say enough
    common = [(_common_beginning([line, *begins]), number) for number, line in before]
    start, number = max(common, key=lambda each: len(each[0]), default=("", 0))
    if len(start.strip()) < 3:
        return None, None
    return number, f"{start_of(lines[number])}{escaped(start)}"


def _common_beginning(texts: Sequence[str]) -> str:
    length = 0
    for characters in zip(*texts, strict=False):
        if len(set(characters)) > 1:
            break
        length += 1
    return texts[0][:length]


def start_of(line: str) -> str:
    """Regular expression for where the text of a line begins."""
    return r"^\s*" if line[:1].isspace() else "^"


def end_of(line: str) -> str:
    """Regular expression for where the text of a line ends."""
    return r"\s*$" if line[-1:].isspace() else "$"


def whole_line(line: str) -> str:
    """Regular expression for a line that holds this text and no other."""
    return f"{start_of(line)}{escaped(line.strip())}{end_of(line)}"


def escaped(text: str) -> str:
    """Regular expression for a text, with no more backslashes than it needs."""
    return re.sub(r"([\\.^$*+?{}\[\]|()])", r"\\\1", text)


def _shape(line: str) -> str:
    """Regular expression for a line in which other whole numbers may stand."""
    return r"\d+".join(escaped(text) for text in re.split(r"\d+", line))
