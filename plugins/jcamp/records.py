"""Labelled data records and blocks of a JCAMP-DX file.

A record is ``##LABEL= value`` and lasts to the next one. A block is ``##TITLE=`` to ``##END=``; a
block of data type LINK holds other blocks. Labels are compared without regard to case, blanks,
dashes, slashes and underscores, and kept as written (McDonald and Wilks 1988, section 3).
"""

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from speclake_plugins.jcamp.content import LONGEST_LINE, Content, LineTooLong, whole_lines
from speclake_plugins.jcamp.decimals import shortened

from speclake.errors import MalformedFile
from speclake.writing.texts import compared

DATA_LABELS = frozenset(
    {"XYDATA", "XYPOINTS", "PEAKTABLE", "PEAKASSIGNMENTS", "RADATA", "DATATABLE", "XYZDATA"}
)
DEEPEST_NESTING = 8
MOST_BLOCKS = 500_000
MOST_RECORDS = 100_000
LONGEST_TEXT = 1 << 24
_CHUNK_BYTES = 1 << 18
_MOST_NAMES = 1000
_MOST_KEPT = 5000
_BLANKS = b" \t\r\x1a"


class Record(NamedTuple):
    """One labelled record.

    Parameters
    ----------
    label : as written.
    key : for comparison.
    line : line of the file it begins on, from 1.
    begin : where in the file it begins.
    start, stop : where its value stands.
    """

    label: str
    key: str
    line: int
    begin: int
    start: int
    stop: int


@dataclass(slots=True)
class Block:
    """Records from ``##TITLE=`` to ``##END=``.

    Parameters
    ----------
    start, line : where in the file it begins, and on which line.
    parent : the block of data type LINK around it.
    records : in file order, without ``##END=``; of a long file only those of LINK blocks are kept,
        and `Document.read` gives those of the others.
    children : blocks in it.
    is_link : whether it is of data type LINK and may hold blocks.
    is_closed : whether ``##END=`` was there.
    stop : where the next record behind it begins, or the end of the file.
    meaning : what it is, in words, where it holds no spectrum of ours.
    """

    start: int
    line: int
    parent: "Block | None" = None
    records: list[Record] = field(default_factory=list)
    children: list["Block"] = field(default_factory=list)
    is_link: bool = False
    is_closed: bool = False
    stop: int = 0
    meaning: str | None = None

    def around(self) -> list["Block"]:
        """Blocks around this one, the outermost first."""
        outer: list[Block] = []
        block = self.parent
        while block:
            outer.insert(0, block)
            block = block.parent
        return outer


