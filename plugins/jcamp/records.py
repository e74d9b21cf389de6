"""Labelled data records and blocks of a JCAMP-DX file.

A record is ``##LABEL= value`` and lasts to the next one. A block is ``##TITLE=`` to ``##END=``; a
block of data type LINK holds other blocks. Labels are compared without regard to case, blanks,
dashes, slashes and underscores, and kept as written (McDonald and Wilks 1988, section 3).
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise

from speclake_plugins.jcamp.decimals import shortened

from speclake.errors import MalformedFile
from speclake.writing.texts import compared

DATA_LABELS = frozenset(
    {"XYDATA", "XYPOINTS", "PEAKTABLE", "PEAKASSIGNMENTS", "RADATA", "DATATABLE", "XYZDATA"}
)
DEEPEST_NESTING = 8
_BLANKS = b" \t\r\x1a"
_PADDING = b"\x1a\x00"


@dataclass(frozen=True)
class Record:
    """One labelled record.

    Parameters
    ----------
    label : as written.
    key : for comparison.
    line : line of the file it begins on, from 1.
    start, stop : where in the file its value stands.
    """

    label: str
    key: str
    line: int
    start: int
    stop: int


@dataclass
class Block:
    """Records from ``##TITLE=`` to ``##END=``.

    Parameters
    ----------
    parent : the block of data type LINK around it.
    records : in file order, without ``##END=``.
    children : blocks in it.
    is_link : whether it is of data type LINK and may hold blocks.
    is_closed : whether ``##END=`` was there.
    """

    parent: "Block | None" = None
    records: list[Record] = field(default_factory=list)
    children: list["Block"] = field(default_factory=list)
    is_link: bool = False
    is_closed: bool = False

    def around(self) -> list["Block"]:
        """Blocks around this one, the outermost first."""
        outer: list[Block] = []
        block = self.parent
        while block:
            outer.insert(0, block)
            block = block.parent
        return outer


class Document:
    """A JCAMP-DX file taken apart into blocks, the data still unread.

    Parameters
    ----------
    name : for messages.
    content : bytes of the file.
    encoding : of its texts; without one, bytes beyond ASCII are read as UTF-8 where a record's are
        valid UTF-8, and written as escapes where they are not.

    Raises
    ------
    speclake.errors.MalformedFile
        The file is not made of records and blocks.
    """

    def __init__(self, name: str, content: bytes, encoding: str | None = None) -> None:
        self.name, self.encoding = name, encoding
        self.notes: list[str] = []
        self.content = self._without_wrapping(content)
        self.blocks = self._blocks()

    def refusal(self, line: int | None, found: str, expected: str) -> MalformedFile:
        """Error that names this file and a line of it."""
        place = f"line {line}" if line else "end of file"
        return MalformedFile(self.name, place, found, expected)

    def text(self, record: Record) -> str:
        """Value of a record as written, of a data record its first line."""
        stop = record.stop
        if record.key in DATA_LABELS:
            stop = self._line_end(record.start, stop)
        return self._decoded(self.content[record.start : stop]).strip()

    def value(self, record: Record) -> str:
        """Value of a record without its comments."""
        return re.sub(r"\$\$[^\n]*", "", self.text(record)).strip()

    def data_start(self, record: Record) -> int:
        """Where the data lines of a record begin."""
        return min(self._line_end(record.start, record.stop) + 1, record.stop)

    def leaves(self) -> list[Block]:
        """Blocks that hold no blocks, in file order."""
        found, waiting = [], list(reversed(self.blocks))
        while waiting:
            block = waiting.pop()
            waiting += reversed(block.children)
            if not block.children:
                found.append(block)
        return found

    def _without_wrapping(self, content: bytes) -> bytes:
        if content.startswith(b"\xef\xbb\xbf"):
            self.notes.append("a UTF-8 byte order mark in front is set aside")
            content = content[3:]
        bare = len(content.rstrip(_PADDING + b" \t\r\n"))
        padding = [content.find(byte, bare) for byte in (b"\x1a", b"\x00")]
        if max(padding) >= 0:
            self.notes.append("Ctrl-Z or zero bytes behind the end are set aside")
            content = content[: min(place for place in padding if place >= 0)]
        # only files of very old machines end their lines with a carriage return alone
        return content if b"\n" in content else content.replace(b"\r", b"\n")

    def _line_end(self, start: int, stop: int) -> int:
        end = self.content.find(b"\n", start, stop)
        return stop if end < 0 else end

    def _decoded(self, text: bytes) -> str:
        try:
            return text.decode(self.encoding or "utf-8").replace("\r\n", "\n")
        except UnicodeDecodeError:
            return text.decode("ascii", "backslashreplace").replace("\r\n", "\n")

    def _records(self) -> Iterator[Record]:
        content = self.content
        starts = list(self._record_starts())
        self._refuse_text(0, starts[0] if starts else len(content), 1, "##TITLE= first")
        line, counted = 1, 0
        for start, following in pairwise([*starts, len(content)]):
            line += content.count(b"\n", counted, start)
            counted = start
            line_end = self._line_end(start, following)
            equals = content.find(b"=", start, line_end)
            if equals < 0:
                raise self.refusal(
                    line, self._quoted(start, line_end), "a record of the form ##LABEL= value"
                )
            label = self._decoded(content[start + 2 : equals]).strip()
            yield Record(label, compared(label), line, equals + 1, following)

    def _record_starts(self) -> Iterator[int]:
        content, place = self.content, self.content.find(b"##")
        while place >= 0:
            before = place - 1
            while before >= 0 and content[before] in _BLANKS:
                before -= 1
            if before < 0 or content[before] == 10:
                yield place
            place = content.find(b"##", place + 2)

    def _blocks(self) -> list[Block]:
        roots: list[Block] = []
        block: Block | None = None
        for record in self._records():
            if record.key == "TITLE":
                block = self._opened(block, record, roots)
            elif block is None:
                raise self.refusal(record.line, f"##{record.label}=", "##TITLE= to begin a block")
            elif record.key == "END":
                end = self._line_end(record.start, record.stop)
                self._refuse_text(end, record.stop, record.line, "##TITLE= or the end of the file")
                block.is_closed = True
                block = block.parent
            else:
                block.records.append(record)
                if record.key == "DATATYPE":
                    block.is_link |= "LINK" in self.value(record).upper()
        if not roots:
            raise self.refusal(None, "no record", "##TITLE= to begin a block")
        return roots

    def _opened(self, outer: Block | None, title: Record, roots: list[Block]) -> Block:
        # a block that holds no blocks and meets another one lacks its ##END=
        if outer is not None and not outer.is_link:
            outer = outer.parent
        opened = Block(outer, [title])
        if len(opened.around()) > DEEPEST_NESTING:
            raise self.refusal(
                title.line, "blocks in blocks in blocks", f"at most {DEEPEST_NESTING} levels"
            )
        (outer.children if outer else roots).append(opened)
        return opened

    def _refuse_text(self, start: int, stop: int, line: int, expected: str) -> None:
        text = re.sub(rb"\$\$[^\n]*", b"", self.content[start:stop]).strip(b" \t\r\n\x1a\x00")
        if text:
            at = self.content.find(text[:1], start)
            line += self.content.count(b"\n", start, at)
            raise self.refusal(line, self._quoted(at, self._line_end(at, stop)), expected)

    def _quoted(self, start: int, stop: int) -> str:
        return shortened(self._decoded(self.content[start : min(stop, start + 200)]).strip())
