"""Text of an export: bytes decoded without a guess, lines taken one by one, header entries."""

import codecs
import io
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from typing import BinaryIO

from speclake.errors import MalformedFile
from speclake.importing.formats import EntryLines, Header
from speclake.importing.lineends import before_ctrl_z, has_carriage_returns_alone

BYTE_ORDER_MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
"""The longer marks first: one of UTF-32 begins like one of UTF-16."""

CELL_MARKS = frozenset("\t,;|")
"""Marks that tables fill short lines up with: at the end of a header value they say nothing."""

PIECE = 1 << 20
"""How many bytes are decoded at a time."""

LAST_LINES = 1 << 16
"""How many characters at least of the end of a text stay together."""

LONGEST_LINE = 1 << 24

LONGEST_HEADER = 1 << 22
"""How many characters of a header are read before its end is thought to be missing."""

SHOWN = 60
"""How much of a line a message shows."""


class CutShort(MalformedFile):
    """The file ends before a header or a block is whole; of a growing file, the last block."""


def shown(text: str) -> str:
    """Text as a message shows it: quoted, cut when long."""
    return repr(text if len(text) <= SHOWN else text[: SHOWN - 3] + "...")


def byte_order_mark(content: bytes) -> tuple[int, str | None]:
    """Length of the byte-order mark at the beginning, and the encoding that it declares."""
    for mark, encoding in BYTE_ORDER_MARKS:
        if content.startswith(mark):
            return len(mark), encoding
    return 0, None


def open_text(stream: BinaryIO, encoding: str, file: str) -> tuple["Lines", tuple[str, ...]]:
    """Lines of an export, decoded as they are taken, and reading notes.

    A byte-order mark is the file's own word for its encoding: it wins over `encoding`, with a
    note where the two differ. Carriage returns end the lines of a text without any line feed, and
    a Ctrl-Z at the very end is set aside, both with a note.

    Raises
    ------
    speclake.errors.MalformedFile
        UTF-16 comes without a byte-order mark. Taking a line raises it where a byte does not
        belong to the encoding.
    """
    length, marked = byte_order_mark(stream.read(4))
    stream.seek(length)
    declared = codecs.lookup(encoding).name
    if marked is None and declared in ("utf-16", "utf-32"):
        raise MalformedFile(
            file,
            "line 1",
            "no byte-order mark",
            f"one, as for {encoding}; or a format that says {encoding}-le or {encoding}-be",
        )
    notes: tuple[str, ...] = ()
    if marked and not f"{marked}-sig".startswith(declared):
        notes = (f"read as {marked}, as its byte-order mark says; the format says {encoding}",)
    # a mark that was there is left behind, and an encoding that knows of one would write it again
    encoding = marked or declared.removesuffix("-sig")
    stop = before_ctrl_z(stream, encoding)
    if stream.seek(0, io.SEEK_END) > stop:
        notes = (*notes, "a Ctrl-Z at the end of the file set aside")
    line_end = "\n"
    stream.seek(length)
    if has_carriage_returns_alone(stream, encoding):
        line_end = "\r"
        notes = (*notes, "its lines end with a carriage return alone")
    stream.seek(length)
    return Lines(more=_decoded(stream, stop, encoding, line_end, file), file=file), notes


def _decoded(stream: BinaryIO, stop: int, encoding: str, line_end: str, file: str) -> Iterator[str]:
    decoder = codecs.getincrementaldecoder(encoding)()
    line, text = 1, ""
    while True:
        content = stream.read(min(PIECE, stop - stream.tell()))
        line += text.count("\n") if content else 0
        try:
            text = decoder.decode(content, final=not content)
        except UnicodeDecodeError as error:
            before = error.object[: error.start].decode(encoding, "replace")
            line += before.count(line_end) + (0 if content else text.count("\n"))
            wrong = error.object[error.start : error.end][:4]
            found = "the bytes " + " ".join(f"0x{byte:02x}" for byte in wrong)
            if content:
                raise MalformedFile(file, f"line {line}", found, f"text in {encoding}") from error
            expected = f"a whole character in {encoding}; the file may be half written"
            raise CutShort(file, f"line {line}", f"{found} at the end", expected) from error
        if line_end != "\n":
            text = text.replace(line_end, "\n")
        if text:
            yield text
        if not content:
            return


