"""Encoding of an unknown export: proven by its bytes, or asked for with what speaks for each."""

import re
import unicodedata
from dataclasses import dataclass

from speclake.importing.text import byte_order_mark
from speclake.importing.words import find_words, keys_of

WITHOUT_MARK = ("cp1252", "cp1250", "cp1251", "cp932", "gb18030", "latin-1")
"""Encodings that are tried where the bytes prove none; of equals the first is taken."""


@dataclass(frozen=True)
class Encoding:
    """Encoding of a file, why, and whether the file proves it."""

    name: str
    text: str
    why: str
    is_proven: bool
    others: tuple[str, ...] = ()
    """Encodings in which the bytes make sense too."""


def find_encoding(content: bytes, declared: str | None = None) -> Encoding:
    """Encoding by byte-order mark, by zero bytes, by being UTF-8, or the likeliest of the others.

    Parameters
    ----------
    declared : encoding that somebody has said; it is taken where it fits.
    """
    length, marked = byte_order_mark(content)
    rest = content[length:]
    if marked and (text := _decoded(rest, marked)) is not None:
        return Encoding(marked, text, "its byte-order mark", is_proven=True)
    if declared and (text := _decoded(rest, declared)) is not None:
        return Encoding(declared, text, "as answered", is_proven=True)
    if wide := _wide(rest):
        return wide
    if (text := _decoded(rest, "utf-8")) is not None:
        why = "all bytes are ASCII" if rest.isascii() else "all bytes are valid UTF-8"
        return Encoding("utf-8", text, why, is_proven=True)
    return _likeliest(rest)


def _decoded(content: bytes, encoding: str) -> str | None:
    try:
        return content.decode(encoding)
    except (UnicodeDecodeError, LookupError):
        return None


def _wide(content: bytes) -> Encoding | None:
    """UTF-16 without a mark: of ASCII characters, every second byte is zero."""
    half = len(content) // 2
    if half == 0:
        return None
    for name, zeros in (("utf-16-le", content[1::2]), ("utf-16-be", content[::2])):
        text = _decoded(content, name)
        if text is not None and zeros.count(0) > 0.7 * half and "\x00" not in text:
            return Encoding(name, text, "every second byte is zero", is_proven=True)
    return None


def _likeliest(content: bytes) -> Encoding:
    fitting = [(name, text) for name in WITHOUT_MARK if (text := _decoded(content, name))]
    name, text = max(fitting, key=lambda each: _sense(each[1]))
    hits = _known_words(text)
    known = f"; in {name} it holds the word {hits[0]!r}" if hits else ""
    names = [each for each, _ in fitting]
    why = f"it is not UTF-8; as {' and as '.join(names)} it decodes, and bytes cannot tell which"
    return Encoding(name, text, why + known, is_proven=False, others=tuple(names))


def _sense(text: str) -> int:
    """How much speaks for a text: known words for it, signs that no header has against it."""
    odd = sum(not _is_usual(c) for c in text if not c.isascii())
    return 10 * len(_known_words(text)) - odd


def _known_words(text: str) -> list[str]:
    """Words with letters beyond ASCII that headers are known to have."""
    lines = [line for line in text.split("\n")[:200] if not line.isascii()]
    found = []
    for table in ("fields", "quantities", "axes"):
        for key in keys_of(table):
            matches = ((line, find_words(line, table, key)) for line in lines)
            words = (line[slice(*match.span())] for line, match in matches if match)
            found += [word for word in words if not word.isascii()]
    return found


def _is_usual(character: str) -> bool:
    """Whether a character is a letter of a common script, or a sign that units and names use."""
    if character in "°µ²³±·×–—’«»€§":
        return True
    if unicodedata.category(character) not in ("Lu", "Ll", "Lo", "Lm", "Nd", "Pe", "Ps", "Po"):
        return False
    # half-width kana are what other encodings look like when they are read as cp932
    return not re.match(r"[\uff61-\uff9f\u02b0-\u036f]|[ªºþÞðÐ¿¡¶]", character)
