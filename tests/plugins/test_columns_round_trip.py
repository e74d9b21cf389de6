"""Any floats in any dialect come back bit for bit; the writer here knows nothing of the reader."""

import math
import struct
from dataclasses import dataclass
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from speclake import tomlfile
from speclake.importing import text as text_module
from speclake.importing.formats import Format
from speclake.spectrum import Spectrum
from tests.plugins.exports import read

DELIMITERS = {"tab": "\t", ";": ";", ",": ",", "|": "|", " / ": " / ", "spaces": "  "}
THOUSANDS = [None, None, ",", ".", "'", " ", "\N{NO-BREAK SPACE}", "\N{NARROW NO-BREAK SPACE}"]
ENCODINGS = ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252", "cp932", "gb18030", "ascii"]
WIDTH = 40
"""Of a cell at fixed places: more than the longest text of a float with grouped digits."""


@dataclass(frozen=True)
class Dialect:
    """One way of writing numbers and rows."""

    encoding: str
    delimiter: str
    decimal: str
    thousands: str | None
    quote: str | None
    word: str
    minus: str
    end: str
    ends_with_delimiter: bool

    def number(self, value: float) -> str:
        if math.isnan(value):
            return self.word
        text = repr(value)
        if self.thousands and "e" not in text:
            sign, digits = ("-", text[1:]) if text[0] == "-" else ("", text)
            whole, _, fraction = digits.partition(".")
            groups = f"{int(whole):,}".replace(",", self.thousands)
            return f"{sign.replace('-', self.minus)}{groups}{self.decimal}{fraction}"
        return text.replace("-", self.minus).replace(".", self.decimal)

    def row(self, cells: list[str]) -> str:
        if self.delimiter == "fixed":
            return "".join(f"{cell:>{WIDTH}}" for cell in cells) + self.end
        if self.quote:
            cells = [f"{self.quote}{cell}{self.quote}" for cell in cells]
        mark = DELIMITERS[self.delimiter]
        return mark.join(cells) + (mark if self.ends_with_delimiter else "") + self.end

    def rules(self, columns: int) -> dict[str, Any]:
        text: dict[str, Any] = {
            "encoding": self.encoding,
            "delimiter": self.delimiter,
            "decimal_sign": self.decimal,
            "missing": [self.word],
            "delimiter_at_line_end": self.ends_with_delimiter,
        }
        if self.thousands:
            text["thousands_sign"] = self.thousands
        if self.quote:
            text["quote"] = self.quote
        if self.minus not in "-\N{MINUS SIGN}":
            text["minus_sign"] = self.minus
        if self.delimiter == "fixed":
            text["cells"] = [[i * WIDTH + 1, i * WIDTH + WIDTH] for i in range(columns)]
        return text


def _can_write(dialect: Dialect) -> bool:
    """Whether two signs of a dialect are not the same, and its encoding has them all."""
    mark = DELIMITERS.get(dialect.delimiter, "")
    if dialect.quote and len(mark) > 1:
        return False
    parted = dialect.quote or dialect.delimiter == "fixed"
    marks = {mark.strip(" ") or mark} if not parted else set()
    signs = {dialect.decimal, dialect.thousands}
    if dialect.decimal == dialect.thousands or marks & signs:
        return False
    if dialect.quote and dialect.quote == dialect.thousands:
        return False
    if dialect.delimiter == "spaces" and (dialect.thousands == " " or not dialect.word):
        return False
    has_odd = dialect.quote or dialect.ends_with_delimiter or dialect.thousands == " "
    if dialect.delimiter == "fixed" and has_odd:
        return False
    if dialect.delimiter == "spaces" and dialect.ends_with_delimiter:
        return False
    try:
        written = f"{dialect.minus}{dialect.thousands}{dialect.word}".encode(dialect.encoding)
    except UnicodeEncodeError:
        return False
    return written.decode(dialect.encoding) == f"{dialect.minus}{dialect.thousands}{dialect.word}"


DIALECTS = st.builds(
    Dialect,
    encoding=st.sampled_from(ENCODINGS),
    delimiter=st.sampled_from([*DELIMITERS, "fixed"]),
    decimal=st.sampled_from(".,"),
    thousands=st.sampled_from(THOUSANDS),
    quote=st.sampled_from([None, None, '"', "'"]),
    word=st.sampled_from(["---", "Over", "#N/A", "", "n.a.", "\N{EM DASH}"]),
    minus=st.sampled_from("--\N{MINUS SIGN}\N{EN DASH}"),
    end=st.sampled_from(["\n", "\r\n"]),
    ends_with_delimiter=st.booleans(),
).filter(_can_write)

Points = list[tuple[float, float]]
FINITE = st.floats(allow_nan=False, allow_infinity=False)
POSITIONS = st.floats(0, exclude_min=True, allow_infinity=False)
VALUES = st.one_of(FINITE, st.just(math.nan), st.decimals(-9999, 99999, places=3).map(float))


