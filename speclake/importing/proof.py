"""Encoding and decimal sign of an export where its format leaves both to the file to prove.

A proof is a fact of the bytes that only one reading fits. Where there is none the file is refused,
and the readings that it leaves open are named.
"""

import codecs
import re
from dataclasses import dataclass
from typing import BinaryIO

from speclake.errors import MalformedFile
from speclake.importing.table import TablePlace, cells_of_row
from speclake.importing.text import PIECE, byte_order_mark, shown
from speclake.importing.textrules import DecimalSign, Text

OTHER_ENCODINGS = ("cp1252", "cp932", "gb18030")
"""Encodings that a refusal names where the bytes would fit them."""

_NOT_OF_TEXT = re.compile(rb"[\x00\x1b]")
"""Bytes that are ASCII but tell of UTF-16 or of an encoding that shifts by escapes."""


def prove_encoding(stream: BinaryIO, file: str) -> tuple[str, str]:
    """Encoding of an export and the reading note that tells the evidence.

    Evidence is a byte-order mark, bytes that are ASCII throughout, or characters beyond ASCII
    whose bytes all follow the rules of UTF-8, which text in another encoding hardly ever does.

    Raises
    ------
    speclake.errors.MalformedFile
        The bytes prove no encoding.
    """
    _, marked = byte_order_mark(stream.read(4))
    stream.seek(0)
    if marked is not None:
        return marked, f"encoding {marked}, proven by its byte-order mark"
    decoder = codecs.getincrementaldecoder("utf-8")()
    line, beyond = 1, 0
    content = b" "
    while content:
        content = stream.read(PIECE)
        if odd := _NOT_OF_TEXT.search(content):
            found = f"the byte 0x{odd[0][0]:02x}"
            line += content.count(b"\n", 0, odd.start())
            raise MalformedFile(file, f"line {line}", found, "text that proves its encoding")
        try:
            # a character that the end of the file cuts is left to the reader, which knows
            # whether the file may yet grow
            text = decoder.decode(content)
        except UnicodeDecodeError as error:
            line += error.object.count(b"\n", 0, error.start)
            raise _unproven(stream, error, f"line {line}", file) from error
        line += text.count("\n")
        beyond += 0 if text.isascii() else len(text) - len(text.encode("ascii", "ignore"))
    stream.seek(0)
    if not beyond:
        return "utf-8", "encoding proven by its bytes: all are ASCII"
    characters = "1 character" if beyond == 1 else f"{beyond} characters"
    return "utf-8", f"encoding utf-8, proven by the bytes of {characters} beyond ASCII"


def _unproven(stream: BinaryIO, error: UnicodeDecodeError, place: str, file: str) -> MalformedFile:
    fitting = []
    for name in OTHER_ENCODINGS:
        stream.seek(0)
        decoder = codecs.getincrementaldecoder(name)()
        try:
            while content := stream.read(PIECE):
                decoder.decode(content)
            decoder.decode(b"", final=True)
        except UnicodeDecodeError:
            continue
        fitting.append(name)
    found = f"the byte 0x{error.object[error.start]:02x}, which is no UTF-8"
    if fitting:
        found += f"; the bytes fit {' and '.join(fitting)}"
    return MalformedFile(file, place, found, "an encoding declared in the format")


@dataclass(frozen=True)
class Proof:
    """A decimal sign, None where no number has one, and the reading note that tells the proof."""

    sign: DecimalSign | None
    note: str


_SIGNED = re.compile(r"[+-]?([0-9]*)([.,])([0-9]*)(?:[eE][+-]?[0-9]+)?")


def prove_decimal_sign(text: str, rules: Text, place: TablePlace) -> Proof:
    """Decimal sign of the rows of a table, proven by a number that can be read in one way only.

    A sign between one to three digits and three digits may part thousands, unless the first digit
    is a zero. Any other number with one sign proves it, since cells in which the other sign
    stands are then refused as no numbers. Whole numbers are the same in both readings.

    Raises
    ------
    speclake.errors.MalformedFile
        Every number with a sign can be read in two ways, or the delimiter could be the sign.
    """
    doubt: tuple[int, str, DecimalSign] | None = None
    for row, line in enumerate(text.split("\n")[:-1]):
        for cell in cells_of_row(line.removesuffix("\r"), rules, place, row):
            match = _SIGNED.fullmatch(cell)
            if match is None or cell in rules.missing or not (match[1] or match[3]):
                continue
            sign: DecimalSign = "," if match[2] == "," else "."
            if len(match[3]) != 3 or not 1 <= len(match[1]) <= 3 or match[1].startswith("0"):
                word = {".": "point", ",": "comma"}[sign]
                return Proof(sign, f"decimal {word}, proven by {cell!r} in {place.line(row)}")
            doubt = doubt or (row, cell, sign)
    if doubt is not None:
        row, cell, its_sign = doubt
        found = f"{cell!r}, which is {cell.replace(its_sign, '.')} or {cell.replace(its_sign, '')}"
        place.refuse(row, found, "a decimal_sign declared in the format, or numbers that prove it")
    first = text.partition("\n")[0].removesuffix("\r")
    if rules.separator.strip(" ") == "," and first.count(",") > 1:
        found = f"{shown(first)}, in which each comma could be a decimal sign"
        place.refuse(0, found, "a decimal_sign declared in the format, or numbers that prove it")
    return Proof(None, "decimal sign proven by the numbers: all are whole")
