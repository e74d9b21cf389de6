"""Bytes of a JCAMP-DX file, read piece by piece, without what stands around its records."""

from collections.abc import Iterator
from typing import BinaryIO, Protocol

LONGEST_LINE = 1 << 20
_WINDOW = 1 << 19
_BYTE_ORDER_MARK = b"\xef\xbb\xbf"
_PADDING = b"\x1a\x00"


class Sliceable(Protocol):
    """Bytes that are asked for by their place."""

    def __getitem__(self, part: slice, /) -> bytes: ...


class LineTooLong(Exception):
    """A line longer than any line of such a file; it begins at `start`."""

    def __init__(self, start: int) -> None:
        super().__init__(start)
        self.start = start


class Content:
    """Bytes from the first record on, as far as the padding of old systems behind the end.

    Only a window of the file is held at a time.

    Parameters
    ----------
    stream, size : the file and its length.
    """

    def __init__(self, stream: BinaryIO, size: int) -> None:
        self._stream = stream
        self._window, self._window_start = b"", 0
        self._first, self.size = 0, size
        self._has_line_feeds = True
        self.notes: list[str] = []
        self._set_mark_aside()
        self._set_padding_aside()
        # only files of very old machines end their lines with a carriage return alone
        starts = range(0, self.size, _WINDOW)
        self._has_line_feeds = any(b"\n" in self[start : start + _WINDOW] for start in starts)
        self._window = b""

    def __getitem__(self, part: slice) -> bytes:
        start, stop, _ = part.indices(self.size)
        at = start - self._window_start
        if at < 0 or stop - self._window_start > len(self._window):
            self._stream.seek(self._first + start)
            found = self._stream.read(min(max(stop - start, _WINDOW), self.size - start))
            self._window = found if self._has_line_feeds else found.replace(b"\r", b"\n")
            self._window_start, at = start, 0
        return self._window[at : at + max(stop - start, 0)]

    def line_end(self, start: int, stop: int) -> int:
        """Where the line that holds a place ends, or `stop`."""
        for at in range(start, stop, 4096):
            end = self[at : min(at + 4096, stop)].find(b"\n")
            if end >= 0:
                return at + end
        return stop

    def _set_mark_aside(self) -> None:
        if self[:3] == _BYTE_ORDER_MARK:
            self.notes.append("a UTF-8 byte order mark in front is set aside")
            self._first, self.size = 3, self.size - 3
            self._window = b""

    def _set_padding_aside(self) -> None:
        bare, cut = self.size, None
        while bare:
            start = max(bare - _WINDOW, 0)
            piece = self[start:bare]
            kept = len(piece.rstrip(_PADDING + b" \t\r\n"))
            places = [
                at for at in (piece.find(bytes([sign]), kept) for sign in _PADDING) if at >= 0
            ]
            cut = start + min(places) if places else cut
            bare = start + kept
            if kept:
                break
        if cut is not None:
            self.notes.append("Ctrl-Z or zero bytes behind the end are set aside")
            self.size = cut


def whole_lines(
    content: Sliceable, start: int, stop: int, most_bytes: int
) -> Iterator[tuple[int, bytes]]:
    """Where they begin, and whole lines of a part of a file, some at a time.

    Raises
    ------
    LineTooLong
        A line is longer than `LONGEST_LINE`, and than `most_bytes`.
    """
    while start < stop:
        for most in (most_bytes, max(LONGEST_LINE, most_bytes)):
            lines = content[start : min(start + most, stop)]
            end = lines.rfind(b"\n") + 1
            if end or start + len(lines) >= stop:
                break
        else:
            raise LineTooLong(start)
        lines = lines[:end] if end else lines
        yield start, lines
        start += len(lines)