@dataclass
class Lines:
    """Lines of a text, taken one by one; only a line that ends with a newline counts as one.

    Of a long text only a window is held: `text`, which `more` goes on.
    """

    text: str = ""
    position: int = 0
    number: int = 1
    """Number of the line that is taken next."""
    more: Iterable[str] = ()
    file: str = ""

    def __post_init__(self) -> None:
        self._pieces = iter(self.more)
        self._cut_short: CutShort | None = None

    def extend(self) -> bool:
        """Whether more text has come; what was left behind is forgotten.

        Raises
        ------
        CutShort
            The text ends amid a character; so each time, lest the end passes for a whole one.
        speclake.errors.MalformedFile
            A line is longer than a line of an export can be.
        """
        if self._cut_short is not None:
            raise self._cut_short
        try:
            piece = next(self._pieces, "")
        except CutShort as error:
            self._cut_short = error
            raise
        if not piece:
            return False
        left = self.text[self.position :]
        if len(left) > LONGEST_LINE:
            found = f"more than {LONGEST_LINE} characters without a line end"
            raise MalformedFile(self.file, f"line {self.number}", found, "lines of text")
        self.text, self.position = left + piece, 0
        return True

    def _end_of_line(self) -> int:
        """Position of the next newline; negative where none is left."""
        start = self.position
        while (end := self.text.find("\n", start)) < 0:
            searched = len(self.text) - self.position
            if not self.extend():
                return -1
            start = searched
        return end

    def peek(self) -> str | None:
        """The next line without its end; None where no whole line is left."""
        end = self._end_of_line()
        return None if end < 0 else self.text[self.position : end].removesuffix("\r")

    def take(self) -> str | None:
        """The next line, left behind; None where no whole line is left."""
        end = self._end_of_line()
        if end < 0:
            return None
        line = self.text[self.position : end]
        self.position, self.number = end + 1, self.number + 1
        return line.removesuffix("\r")

    def skip_blank(self) -> None:
        """Leave blank lines behind."""
        while (line := self.peek()) is not None and not line.strip():
            self.take()

    def take_pieces(self) -> Iterator[str]:
        """All that is left, in pieces of whole lines; the last has the last lines together."""
        while True:
            cut = self._cut()
            if cut > self.position:
                yield self.text[self.position : cut]
                self.position = cut
            elif not self.extend():
                break
        yield self.text[self.position :] if self.position else self.text
        self.position = len(self.text)

    def _cut(self) -> int:
        """Where the window can be cut so that enough stays behind it; 0 where nowhere."""
        if len(self.text) - self.position <= PIECE:
            return 0
        cut = self.text.rfind("\n", self.position, -LAST_LINES) + 1
        if cut and self.text.count("\n", cut) < 2:
            return 0
        return cut

    @property
    def is_at_end(self) -> bool:
        """Whether nothing is left, not even a line without an end."""
        return self.position >= len(self.text) and not self.extend()


@dataclass
class Entries:
    """Entries of a header, as read, and those that it gives twice in different words."""

    values: dict[str, str] = field(default_factory=dict)
    contradicted: dict[str, str] = field(default_factory=dict)
    """Entry name to the place of its second, different value."""
    times: dict[str, int] = field(default_factory=dict)
    """How often each name has come."""

    def add(self, name: str, value: str, place: str) -> None:
        """Keep an entry; one of the same name stays beside it under a numbered name."""
        number = self.times.get(name, 0) + 1
        self.times[name] = number
        if name in self.values and self.values[name] != value:
            self.contradicted.setdefault(name, place)
        key = name if number == 1 else f"{name} [{number}]"
        # an entry may be called like the numbered name of another
        while key in self.values:
            key += "'"
        self.values[key] = value

    def over(self, outer: "Entries") -> "Entries":
        """These entries with those of the file around them; of one name, these are nearer.

        An entry of the file that is hidden so stays under ``name (of the file)``.
        """
        values = dict(outer.values)
        for name in self.values.keys() & values.keys():
            values[f"{name} (of the file)"] = values.pop(name)
        contradicted = {k: v for k, v in outer.contradicted.items() if k not in self.values}
        return Entries(values | self.values, contradicted | self.contradicted)


def read_header(lines: Lines, header: Header, quote: str | None, file: str, block: str) -> Entries:
    """Entries of the header that begins at the next line, which is left behind.

    Parameters
    ----------
    quote : sign that may stand around a name or a value.
    block : place of the block in words, with a comma behind it; empty for a file's own header.

    Raises
    ------
    CutShort
        The file ends within the header.
    """
    reader, first = EntryReader(header, quote, file=file), lines.number
    while not _is_over(lines, header, first):
        place = f"line {lines.number}"
        line = lines.take()
        if line is None:
            raise CutShort(file, f"{block}{place}", "the end of the file", end_of_header(header))
        reader.add(line, place)
        if header.last_line is not None and re.search(header.last_line, line):
            break
    return reader.entries


