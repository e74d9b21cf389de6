"""Text of an export: bytes decoded without a guess, lines taken one by one, header entries."""

import codecs
import re
from dataclasses import dataclass, field

from speclake.errors import MalformedFile
from speclake.importing.formats import Header

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


def decode(content: bytes, encoding: str, file: str) -> tuple[str, tuple[str, ...]]:
    """Text of an export and reading notes.

    A byte-order mark is the file's own word for its encoding: it wins over `encoding`, with a
    note where the two differ.

    Raises
    ------
    speclake.errors.MalformedFile
        A byte does not belong to the encoding, or UTF-16 comes without a byte-order mark.
    """
    length, marked = byte_order_mark(content)
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
    try:
        return content[length:].decode(marked or encoding), notes
    except UnicodeDecodeError as error:
        before = content[length : length + error.start].decode(marked or encoding, "replace")
        wrong = content[length + error.start : length + error.end][:4]
        raise MalformedFile(
            file,
            f"line {before.count(chr(10)) + 1}",
            "the bytes " + " ".join(f"0x{byte:02x}" for byte in wrong),
            f"text in {marked or encoding}",
        ) from error


@dataclass
class Lines:
    """Lines of a text, taken one by one; only a line that ends with a newline counts as one."""

    text: str
    position: int = 0
    number: int = 1
    """Number of the line that is taken next."""

    def peek(self) -> str | None:
        """The next line without its end; None where no whole line is left."""
        end = self.text.find("\n", self.position)
        return None if end < 0 else self.text[self.position : end].removesuffix("\r")

    def take(self) -> str | None:
        """The next line, left behind; None where no whole line is left."""
        end = self.text.find("\n", self.position)
        if end < 0:
            return None
        line = self.text[self.position : end]
        self.position, self.number = end + 1, self.number + 1
        return line.removesuffix("\r")

    def skip_blank(self) -> None:
        """Leave blank lines behind."""
        while (line := self.peek()) is not None and not line.strip():
            self.take()

    @property
    def is_at_end(self) -> bool:
        """Whether nothing is left, not even a line without an end."""
        return self.position >= len(self.text)


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
    entries, first = Entries(), lines.number
    while not _is_over(lines, header, first):
        place = f"line {lines.number}"
        line = lines.take()
        if line is None:
            raise CutShort(file, f"{block}{place}", "the end of the file", _end_of(header))
        _add_entry(entries, line, header, quote, place)
        if header.last_line is not None and re.search(header.last_line, line):
            break
    return entries


def _is_over(lines: Lines, header: Header, first: int) -> bool:
    if header.lines is not None:
        return lines.number - first >= header.lines
    line = lines.peek()
    return line is not None and header.next_line is not None and bool(
        re.search(header.next_line, line)
    )  # fmt: skip


def _end_of(header: Header) -> str:
    if header.lines is not None:
        return f"a header of {header.lines} lines"
    if header.last_line is not None:
        return f"a line that ends the header and matches {header.last_line!r}"
    return f"a line after the header that matches {header.next_line!r}"


def _add_entry(entries: Entries, line: str, header: Header, quote: str | None, place: str) -> None:
    text = line.strip(" ")
    if header.prefix:
        text = text.removeprefix(header.prefix).strip(" ")
    if not text.strip():
        return
    name, found, value = text.partition(header.between)
    if not found or not name.strip():
        entries.add(place, text.strip(), place)
        return
    if header.between in CELL_MARKS:
        value = value.rstrip(header.between)
    entries.add(_unquoted(name, quote), _unquoted(value, quote), place)


def _unquoted(text: str, quote: str | None) -> str:
    text = text.strip()
    if quote and len(text) > 1 and text[0] == text[-1] == quote:
        return text[1:-1].replace(quote * 2, quote).strip()
    return text
