"""Data lines of JCAMP-DX in every form: AFFN, PAC, SQZ, DIF and DUP, and pairs.

McDonald and Wilks, Applied Spectroscopy 42 (1988) 151, section 5 and Table VII: the first character
of a number says its form and may be its first digit and its sign at once.
"""

from collections.abc import Iterator, Sequence
from itertools import groupby, pairwise

from speclake.writing.decimals import FloatArray, number_text
from speclake.writing.texts import WIDEST_LINE

_SQUEEZED = ("@ABCDEFGHI", "@abcdefghi")
_STEPPED = ("%JKLMNOPQR", "%jklmnopqr")
_COUNTED = " STUVWXYZs"


def pairs(positions: FloatArray, values: FloatArray) -> Iterator[str]:
    """Lines of a table (XY..XY), one point each."""
    for x, y in zip(positions.tolist(), values.tolist(), strict=True):
        yield f"{number_text(x)}, {number_text(y)}"


def plain(labels: Sequence[str], texts: Sequence[str], *, is_packed: bool) -> Iterator[str]:
    """Lines of ordinates in AFFN, or packed (PAC), where the sign parts them."""
    if not is_packed:
        return _filled(labels, [" " + text for text in texts], counted=False)
    signed = [text if text[0] in "-?" else "+" + text for text in texts]
    return _filled(labels, signed, counted=False)


def squeezed(
    labels: Sequence[str], numbers: Sequence[int | None], *, counted: bool
) -> Iterator[str]:
    """Lines of ordinates in SQZ form, equal ones counted (DUP) if asked."""
    return _filled(labels, [_squeezed(each) for each in numbers], counted=counted)


def stepped(
    labels: Sequence[str], numbers: Sequence[int | None], *, counted: bool
) -> Iterator[str]:
    """Lines of differences (DIF), equal ones counted (DUP) if asked.

    A line that ends in a difference is followed by one that begins with the ordinate it leads to:
    the Y-check. Behind a missing ordinate the next one stands in full.
    """
    moves = [(False, "")]
    for before, number in pairwise(numbers):
        if number is None or before is None:
            moves.append((False, _squeezed(number)))
        else:
            moves.append((True, _led(number - before, _STEPPED)))
    runs = _runs(moves, counted=counted)
    point, awaits_check = 0, False
    while point < len(numbers) or awaits_check:
        first = point - 1 if awaits_check else point
        line, awaits_check = labels[first] + _squeezed(numbers[first]), False
        point = first + 1
        while point < len(numbers):
            times = runs[point]
            is_step, text = moves[point]
            piece = text + _count(times)
            if len(line) + len(piece) > WIDEST_LINE:
                break
            line, point, awaits_check = line + piece, point + times, is_step
        yield line


def _runs(moves: Sequence[tuple[bool, str]], *, counted: bool) -> list[int]:
    """For every place, how many equal moves stand from there on."""
    runs = [1] * len(moves)
    if counted:
        for place in range(len(moves) - 2, 0, -1):
            if moves[place] == moves[place + 1]:
                runs[place] = runs[place + 1] + 1
    return runs


def _filled(labels: Sequence[str], tokens: Sequence[str], *, counted: bool) -> Iterator[str]:
    line, point = "", 0
    for token, run in groupby(tokens) if counted else ((each, (each,)) for each in tokens):
        times = len(list(run))
        piece = token + _count(times)
        if not line or len(line) + len(piece) > WIDEST_LINE:
            if line:
                yield line
            line = labels[point]
        line, point = line + piece, point + times
    yield line


def _squeezed(number: int | None) -> str:
    return "?" if number is None else _led(number, _SQUEEZED)


def _led(number: int, letters: tuple[str, str]) -> str:
    digits = str(abs(number))
    return letters[number < 0][int(digits[0])] + digits[1:]


def _count(times: int) -> str:
    return _COUNTED[int(str(times)[0])] + str(times)[1:] if times > 1 else ""
