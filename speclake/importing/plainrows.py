"""Tables in which nothing is odd, read at once; of any other the strict reader knows the rules."""

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from speclake.importing.fixedwidth import as_tabbed
from speclake.importing.numbers import NOT_ZERO, without_groups
from speclake.importing.textrules import Text
from speclake.spectrum import FloatArray

if TYPE_CHECKING:
    import pyarrow as pa


@dataclass(frozen=True)
class _Bytes:
    """What a table may consist of for the fast reader, and what becomes of each byte."""

    alphabet: bytes
    to_point: bytes


@lru_cache(maxsize=64)
def _bytes_of(separator: str, decimal_sign: str, missing: tuple[str, ...]) -> _Bytes | None:
    """Bytes of a table; None where one is not ASCII."""
    signs = "0123456789+-eE \r\n" + separator + decimal_sign + "".join(missing)
    if not signs.isascii():
        return None
    alphabet = "".join(sorted(set(signs))).encode("ascii")
    to_point = bytes.maketrans(decimal_sign.encode("ascii"), b".")
    return _Bytes(alphabet, to_point)


def read_plainly(text: str, columns: int, rules: Text) -> FloatArray | None:
    """Numbers of a table in which nothing is odd; None where the strict reader must look."""
    parted = _parted(text, rules)
    if parted is None:
        return None
    text, between = parted
    known = _bytes_of(between, rules.decimal_sign, tuple(filter(str.isascii, rules.missing)))
    if known is None:
        return None
    text = without_groups(text, rules, between)
    if not text.isascii():
        return None
    raw = text.encode("ascii")
    if raw.translate(None, known.alphabet) or (rules.decimal_sign != "." and b"." in raw):
        return None
    is_changed = between != rules.separator
    plain = (raw, b"\t") if is_changed else _with_plain_delimiter(raw, rules)
    if plain is None:
        return None
    raw, mark = plain
    ends = _ends_of_cells(raw, mark, columns)
    if ends is None:
        return None
    values = _cast(raw.translate(known.to_point, b"\r\n" + mark), ends, rules)
    return None if values is None else values.reshape(-1, columns)


def _parted(text: str, rules: Text) -> tuple[str, str] | None:
    """Rows in which cells are parted by a text, and that text; None where they are not so easily.

    Cells at fixed places, and those that all stand in quotes, come with a tab between them.
    """
    if rules.is_fixed:
        tabbed = as_tabbed(text.encode("ascii"), rules) if text.isascii() else None
        return None if tabbed is None else (tabbed.decode("ascii"), "\t")
    quote = rules.quote
    if quote is None or quote not in text:
        return text, rules.separator
    if rules.delimiter_at_line_end:
        return None
    line_end = "\r\n" if text.endswith("\r\n") else "\n"
    bare = text.replace(quote + rules.separator + quote, "\t")
    bare = bare.replace(quote + line_end + quote, line_end)
    bare = bare.removeprefix(quote).removesuffix(quote + line_end) + line_end
    # a quote that is left, or a row without any, has another meaning
    marks = text.count(quote) == 2 * (bare.count("\t") + bare.count("\n"))
    return (bare, "\t") if marks and quote not in bare else None


def _ends_of_cells(raw: bytes, mark: bytes, columns: int) -> npt.NDArray[np.int32] | None:
    """Where each cell ends once delimiters and line ends are taken out, after a 0 for the first.

    None where a row has another number of cells, or line ends differ.
    """
    text = np.frombuffer(raw, dtype=np.uint8)
    # of all control characters only line ends and a tab as delimiter can be in the alphabet
    at = np.flatnonzero(text < 14 if mark == b"\t" else (text < 14) | (text == mark[0]))
    line_end = b"\r\n" if raw.endswith(b"\r\n") else b"\n"
    row = mark * (columns - 1) + line_end
    rows, left = divmod(at.size, len(row))
    if left or text[at].tobytes() != row * rows:
        return None
    taken_out = (at - np.arange(at.size)).reshape(rows, len(row))
    if len(line_end) == 2 and not np.array_equal(taken_out[:, -1], taken_out[:, -2]):
        return None
    ends = np.zeros(1 + rows * columns, dtype=np.int32)
    ends[1:] = taken_out[:, :columns].ravel()
    return ends


def _cast(cells: bytes, ends: npt.NDArray[np.int32], rules: Text) -> FloatArray | None:
    """Numbers of cells that stand one behind the other; None where one is no number."""
    import pyarrow as pa
    from pyarrow import compute

    texts = pa.StringArray.from_buffers(ends.size - 1, pa.py_buffer(ends), pa.py_buffer(cells))
    if b" " in cells:
        texts = compute.ascii_trim(texts, characters=" ")
    if rules.missing:
        is_missing = compute.is_in(texts, value_set=pa.array(rules.missing, pa.string()))
        texts = compute.if_else(is_missing, pa.scalar(None, pa.string()), texts)
    try:
        numbers = texts.cast(pa.float64())
    except pa.ArrowInvalid:
        return None
    values: FloatArray = numbers.to_numpy(zero_copy_only=False)
    # letters of a missing word could spell nan or inf, which Arrow reads as numbers
    odd = np.count_nonzero(~np.isfinite(values)) != numbers.null_count
    return None if odd or _has_underflow(texts, values) else values


def _has_underflow(texts: "pa.StringArray", values: FloatArray) -> bool:
    """Whether a number became zero that was written with other digits."""
    from pyarrow import compute

    zeros = np.flatnonzero(values == 0)
    if not zeros.size:
        return False
    written = compute.match_substring_regex(texts.take(zeros), f"^{NOT_ZERO.pattern}")
    return bool(compute.any(written).as_py())


def _with_plain_delimiter(raw: bytes, rules: Text) -> tuple[bytes, bytes] | None:
    """Rows with a delimiter of one byte and none at the end of a row, and that delimiter."""
    mark = rules.separator.encode("ascii")
    if rules.delimiter == "spaces":
        while b"  " in raw:
            raw = raw.replace(b"  ", b" ")
        raw = raw.replace(b" \n", b"\n").replace(b" \r\n", b"\r\n").replace(b"\n ", b"\n")
        return raw.removeprefix(b" "), b" "
    if len(mark) > 1:
        if b"\t" in raw:
            return None
        raw, mark = raw.replace(mark, b"\t"), b"\t"
    if rules.delimiter_at_line_end:
        raw = raw.replace(b"\r\n", b"\n")
        if raw.count(mark + b"\n") != raw.count(b"\n"):
            return None
        raw = raw.replace(mark + b"\n", b"\n")
    return raw, mark
