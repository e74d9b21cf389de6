"""Cells at fixed places: whole numbers, or a refusal where a wrong place would cut one."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from speclake.errors import BadSettings, MalformedFile
from speclake.importing.formats import Format
from speclake.importing.plainrows import read_plainly
from speclake.importing.table import TablePlace, read_strictly
from tests.plugins.exports import read, read_one, table, two_columns


def fixed(cells: list[list[int]], **text) -> Format:
    rules = {"delimiter": "fixed", "cells": cells} | text
    return two_columns(text=rules, header={"next_line": None, "lines": 1}, table={"title_lines": 0})


def refusal(rows: list[str], form: Format) -> tuple[str, str, str]:
    with pytest.raises(MalformedFile) as caught:
        read(table(rows, titles=""), form)
    return caught.value.place, caught.value.found, caught.value.expected


ROWS = ["  400.0   91.92", "  400.5   -0.02", "  401.0  100.00"]


def test_right_and_left_justified_cells() -> None:
    for rows in (ROWS, ["400.0   91.92", "400.5   -0.02", "401.0   100.00"]):
        spectrum = read_one(table(rows, titles=""), fixed([[1, 7], [8, 15]]))
        assert spectrum.axis.values.tolist() == [400.0, 400.5, 401.0]
        assert spectrum.values.tolist() == [91.92, -0.02, 100.0]


def test_row_may_end_before_its_last_place() -> None:
    rows = ["400.0 1.5    ", "400.5 2.5", "401.0 3.25"]
    assert read_one(table(rows, titles=""), fixed([[1, 5], [7, 13]])).values.tolist() == [
        1.5, 2.5, 3.25,
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("cells", "expected"),
    [
        ([[1, 6], [8, 15]], "blanks alone at characters 7 to 7"),
        ([[1, 6], [7, 15]], "a blank at character 6 or 7, or cells_touch in the format"),
        ([[1, 5], [6, 15]], "a blank at character 5 or 6, or cells_touch in the format"),
        ([[4, 7], [8, 15]], "blanks alone before character 4"),
        ([[1, 7], [8, 14]], "blanks alone at characters 15 to 15"),
        ([[1, 7], [12, 15]], "blanks alone at characters 8 to 11"),
    ],
)
def test_place_that_cuts_a_number_is_refused(cells, expected) -> None:
    assert refusal(ROWS, fixed(cells)) == ("line 2", repr(ROWS[0]), expected)


def test_every_wrong_place_refuses_or_gives_the_same_numbers() -> None:
    """Whatever places are said, no number comes out that the rows do not hold."""
    for first in range(1, 14):
        for stop in range(first, 15):
            for start in range(stop + 1, 16):
                for last in range(start, 17):
                    try:
                        spectrum = read_one(
                            table(ROWS, titles=""), fixed([[first, stop], [start, last]])
                        )
                    except MalformedFile:
                        continue
                    assert spectrum.values.tolist() == [91.92, -0.02, 100.0]


class TestTouching:
    ROWS = ("400.0000-91.9200", "400.5000100.0000", "401.0000  0.1200")

    def test_numbers_may_fill_their_cells(self) -> None:
        form = fixed([[1, 8], [9, 16]], cells_touch=True)
        for rows in (self.ROWS, (*self.ROWS[:2], "401.0000  0.1200  ")):
            spectrum = read_one(table(list(rows), titles=""), form)
            assert spectrum.values.tolist() == [-91.92, 100.0, 0.12]
        assert refusal(list(self.ROWS), fixed([[1, 8], [9, 16]]))[0] == "line 2"

    @pytest.mark.parametrize(
        ("split", "line"), [(5, 2), (6, 2), (7, 2), (9, 3), (10, 3), (11, 3), (12, 3)]
    )
    def test_place_between_two_digits_is_refused(self, split, line) -> None:
        form = fixed([[1, split], [split + 1, 16]], cells_touch=True)
        assert refusal(list(self.ROWS), form)[0] in {f"line {line}", "line 2", "line 4"}

    def test_number_that_leaves_the_end_of_its_cell_blank_is_refused(self) -> None:
        form = fixed([[1, 8], [9, 16]], cells_touch=True)
        place, _, expected = refusal(["400.0000 91.92  "], form)
        assert (place, expected) == (
            "line 2",
            "a number that ends at character 16, since cells touch",
        )
        assert refusal(["400.0000 91.92"], form)[2] == expected

    def test_needless_zero_between_touching_cells_is_refused(self) -> None:
        form = fixed([[1, 7], [8, 16]], cells_touch=True)
        assert refusal(["400.0000091.9200"], form)[2] == (
            "no needless zero at character 8, where two cells touch"
        )


def test_blank_cell_is_missing_only_where_declared() -> None:
    rows = ["400.0  91.92", "400.5       ", "401.0  90.00"]
    cells = [[1, 5], [6, 12]]
    values = read_one(table(rows, titles=""), fixed(cells, missing=[""])).values
    assert np.isnan(values[1])
    assert values[[0, 2]].tolist() == [91.92, 90.0]
    assert refusal(rows, fixed(cells))[:2] == ("line 3", "'' in column 2")


def test_tab_is_no_blank() -> None:
    assert refusal(["400.0\t 91.92"], fixed([[1, 5], [7, 12]]))[2] == (
        "blanks alone at characters 6 to 6"
    )


def test_thousands_sign_is_no_blank() -> None:
    """A place that cuts a number at such a blank would not show; at another sign it does."""
    with pytest.raises(BadSettings, match="no blank where the delimiter is 'fixed'"):
        fixed([[1, 9], [10, 18]], thousands_sign=" ", decimal_sign=",")
    for sign in ("'", "\N{NARROW NO-BREAK SPACE}"):
        rows = [f"  1{sign}000,5    12,25", f"  1{sign}001,5 1{sign}012,5 "]
        form = fixed([[1, 9], [10, 18]], thousands_sign=sign, decimal_sign=",")
        assert read_one(table(rows, titles=""), form).values.tolist() == [12.25, 1012.5]
        wrong = fixed([[1, 4], [5, 18]], thousands_sign=sign, decimal_sign=",")
        assert refusal(rows, wrong)[0] == "line 2"


@given(
    st.lists(
        st.tuples(st.decimals(200, 3300, places=2), st.decimals(-999, 999, places=3)),
        min_size=1,
        max_size=6,
        unique_by=lambda point: point[0],
    ),
    st.integers(9, 12),
    st.integers(9, 12),
    st.integers(0, 3),
    st.booleans(),
    st.sampled_from(["\n", "\r\n"]),
)
def test_fast_reader_gives_what_the_strict_one_gives(points, one, two, gap, touch, end) -> None:
    cells = [[1, one], [one + gap + 1, one + gap + two]]
    rules = fixed(cells, cells_touch=touch).text
    text = "".join(f"{x:>{one}}{'':{gap}}{y:>{two}}{end}" for x, y in points)
    place = TablePlace("run7.txt", 1)
    fast = read_plainly(text, 2, rules)
    assert fast is not None
    assert fast.tobytes() == read_strictly(text, 2, rules, place).tobytes()
    assert fast.tolist() == [[float(x), float(y)] for x, y in points]


@given(st.text(" 0123456789.-", min_size=12, max_size=12), st.booleans())
def test_no_row_is_read_by_one_reader_and_refused_by_the_other(line, touch) -> None:
    rules = fixed([[1, 6], [7, 12]], cells_touch=touch, missing=[""]).text
    fast = read_plainly(line + "\n", 2, rules)
    if fast is not None:
        strict = read_strictly(line + "\n", 2, rules, TablePlace("run7.txt", 1))
        assert fast.tobytes() == strict.tobytes()
