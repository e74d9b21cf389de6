"""Damaged relatives of a file: cut short, changed, inflated."""

import random
import re
from collections.abc import Iterator

_EVERY_BYTE_UP_TO = 20_000
_LAST_BYTES = 2_000
_FIRST_BYTES = 500
_SPREAD = 1_000


def cut_places(length: int) -> list[int]:
    """Numbers of bytes after which a file of this length is cut short, ascending.

    Every one for a file of up to 20,000 bytes. Of a longer one: the first 500, each of the last
    2,000, and 1,000 spread evenly over all.
    """
    if length <= _EVERY_BYTE_UP_TO:
        return list(range(length))
    ends = {*range(_FIRST_BYTES), *range(length - _LAST_BYTES, length)}
    return sorted(ends | {length * i // _SPREAD for i in range(_SPREAD)})


_NUMBERS = (
    b"1e999", b"-1e999", b"nan", b"inf", b"1_0", b"0x10", b"1e", b"--1", b"1,5", b"1.5.2", b"",
    b"\xd9\xa1\xd9\xa2", b"9" * 400, b"#DIV/0!", b"1\x00", b"\xe2\x88\x921",
)  # fmt: skip


def hostile_variants(content: bytes, seed: int, n: int) -> Iterator[bytes]:
    """`n` damaged relatives of a file, the same ones for the same seed.

    The first few are fixed: nothing, zeros, the file twice, other line ends, a byte order mark,
    another encoding. Of the others most differ from the file in a single byte; the rest lost or
    gained some bytes, hold a number that is none, or are random bytes.
    """
    fixed = (
        b"",
        bytes(len(content)),
        content + content,
        content.replace(b"\r\n", b"\n").replace(b"\n", b"\r\n"),
        content.replace(b"\r\n", b"\r").replace(b"\n", b"\r"),
        b"\xef\xbb\xbf" + content,
        content.decode("latin-1").encode("utf-16"),
    )
    chance = random.Random(seed)  # reproducible on purpose
    for number in range(n):
        if number < len(fixed):
            yield fixed[number]
        elif not content or chance.random() < 0.05:
            yield chance.randbytes(chance.randrange(1, 600))
        elif chance.random() < 0.6:
            yield _with_byte_changed(content, chance)
        else:
            yield chance.choice((_with_loss, _with_gain, _with_number))(content, chance)


def _with_byte_changed(content: bytes, chance: random.Random) -> bytes:
    at = chance.randrange(len(content))
    return content[:at] + bytes([content[at] ^ chance.randrange(1, 256)]) + content[at + 1 :]


def _with_loss(content: bytes, chance: random.Random) -> bytes:
    at = chance.randrange(len(content))
    return content[:at] + content[at + chance.randrange(1, 80) :]


def _with_gain(content: bytes, chance: random.Random) -> bytes:
    at = chance.randrange(len(content))
    again = chance.random() < 0.5
    more = content[at : at + 80] if again else chance.randbytes(chance.randrange(1, 20))
    return content[:at] + more + content[at:]


def _with_number(content: bytes, chance: random.Random) -> bytes:
    digits = [at for at, byte in enumerate(content) if byte in b"0123456789"]
    at = chance.choice(digits) if digits else 0
    stop = at
    while stop < len(content) and content[stop] in b"0123456789.":
        stop += 1
    return content[:at] + chance.choice(_NUMBERS) + content[stop:]


def inflated_variants(content: bytes, n: int = 40) -> Iterator[bytes]:
    """The file with one of its first `n` whole numbers put at 99,999,999.

    One of them may say how much follows: whoever makes room for it beforehand takes gigabytes.
    """
    for number, match in enumerate(re.finditer(rb"(?<![0-9.])[0-9]+(?![0-9.])", content)):
        if number == n:
            return
        yield content[: match.start()] + b"99999999" + content[match.end() :]
