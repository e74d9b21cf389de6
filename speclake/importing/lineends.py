"""Ends of lines and of text as old machines wrote them: carriage returns alone, a last Ctrl-Z."""

import codecs
import io
from typing import BinaryIO

_PIECE = 1 << 16
_CTRL_Z = "\x1a"


def before_ctrl_z(stream: BinaryIO, encoding: str) -> int:
    """Position of the Ctrl-Z that ends a text, or of its end."""
    end = stream.seek(0, io.SEEK_END)
    mark = _CTRL_Z.encode(encoding)
    stream.seek(max(0, end - len(mark)))
    return end - len(mark) if stream.read(len(mark)) == mark else end


def has_carriage_returns_alone(stream: BinaryIO, encoding: str) -> bool:
    """Whether carriage returns alone end the lines of a text, which has no line feed at all.

    One that nothing follows may be the half of a line end in a file that is still written.
    """
    decoder = codecs.getincrementaldecoder(encoding)("replace")
    is_followed, last = False, ""
    while content := stream.read(_PIECE):
        text = last + decoder.decode(content)
        if "\n" in text:
            return False
        is_followed = is_followed or "\r" in text.rstrip("\r" + _CTRL_Z)
        last = text[-1:]
    return is_followed


def as_lines(text: str) -> list[str]:
    """Lines of a text that is held whole, without their ends."""
    text = text.removesuffix(_CTRL_Z)
    if "\n" not in text and "\r" in text:
        return text.split("\r")
    return [line.removesuffix("\r") for line in text.split("\n")]