class Document:
    """A JCAMP-DX file taken apart into blocks, of which only the places are kept.

    Parameters
    ----------
    name : for messages.
    content : bytes of the file.
    meaning : says what a block is, in words, where it holds no spectrum of ours.
    encoding : of its texts; without one, bytes beyond ASCII are read as UTF-8 where a record's are
        valid UTF-8, and written as escapes where they are not.

    Raises
    ------
    speclake.errors.MalformedFile
        The file is not made of records and blocks.
    """

    def __init__(
        self,
        name: str,
        content: Content,
        meaning: Callable[["Document", Block], str | None],
        encoding: str | None = None,
    ) -> None:
        self.name, self.content, self.encoding = name, content, encoding
        self.notes = [*content.notes]
        self._meaning = meaning
        self._count = self._kept = 0
        self._names: dict[bytes, tuple[str, str]] = {}
        self.blocks = self._blocks()

    def refusal(self, line: int | None, found: str, expected: str) -> MalformedFile:
        """Error that names this file and a line of it."""
        place = f"line {line}" if line else "end of file"
        return MalformedFile(self.name, place, found, expected)

    def text(self, record: Record) -> str:
        """Value of a record as written, of a data record its first line."""
        stop = record.stop
        if record.key in DATA_LABELS:
            stop = self.content.line_end(record.start, stop)
        if stop - record.start > LONGEST_TEXT:
            raise self.refusal(
                record.line,
                f"{stop - record.start} bytes of ##{record.label}=",
                f"at most {LONGEST_TEXT} in one record of a header",
            )
        return self._decoded(self.content[record.start : stop]).strip()

    def value(self, record: Record) -> str:
        """Value of a record without its comments."""
        text = self.text(record)
        return re.sub(r"\$\$[^\n]*", "", text).strip() if "$$" in text else text

    def data_start(self, record: Record) -> int:
        """Where the data lines of a record begin."""
        return min(self.content.line_end(record.start, record.stop) + 1, record.stop)

    def leaves(self) -> list[Block]:
        """Blocks that hold no blocks, in file order."""
        found, waiting = [], list(reversed(self.blocks))
        while waiting:
            block = waiting.pop()
            waiting += reversed(block.children)
            if not block.children:
                found.append(block)
        return found

    def read(self, block: Block) -> Block:
        """The block with its records."""
        if block.records:
            return block
        records = self._records(block.start, block.stop, block.line)
        return replace(block, records=[each for each in records if each.key != "END"])

    def _decoded(self, text: bytes) -> str:
        try:
            return text.decode(self.encoding or "utf-8").replace("\r\n", "\n")
        except UnicodeDecodeError:
            return text.decode("ascii", "backslashreplace").replace("\r\n", "\n")

    def _records(self, start: int, stop: int, line: int) -> Iterator[Record]:
        """Records of a part of the file that begins on this line."""
        before: tuple[int, int, bytes] | None = None
        for found in self._record_lines(start, stop, line):
            if before is None:
                self._refuse_text(start, found[0], line, "##TITLE= first")
            else:
                yield self._record(*before, found[0])
            before = found
        if before is None:
            self._refuse_text(start, stop, line, "##TITLE= first")
        else:
            yield self._record(*before, stop)

    def _record(self, begin: int, line: int, text: bytes, stop: int) -> Record:
        label, equals, _ = text.partition(b"=")
        if not equals:
            raise self.refusal(line, self._quoted(text), "a record of the form ##LABEL= value")
        name, key = self._names.get(label, ("", ""))
        if not name:
            name = self._decoded(label[2:]).strip()
            key = compared(name)
            if len(self._names) < _MOST_NAMES:
                self._names[label] = name, key
        return Record(name, key, line, begin, begin + len(label) + 1, stop)

    def _record_lines(self, start: int, stop: int, line: int) -> Iterator[tuple[int, int, bytes]]:
        """Place, number and text of every line that begins a record, from its ``##`` on."""
        for at, lines in self._lines(start, stop, line):
            counted, place = 0, lines.find(b"##")
            while place >= 0:
                end = lines.find(b"\n", place)
                end = len(lines) if end < 0 else end
                if not lines[lines.rfind(b"\n", 0, place) + 1 : place].strip(_BLANKS):
                    line += lines.count(b"\n", counted, place)
                    counted = place
                    yield at + place, line, lines[place:end]
                place = lines.find(b"##", end)
            line += lines.count(b"\n", counted)

    def _lines(self, start: int, stop: int, line: int) -> Iterator[tuple[int, bytes]]:
        try:
            for at, lines in whole_lines(self.content, start, stop, _CHUNK_BYTES):
                yield at, lines
                line += lines.count(b"\n")
        except LineTooLong as error:
            found, expected = f"more than {LONGEST_LINE} bytes", "lines of some 80 characters"
            raise self.refusal(line, found, expected) from error

    def _blocks(self) -> list[Block]:
        roots: list[Block] = []
        block: Block | None = None
        for record in self._records(0, self.content.size, 1):
            if record.key == "TITLE":
                block = self._opened(block, record, roots)
            elif block is None:
                raise self.refusal(record.line, f"##{record.label}=", "##TITLE= to begin a block")
            elif record.key == "END":
                end = self.content.line_end(record.start, record.stop)
                self._refuse_text(end, record.stop, record.line, "##TITLE= or the end of the file")
                block.is_closed = True
                block = self._finished(block, record.stop)
            else:
                self._add(block, record)
        while block:
            block = self._finished(block, self.content.size)
        if not roots:
            raise self.refusal(None, "no record", "##TITLE= to begin a block")
        return roots

    def _add(self, block: Block, record: Record) -> None:
        if len(block.records) >= MOST_RECORDS:
            raise self.refusal(record.line, "one record more", f"at most {MOST_RECORDS} in a block")
        block.records.append(record)
        if record.key == "DATATYPE":
            block.is_link |= "LINK" in self.value(record).upper()

    def _opened(self, outer: Block | None, title: Record, roots: list[Block]) -> Block:
        # a block that holds no blocks and meets another one lacks its ##END=
        if outer is not None and not outer.is_link:
            outer = self._finished(outer, title.begin)
        opened = Block(title.begin, title.line, outer, [title])
        self._count += 1
        if len(opened.around()) > DEEPEST_NESTING:
            raise self.refusal(
                title.line, "blocks in blocks in blocks", f"at most {DEEPEST_NESTING} levels"
            )
        if self._count > MOST_BLOCKS:
            raise self.refusal(title.line, "one block more", f"at most {MOST_BLOCKS} in a file")
        (outer.children if outer else roots).append(opened)
        return opened

    def _finished(self, block: Block, stop: int) -> Block | None:
        """The block around one of which now all is known."""
        block.stop = stop
        if not block.is_link:
            block.meaning = self._meaning(self, block)
            self._kept += len(block.records)
            if self._kept > _MOST_KEPT:
                block.records = []
        return block.parent

    def _refuse_text(self, start: int, stop: int, line: int, expected: str) -> None:
        for _, lines in self._lines(start, stop, line):
            for number, text in enumerate(lines.split(b"\n"), start=line):
                if re.sub(rb"\$\$.*", b"", text).strip(b" \t\r\n\x1a\x00"):
                    raise self.refusal(number, self._quoted(text), expected)
            line += lines.count(b"\n")

    def _quoted(self, text: bytes) -> str:
        return shortened(self._decoded(text[:200]).strip())