def read_footer(
    lines: Lines,
    footer: EntryLines,
    quote: str | None,
    entries: Entries,
    is_row: Callable[[str], bool],
) -> None:
    """Nothing; the entries of a footer, which ends the file, are added to those of the header.

    Parameters
    ----------
    is_row : whether a line could be a row of the table above, which must not pass for an entry.

    Raises
    ------
    CutShort
        The file ends within a line, or before the line that is to end the footer.
    speclake.errors.MalformedFile
        Something follows the line that ends the footer, or a row of numbers stands in it.
    """
    reader = EntryReader(footer, quote, entries, file=lines.file)
    last_line = re.compile(footer.last_line) if footer.last_line is not None else None
    while (line := lines.take()) is not None:
        place = f"line {lines.number - 1}"
        if is_row(line):
            raise MalformedFile(
                lines.file, place, f"a row of numbers: {shown(line)}", "entries below the table"
            )
        reader.add(line, place)
        if last_line is not None and last_line.search(line):
            lines.skip_blank()
            left = lines.peek()
            if left is not None or not lines.is_at_end:
                found = shown(left) if left is not None else "the beginning of a line"
                place = f"line {lines.number}"
                raise MalformedFile(lines.file, place, found, "nothing more below the footer")
            return
    place = f"line {lines.number}"
    if not lines.is_at_end:
        raise CutShort(lines.file, place, "a last line without its end", "a newline")
    if last_line is not None:
        expected = f"a line that ends the footer and matches {footer.last_line!r}"
        raise CutShort(lines.file, place, "the end of the file", expected)


def _is_over(lines: Lines, header: Header, first: int) -> bool:
    if header.lines is not None:
        return lines.number - first >= header.lines
    line = lines.peek()
    return line is not None and header.next_line is not None and bool(
        re.search(header.next_line, line)
    )  # fmt: skip


def end_of_header(header: Header, line: str = "line") -> str:
    """What ends a header, for a message; `line` is the word for one of its lines."""
    if header.lines is not None:
        return f"a header of {header.lines} {line}s"
    if header.last_line is not None:
        return f"a {line} that ends the header and matches {header.last_line!r}"
    return f"a {line} after the header that matches {header.next_line!r}"


@dataclass
class EntryReader:
    """Reader of entries line by line, which knows the section that it is in."""

    rules: EntryLines
    quote: str | None
    entries: Entries = field(default_factory=Entries)
    section: str = ""
    file: str = ""
    length: int = 0
    """How many characters were read."""

    def add(self, line: str, place: str) -> None:
        """Keep the entry of a line, under the section that it is in.

        Raises
        ------
        speclake.errors.MalformedFile
            There are more lines than a header can have: the one that ends it must be missing.
        """
        self.length += len(line) + 1
        if self.length > LONGEST_HEADER:
            found = f"{LONGEST_HEADER} characters of entries and no end"
            raise MalformedFile(self.file, place, found, "the line that the format says ends them")
        text = line.strip(" ")
        if self.rules.prefix:
            text = text.removeprefix(self.rules.prefix).strip(" ")
        if not text.strip():
            return
        if self.begins_section(text):
            return
        name, found, value = text.partition(self.rules.between)
        if not found or not name.strip():
            self.entries.add(place, text.strip(), place)
            return
        if self.rules.between in CELL_MARKS:
            value = value.rstrip(self.rules.between)
        name = self.section + _unquoted(name, self.quote)
        self.entries.add(name, _unquoted(value, self.quote), place)

    def begins_section(self, text: str) -> bool:
        """Whether a line begins a section; it is the one that follows are in from then on."""
        match = re.search(self.rules.sections, text) if self.rules.sections is not None else None
        if match is None:
            return False
        name = (match[1] or "") if match.re.groups else match[0]
        self.section = f"{name.strip()}/" if name.strip() else ""
        return True


def _unquoted(text: str, quote: str | None) -> str:
    text = text.strip()
    if quote and len(text) > 1 and text[0] == text[-1] == quote:
        return text[1:-1].replace(quote * 2, quote).strip()
    return text
