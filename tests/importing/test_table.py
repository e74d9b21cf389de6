"""The fast reader of tables and the strict one agree bit for bit, and neither reads more."""

import re
import struct

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from speclake.errors import MalformedFile
from speclake.importing.plainrows import read_plainly
from speclake.importing.table import TablePlace, as_axis, read_strictly
from speclake.importing.textrules import Text

PLACE = TablePlace("run7.txt", 1)
RULES = [
    Text(encoding="utf-8", delimiter="tab", decimal_sign="."),
    Text(encoding="utf-8", delimiter=";", decimal_sign=",", missing=["n.a.", "", "inf"]),
    Text(encoding="utf-8", delimiter="spaces", decimal_sign=".", missing=["---", "nan"]),
    Text(encoding="utf-8", delimiter=", ", decimal_sign=".", missing=["-1", "Over"]),
    Text(encoding="utf-8", delimiter="|", decimal_sign=".", delimiter_at_line_end=True),
    Text(encoding="utf-8", delimiter=",", decimal_sign=".", thousands_sign=" ", quote='"'),
    Text(encoding="utf-8", delimiter=",", decimal_sign=",", quote='"', missing=[""]),
    Text(encoding="utf-8", delimiter="tab", decimal_sign=".", thousands_sign=",", quote="'"),
    Text(encoding="utf-8", delimiter=";", decimal_sign=",", thousands_sign=" "),
]

CELLS = st.one_of(
    st.floats(allow_nan=False, allow_infinity=False).map(repr),
    st.decimals(-1000, 1000, places=3).map(str),
    st.from_regex(re.compile(r"[+-]?[0-9]{0,25}[.,]?[0-9]{0,25}([eE][+-]?[0-9]{1,3})?", re.ASCII),
                  fullmatch=True),
    st.text("0123456789+-.,eE nainfx_\"'\t\r", max_size=8),
    st.from_regex(re.compile(r"-?[0-9]{1,3}([ ,][0-9]{3}){0,3}([.,][0-9]{0,3})?", re.ASCII),
                  fullmatch=True),
    st.sampled_from(["", "---", "n.a.", "nan", "inf", "Over", "-1", "1_0", "0x1p3", " 1 ", "1\n2"]),
)  # fmt: skip


def bits(rows: np.ndarray) -> list[bytes]:
    return [column.astype("<f8").tobytes() for column in rows.T]


@given(
    st.sampled_from(RULES),
    st.lists(st.lists(CELLS, min_size=2, max_size=2), min_size=1, max_size=4),
    st.sampled_from(["\n", "\r\n"]),
    st.booleans(),
)
@example(RULES[0], [["1", "inf"], ["2", "nan"]], "\n", False)
@example(RULES[0], [["1", "1e999"]], "\n", False)
@example(RULES[0], [["0.1", "5e-324"], ["-0", "1.7976931348623157e308"]], "\r\n", False)
@example(RULES[1], [["1,5", "2.5"]], "\n", False)
@example(RULES[2], [["1", "-nan"]], "\n", False)
@example(RULES[5], [["1", "1 234"], ["2", "1\t2"]], "\n", True)
@example(RULES[6], [["1", "1,5"], ["", '"']], "\n", True)
@example(RULES[6], [["1", '2""'], ["3", '""4']], "\n", True)
def test_fast_reader_gives_what_the_strict_one_gives(rules, rows, end, quoted) -> None:
    mark = rules.separator
    if quoted and rules.quote:
        rows = [[f"{rules.quote}{cell}{rules.quote}" for cell in row] for row in rows]
    close = mark if rules.delimiter_at_line_end else ""
    text = "".join(mark.join(row) + close + end for row in rows)
    fast = read_plainly(text, 2, rules)
    if fast is None:
        return
    assert bits(fast) == bits(read_strictly(text, 2, rules, PLACE))


@given(st.lists(st.floats(allow_nan=False, allow_infinity=False), min_size=2, max_size=50))
def test_every_float_comes_back_from_its_text(values) -> None:
    """The reference is Python's own ``float``, which rounds correctly (IEEE 754)."""
    text = "".join(f"{value!r}\t{value:.17e}\n" for value in values)
    fast = read_plainly(text, 2, RULES[0])
    assert fast is not None
    expected = b"".join(struct.pack("<d", value) for value in values)
    assert bits(fast) == [expected, expected]


@given(st.from_regex(re.compile(r"-?[0-9]{1,30}\.[0-9]{1,30}", re.ASCII), fullmatch=True))
@example("0.500000000000000166533453693773481063544750213623046875")
@example("9007199254740993.0")
def test_long_decimals_round_as_float_does(cell) -> None:
    text = f"{cell}\t{cell}\n"
    for read in (read_plainly(text, 2, RULES[0]), read_strictly(text, 2, RULES[0], PLACE)):
        assert read is not None
        assert bits(read)[0] == struct.pack("<d", float(cell))


@given(st.text("0123456789+-.,eE nainfx_", max_size=8))
def test_strict_reader_takes_no_more_than_the_grammar_of_numbers(cell) -> None:
    text = f"1\t{cell}\n"
    is_number = re.fullmatch(r" *[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)? *", cell)
    if is_number and np.isfinite(float(cell)):
        assert read_strictly(text, 2, RULES[0], PLACE)[0, 1] == float(cell)
    else:
        with pytest.raises(MalformedFile):
            read_strictly(text, 2, RULES[0], PLACE)


def test_ordinary_tables_take_the_fast_road() -> None:
    tables = {
        0: "400.0\t92.1\r\n400.5\t-0.02\r\n",
        1: "400,0;92,1\n400,5; -2e-2\n",
        2: "  400.0  92.1\n 400.5  --- \n",
        3: "400.0, 92.1\n400.5, Over\n",
        4: "400.0|92.1|\n400.5|-0.02|\n",
        5: "400.0,92.1\n400.5,-0.02\n",
        6: '"400,0","92,1"\r\n"400,5",""\r\n',
        7: "'1,400.0'\t'92.1'\n'1,400.5'\t'1,234,567'\n",
        8: "1 400,0;92,1\n1 400,5;12 345\n",
    }
    for number, text in tables.items():
        assert read_plainly(text, 2, RULES[number]) is not None, RULES[number]


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=6))
def test_axis_is_what_rises_or_falls_strictly_and_nothing_else(positions) -> None:
    array = np.array(positions)
    steps = np.diff(array)
    if (array > 0).all() and ((steps > 0).all() or (steps < 0).all()):
        axis, direction = as_axis(array, "nm", "air", PLACE)
        assert axis.values.tolist() == sorted(positions)
        assert direction == ("descending" if (steps < 0).any() else "ascending")
        assert axis.medium == "air"
    else:
        with pytest.raises(MalformedFile, match="the position"):
            as_axis(array, "nm", "air", PLACE)