def _curves(count: int) -> st.SearchStrategy[list[Points]]:
    """Curves of any length, each on an axis of its own that rises or falls."""
    axis = st.lists(POSITIONS, min_size=1, max_size=8, unique=True).map(sorted)
    turned = st.tuples(axis, st.booleans()).map(lambda a: a[0][::-1] if a[1] else a[0])
    curve = turned.flatmap(
        lambda xs: st.lists(VALUES, min_size=len(xs), max_size=len(xs)).map(
            lambda ys: list(zip(xs, ys, strict=True))
        )
    )
    return st.lists(curve, min_size=1, max_size=count)


CURVES = _curves(3)


def _format(dialect: Dialect, columns: int, **tables: dict[str, Any]) -> Format:
    data = {
        "text": dialect.rules(columns),
        "axis": {"unit": "nm"},
        "values": {"unit": "%T"} | tables.pop("values", {}),
    }
    return tomlfile.check(data | tables, "dialect.toml", Format)


def _check(content: bytes, form: Format, curves: list[Points]) -> list[Spectrum]:
    """The spectra, which are the curves, whether the file is read at once or piece by piece."""
    spectra = read(content, form)
    _same(spectra, curves)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(text_module, "PIECE", 64)
        patch.setattr(text_module, "LAST_LINES", 16)
        again = read(content, form)
    _same(again, curves)
    assert [(s.place, s.header, s.notes) for s in again] == [
        (s.place, s.header, s.notes) for s in spectra
    ]
    return spectra


def _same(spectra: list[Spectrum], curves: list[Points]) -> None:
    assert len(spectra) == len(curves)
    for spectrum, curve in zip(spectra, curves, strict=True):
        listed = slice(None, None, -1 if spectrum.scan_direction == "descending" else 1)
        for found, expected in (
            (spectrum.axis.values[listed], [x for x, _ in curve]),
            (spectrum.values[listed], [y for _, y in curve]),
        ):
            assert [struct.pack("<d", v) for v in found] == [struct.pack("<d", v) for v in expected]


@given(DIALECTS, st.data())
def test_spectra_side_by_side(dialect, data) -> None:
    [curve] = data.draw(_curves(1))
    others = st.lists(VALUES, min_size=len(curve), max_size=len(curve))
    columns = [[y for _, y in curve], *data.draw(st.lists(others, max_size=3))]
    rows = [
        dialect.row([dialect.number(v) for v in (x, *(c[i] for c in columns))])
        for i, (x, _) in enumerate(curve)
    ]
    form = _format(dialect, len(columns) + 1, header={"lines": 1})
    content = f"Points: {len(curve)}{dialect.end}{''.join(rows)}".encode(dialect.encoding)
    xs = [x for x, _ in curve]
    _check(content, form, [list(zip(xs, column, strict=True)) for column in columns])


@given(DIALECTS.filter(lambda d: d.delimiter != "spaces"), CURVES)
def test_spectra_in_pairs_of_columns(dialect, curves) -> None:
    rows = []
    for i in range(max(map(len, curves))):
        cells = []
        for curve in curves:
            cells += [*map(dialect.number, curve[i])] if i < len(curve) else ["", ""]
        rows.append(dialect.row(cells))
    form = _format(
        dialect,
        2 * len(curves),
        header={"lines": 1},
        table={"end_line": "^end$"},
        values={"pairs": True},
    )
    text = "Invented" + dialect.end + "".join(rows) + "end" + dialect.end
    _check(text.encode(dialect.encoding), form, curves)


@given(DIALECTS, CURVES, st.sampled_from(["points", "line", "begin", "blank"]))
def test_spectra_one_below_the_other(dialect, curves, ends) -> None:
    text = ""
    for curve in curves:
        rows = "".join(dialect.row([*map(dialect.number, point)]) for point in curve)
        text += f"site = 1{dialect.end}points = {len(curve)}{dialect.end}{rows}"
        text += {"line": "end", "blank": ""}.get(ends, "skip") + dialect.end
        text = text.removesuffix("skip" + dialect.end)
    blocks: dict[str, Any] = {"header": {"lines": 2, "between": "="}, "begin_line": "^site"}
    table = {"points": {"points_entry": "points"}, "line": {"end_line": "^end$"}}.get(ends, {})
    if ends == "blank":
        blocks["parted_by_blank_lines"] = True
    form = _format(dialect, 2, blocks=blocks, table=table)
    _check(text.encode(dialect.encoding), form, curves)


@given(DIALECTS.filter(lambda d: d.thousands is None or d.thousands not in ".,"), CURVES)
def test_file_that_proves_encoding_and_sign_gives_the_same(dialect, curves) -> None:
    """The two first points prove the sign, unless whole numbers could be parted by it."""
    curve = [(5e5, 0.5), (1e6, 2.25), *((2e6 + i, y) for i, (_, y) in enumerate(curves[0]))]
    rows = "".join(dialect.row([*map(dialect.number, point)]) for point in curve)
    content = f"\u8a66{dialect.end}{rows}".encode()
    form = _format(dialect, 2, header={"lines": 1})
    proven = dialect.rules(2) | {"encoding": "proven", "decimal_sign": "proven"}
    if dialect.delimiter == "," and not dialect.quote:
        proven["decimal_sign"] = "."
    form = form.model_copy(update={"text": form.text.model_validate(proven)})
    [spectrum] = _check(content, form, [curve])
    assert spectrum.notes[0].startswith("encoding utf-8, proven by the bytes of")
