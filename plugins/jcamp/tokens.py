"""Numbers in the data lines of JCAMP-DX, found byte by byte with NumPy: AFFN, PAC, SQZ, DIF, DUP.

The first character of a number says its form and may be its first digit and its sign at once
(McDonald and Wilks, Applied Spectroscopy 42 (1988) 151, section 5 and Table VII):

===========================  =======================================  ======================
form                         first character                          number
===========================  =======================================  ======================
AFFN, PAC                    ``+``, ``-``, a digit, a point           the ordinate
SQZ                          ``@ A..I a..i`` (0, 1..9, -1..-9)        the ordinate
DIF                          ``% J..R j..r`` (0, 1..9, -1..-9)        less the one before
DUP                          ``S..Z s`` (1..8, 9)                     times the one before
missing                      ``?``                                    none
===========================  =======================================  ======================
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from speclake_plugins.jcamp.content import LONGEST_LINE, LineTooLong, Sliceable, whole_lines
from speclake_plugins.jcamp.decimals import Integers, shortened, written

Bytes = npt.NDArray[np.uint8]
Positions = npt.NDArray[np.int64]

_BAD, _BLANK, _LINE, _MARK, AFFN, _SIGN, MISSING, SQZ, DIF, DUP = range(10)

CHUNK_BYTES = 1 << 18
_MOST_DIGITS = 18
_WORD = 8
_POWERS = 10 ** np.arange(_MOST_DIGITS + 1)


class Unreadable(Exception):
    """Data that cannot be read without guessing; `line` counts from 0 at the first data line."""

    def __init__(self, line: int, found: str, expected: str) -> None:
        super().__init__(line, found, expected)
        self.line, self.found, self.expected = line, found, expected


@dataclass(frozen=True, eq=False)
class Tokens:
    """Numbers of some lines in the order of the text; every array has shape (n tokens,).

    Parameters
    ----------
    form : AFFN, SQZ, DIF, DUP or MISSING.
    number : with its sign and without its point.
    decimals : how many of its digits stand behind the point.
    line : line it stands on, from 0.
    follows : whether it stands directly behind the one before it.
    letter : its first character.
    """

    form: Bytes
    number: Integers
    decimals: Positions
    line: Positions
    follows: npt.NDArray[np.bool_]
    letter: Bytes

    def __len__(self) -> int:
        return int(self.form.size)


def _tables() -> tuple[Bytes, Bytes, npt.NDArray[np.bool_]]:
    kind, digit = np.zeros(256, np.uint8), np.zeros(256, np.uint8)
    negative = np.zeros(256, np.bool_)
    families = (
        (_BLANK, b" \t\r", b""), (_LINE, b"\n", b""), (_MARK, b",;", b""),
        (AFFN, b"0123456789", b""), (SQZ, b"@ABCDEFGHI", b"abcdefghi"),
        (DIF, b"%JKLMNOPQR", b"jklmnopqr"), (MISSING, b"?", b""),
    )  # fmt: skip
    for family, plus, minus in families:
        for value, character in [*enumerate(plus), *enumerate(minus, start=1)]:
            kind[character], digit[character] = family, value
            negative[character] = character in minus
    for value, character in enumerate(b"STUVWXYZs", start=1):
        kind[character], digit[character] = DUP, value
    kind[ord(".")] = AFFN
    kind[[ord("+"), ord("-")]], negative[ord("-")] = _SIGN, True
    return kind, digit, negative


_KIND, _DIGIT, _NEGATIVE = _tables()
_KIND_OF = _KIND.tobytes()
_COMMENT = re.compile(rb"\$\$[^\n]*")
_SIGNED_POWER = re.compile(rb"[0-9.][Ee][+-][0-9]")
_ANY_POWER = re.compile(rb"[0-9.][Ee]")
_AFFN_TEXT = rb"[+-]?(?:\d+\.?\d*|\.\d+)"
_ONE_TOKEN = re.compile(_AFFN_TEXT + rb"(?:[Ee][+-]\d+)?|[@-Ia-i%J-Zj-s][\d.]*|\?")
_ONE_PAIRED = re.compile(_AFFN_TEXT + rb"(?:[Ee][+-]?\d+)?|\?")


def lines_in_chunks(content: Sliceable, start: int, stop: int) -> Iterator[tuple[int, bytes]]:
    """Whole lines of a part of a file, without comments, some at a time.

    Yields
    ------
    number of lines before these, and their bytes, which end in a line feed.

    Raises
    ------
    Unreadable
        A line is longer than any line of data.
    """
    lines_before = 0
    try:
        for _, whole in whole_lines(content, start, stop, CHUNK_BYTES):
            lines = _COMMENT.sub(b"", whole) if b"$$" in whole else whole
            yield lines_before, lines if lines.endswith(b"\n") else lines + b"\n"
            lines_before += whole.count(b"\n")
    except LineTooLong as error:
        raise Unreadable(
            lines_before, f"a line of more than {LONGEST_LINE} bytes", "lines of some 80 characters"
        ) from error


def tokens_of(lines: bytes, *, in_pairs: bool) -> Tokens:
    """Numbers of some whole lines.

    Parameters
    ----------
    lines : bytes that end in a line feed.
    in_pairs : of the form (XY..XY), where only AFFN may stand and ``E5`` is a power of ten; in
        (X++(Y..Y)) a power of ten needs its sign, since ``E5`` is the ordinate 55.

    Raises
    ------
    Unreadable
        A character or number has no place in data.
    """
    codes = np.frombuffer(lines, np.uint8)
    kind = np.frombuffer(lines.translate(_KIND_OF), np.uint8)
    has_powers = _has_powers(lines, in_pairs)
    _refuse_strange(codes, kind, in_pairs, has_powers)
    if has_powers:
        return _one_by_one(lines, in_pairs)
    begin, end = _bounds(kind)
    line_ends = np.searchsorted(begin, np.flatnonzero(kind == _LINE))
    line = np.repeat(np.arange(line_ends.size), np.diff(line_ends, prepend=0))
    letter = codes[begin]
    form = kind[begin]
    pointed, decimals = _points(codes, begin, end, line)
    digits = end - begin + (form != _SIGN)
    digits[pointed] -= 1
    if (digits < 1).any():
        place = line[digits < 1][0]
        raise Unreadable(int(place), "a sign or a point without a digit", "a number")
    if digits.size and int(digits.max()) > _MOST_DIGITS:
        return _one_by_one(lines, in_pairs)
    number = _numbers(lines, begin, end, pointed, decimals)
    form[form == _SIGN] = AFFN
    follows = np.zeros(begin.size, np.bool_)
    follows[1:] = begin[1:] == end[:-1] + 1
    return Tokens(form, number, decimals, line, follows, letter)


def _has_powers(lines: bytes, in_pairs: bool) -> bool:
    # the plain searches are many times faster than the expression, and mostly find nothing
    if in_pairs:
        return (b"E" in lines or b"e" in lines) and _ANY_POWER.search(lines) is not None
    signed = any(
        letter in lines and (letter + b"+" in lines or letter + b"-" in lines)
        for letter in (b"E", b"e")
    )
    return signed and _SIGNED_POWER.search(lines) is not None


def _refuse_strange(codes: Bytes, kind: Bytes, in_pairs: bool, has_powers: bool) -> None:
    strange = kind == _BAD
    if in_pairs:
        of_power = (codes == ord("E")) | (codes == ord("e"))
        strange |= (kind >= SQZ) & ~(has_powers & of_power)
    else:
        # a comma is a separator where a blank follows; elsewhere it may be a decimal sign
        strange[:-1] |= (kind[:-1] == _MARK) & (kind[1:] != _BLANK) & (kind[1:] != _LINE)
    if strange.any():
        place = int(np.flatnonzero(strange)[0])
        expected = "numbers with a decimal point, parted by blanks" if kind[place] == _MARK else (
            "pairs of plain numbers" if in_pairs else "ordinates in AFFN, PAC, SQZ, DIF or DUP form"
        )  # fmt: skip
        line = int(np.count_nonzero(kind[:place] == _LINE))
        raise Unreadable(line, f"the character {chr(codes[place])!r}", expected)


def _bounds(kind: Bytes) -> tuple[Positions, Positions]:
    leads = kind >= _SIGN
    inside = kind >= AFFN
    carried_on = inside & (kind != MISSING)
    begins = leads.copy()
    begins[0] |= inside[0]
    begins[1:] |= inside[1:] & ~carried_on[:-1]
    ends = inside.copy()
    ends[:-1] &= ~inside[1:] | begins[1:]
    return np.flatnonzero(begins), np.flatnonzero(ends)


def _points(
    codes: Bytes, begin: Positions, end: Positions, line: Positions
) -> tuple[Positions, Positions]:
    """Which numbers have a point, and how many digits of every number stand behind one."""
    decimals = np.zeros(begin.size, np.int64)
    points = np.flatnonzero(codes == 46)
    pointed = np.searchsorted(begin, points, side="right") - 1
    twice = np.flatnonzero(pointed[1:] == pointed[:-1])
    if twice.size:
        raise Unreadable(
            int(line[pointed[twice[0]]]), "a number with two points", "one decimal point"
        )
    decimals[pointed] = end[pointed] - points
    return pointed, decimals


def _numbers(
    lines: bytes, begin: Positions, end: Positions, pointed: Positions, decimals: Positions
) -> Integers:
    """Every number without its point, of its first character the digit that it stands for."""
    letter = np.frombuffer(lines, np.uint8)[begin]
    words = np.ndarray((len(lines),), "<u8", lines + bytes(_WORD), 0, (1,))
    stop = end + 1
    stop[pointed] -= decimals[pointed] + 1
    length = np.maximum(stop - begin - 1, 0)
    number: Integers = _of_digits(words, begin + 1, length) + _POWERS[length] * _DIGIT[letter]
    if pointed.size:
        places = decimals[pointed]
        behind = _of_digits(words, end[pointed] + 1 - places, places)
        number[pointed] = number[pointed] * _POWERS[places] + behind
    number[_NEGATIVE[letter]] *= -1
    return number


def _of_digits(
    words: npt.NDArray[np.uint64], begin: Positions, length: Positions
) -> npt.NDArray[np.int64]:
    """Numbers of the digits from these places on, 0 where there is none.

    The last eight bytes are one word, its low byte first: what stands behind the digits is shifted
    out, then neighbours are joined three times, to two digits, four and eight.
    """
    last = np.minimum(length, _WORD)
    word = words[begin + (length - last)].astype(np.uint64)
    # a word without a digit is shifted out as a whole
    word <<= ((_WORD - last) * 8).astype(np.uint64)
    for mask, factor, shift in (
        (0x0F0F0F0F0F0F0F0F, 10 * 2**8 + 1, 8),
        (0x00FF00FF00FF00FF, 100 * 2**16 + 1, 16),
        (0x0000FFFF0000FFFF, 10_000 * 2**32 + 1, 32),
    ):
        word = ((word & np.uint64(mask)) * np.uint64(factor)) >> np.uint64(shift)
    number: npt.NDArray[np.int64] = word.view(np.int64)
    longer = np.flatnonzero(length > _WORD)
    if longer.size:
        leading = _of_digits(words, begin[longer], length[longer] - _WORD)
        number[longer] += leading * 10**_WORD
    return number


def _one_by_one(lines: bytes, in_pairs: bool) -> Tokens:
    """Tokens with powers of ten or very many digits, as Python's whole numbers."""
    one = _ONE_PAIRED if in_pairs else _ONE_TOKEN
    rows: list[tuple[int, int, int, int, bool, int]] = []
    for line, text in enumerate(lines.split(b"\n")):
        place = end = 0
        while place < len(text):
            if _KIND_OF[text[place]] in (_BLANK, _MARK):
                place += 1
                continue
            match = one.match(text, place)
            if not match:
                found = shortened(text[place:].decode("ascii", "backslashreplace"))
                raise Unreadable(line, found, "a number")
            follows = place == end and place > 0
            rows.append((*_parsed(match[0], line), line, follows, text[place]))
            place = end = match.end()
    columns = list(zip(*rows, strict=True)) or [()] * 6
    types = (np.uint8, object, np.int64, np.int64, np.bool_, np.uint8)
    return Tokens(*(np.array(each, type_) for each, type_ in zip(columns, types, strict=True)))


def _parsed(token: bytes, line: int) -> tuple[int, Any, int]:
    letter = token[0]
    form = _KIND_OF[letter]
    if form == MISSING:
        return form, 0, 0
    if form in (SQZ, DIF, DUP):
        sign = "-" if _NEGATIVE[letter] else ""
        token = f"{sign}{_DIGIT[letter]}".encode() + token[1:]
    try:
        number = written(token.decode("ascii"))
    except ValueError as error:
        raise Unreadable(line, str(error), "a number") from error
    form = AFFN if form == _SIGN else form
    if number.exponent > 0:
        return form, number.mantissa * 10**number.exponent, 0
    return form, number.mantissa, -number.exponent
