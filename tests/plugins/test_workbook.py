"""A workbook is read as its format says; what does not fit is refused by sheet and cell."""

from datetime import date, datetime, time, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from openpyxl.utils.datetime import CALENDAR_MAC_1904

from speclake import tomlfile
from speclake.errors import BadSettings
from speclake.importing.sheetformat import SheetFormat
from tests.plugins.workbooks import (
    PLAIN,
    POINTS,
    TITLES,
    book,
    read,
    read_one,
    refusal,
    with_cells,
    with_rule,
    written_in_full,
)

NO_TITLES = PLAIN.replace("title_lines = 1", "")


def at(text: str) -> datetime:
    """A moment as a cell holds it, without a zone."""
    return datetime.fromisoformat(text)


class TestNumbers:
    def test_values_come_out_as_stored(self) -> None:
        spectrum = read_one(book(S1=[TITLES, *POINTS]))
        assert spectrum.axis.values.tolist() == [400.0, 400.5, 401.0]
        assert spectrum.values.tolist() == [92.5, -0.02, 92.3]
        assert (spectrum.axis.unit, spectrum.unit, spectrum.place) == ("nm", "%T", "sheet 'S1'")
        assert spectrum.header == {"sheet name": "S1", "column title": "S1"}
        assert spectrum.notes == ()

    @given(
        arrays.arrays(
            np.float64,
            st.integers(1, 30),
            elements=st.floats(allow_nan=False, allow_infinity=False),
        )
    )
    def test_every_finite_number_comes_out_bit_for_bit(self, values) -> None:
        rows = [(400.0 + i, float(value)) for i, value in enumerate(values)]
        assert read_one(written_in_full(rows), NO_TITLES).values.tobytes() == values.tobytes()

    @given(st.lists(st.floats(-1e300, 1e300), min_size=1, max_size=20))
    def test_numbers_come_out_as_another_library_wrote_them(self, values) -> None:
        # openpyxl writes 16 digits, by its source
        content = book(S1=[TITLES, *([400 + i, value] for i, value in enumerate(values))])
        assert read_one(content).values.tolist() == [float(f"{value:.16g}") for value in values]

    def test_falling_axis_is_turned_and_its_direction_kept(self) -> None:
        spectrum = read_one(book(S1=[TITLES, *POINTS[::-1]]))
        assert spectrum.values.tolist() == [92.5, -0.02, 92.3]
        assert spectrum.scan_direction == "descending"

    @pytest.mark.parametrize("wrong", [400.5, 399.0])
    def test_a_position_that_repeats_or_turns_back_is_refused(self, wrong) -> None:
        rows = [TITLES, *POINTS, [wrong, 1.0], [402.0, 1.0]]
        place, found, expected = refusal(book(S1=rows))
        assert place == "sheet 'S1', row 5"
        assert found == f"the position {wrong} after 401.0"
        assert expected == "positions that rise from row to row"

    def test_a_cell_shown_in_percent_holds_its_fraction(self) -> None:
        def in_percent(workbook) -> None:
            workbook["S1"]["B2"].number_format = "0.0%"

        content = book(S1=[TITLES, [400, 0.925]], prepare=in_percent)
        spectrum = read_one(content, PLAIN.replace('"%T"', '"T"'))
        assert (spectrum.values.tolist(), spectrum.unit) == ([0.925], "T")

    @pytest.mark.parametrize(
        "shown_as", ["0.0", '0.0" nm"', '0.00 "d"', r"0.0\m", "[Red]0.0", "0.00E+00", "# ?/?", "@"]
    )
    def test_how_a_number_is_shown_does_not_matter(self, shown_as) -> None:
        def prepare(workbook) -> None:
            workbook["S1"]["A2"].number_format = shown_as

        assert read_one(book(S1=[TITLES, [400.5, 1]], prepare=prepare)).axis.values.tolist() == [
            400.5
        ]


class TestCellsThatAreNoNumbers:
    @pytest.mark.parametrize(
        ("cell", "found"),
        [
            (None, "an empty cell (or a formula that was never calculated)"),
            ("=A2*2", "an empty cell (or a formula that was never calculated)"),
            ("#DIV/0!", "the error #DIV/0!"),
            ("#N/A", "the error #N/A"),
            (True, "the truth value TRUE"),
            ("over", "the text 'over'"),
            (at("2026-05-04 13:12"), "the date or time 2026-05-04 13:12:00"),
            (date(2026, 5, 4), "the date or time 2026-05-04"),
            (time(13, 12), "the date or time 13:12:00"),
            (timedelta(hours=30), "the date or time 1 day, 6:00:00"),
        ],
    )
    def test_they_are_refused_by_sheet_and_cell(self, cell, found) -> None:
        rows = [TITLES, [400, 1.0], [401, cell], [402, 1.0]]
        assert refusal(book(S1=rows)) == ("sheet 'S1', cell B3", found, "a number")

    @pytest.mark.parametrize(
        ("cell", "word"), [(None, ""), ("over", "over"), (" over ", "over"), ("#N/A", "#N/A")]
    )
    def test_they_are_missing_where_the_format_says_so(self, cell, word) -> None:
        rows = [TITLES, [400, 1.0], [401, cell], [402, 2.0]]
        spectrum = read_one(book(S1=rows), with_rule(f'missing = ["{word}"]'))
        assert np.isnan(spectrum.values[1])
        assert spectrum.values[[0, 2]].tolist() == [1.0, 2.0]

    def test_another_error_than_the_declared_one_is_refused(self) -> None:
        rows = [TITLES, [400, "#N/A"], [401, "#DIV/0!"]]
        place, found, expected = refusal(book(S1=rows), with_rule('missing = ["#N/A"]'))
        assert (place, found) == ("sheet 'S1', cell B3", "the error #DIV/0!")
        assert expected == "a number or '#N/A'"

    @pytest.mark.parametrize("code", ["#SPILL!", "#CALC!", "#NULL!"])
    def test_errors_that_the_library_does_not_know_are_named_too(self, code) -> None:
        row = f'<row r="1"><c r="A1"><v>400</v></c><c r="B1" t="e"><v>{code}</v></c></row>'
        place, found, _ = refusal(with_cells(row), NO_TITLES)
        assert (place, found) == ("sheet 'S1', cell B1", f"the error {code}")

    @pytest.mark.parametrize("number", ["1e999", "nan", "inf", "-inf"])
    def test_what_the_library_takes_for_a_number_and_is_none_is_refused(self, number) -> None:
        row = f'<row r="1"><c r="A1"><v>400</v></c><c r="B1"><v>{number}</v></c></row>'
        assert refusal(with_cells(row), NO_TITLES)[0] == "sheet 'S1', cell B1"

    def test_a_formula_gives_the_value_that_was_calculated(self) -> None:
        row = '<row r="1"><c r="A1"><v>400</v></c><c r="B1"><f>1+1</f><v>92.5</v></c></row>'
        assert read_one(with_cells(row), NO_TITLES).values.tolist() == [92.5]

    def test_a_missing_position_is_refused(self) -> None:
        rows = [TITLES, [400, 1.0], [None, 2.0], [402, 2.0]]
        assert refusal(book(S1=rows), with_rule('missing = [""]')) == (
            "sheet 'S1', row 3", "a missing position", "a position in nm in every row",
        )  # fmt: skip


class TestNumbersStoredAsText:
    ROWS = (TITLES, [400, "92,5"], [401, 92.25], [402, " -1,5e-3 "])

    def test_they_are_refused_with_what_would_read_them(self) -> None:
        assert refusal(book(S1=self.ROWS)) == (
            "sheet 'S1', cell B2",
            "the text '92,5'",
            "a number, not one stored as text (numbers_as_text in the format)",
        )

    def test_they_are_read_and_noted_where_the_format_says_so(self) -> None:
        rule = with_rule('numbers_as_text = "read"\ndecimal_sign = ","')
        spectrum = read_one(book(S1=self.ROWS), rule)
        assert spectrum.values.tolist() == [92.5, 92.25, -0.0015]
        assert spectrum.notes == ("2 numbers stored as text were read, the first in cell B2",)

    @pytest.mark.parametrize("text", ["92.5", "1.000,5", "nan", "1e999", "0x10", "1_0", "٣"])
    def test_other_texts_are_refused(self, text) -> None:
        rule = with_rule('numbers_as_text = "read"\ndecimal_sign = ","')
        assert refusal(book(S1=[TITLES, [400, text]]), rule)[:2] == (
            "sheet 'S1', cell B2", f"the text {text!r}",
        )  # fmt: skip

    def test_a_format_that_reads_them_says_their_decimal_sign(self) -> None:
        with pytest.raises(BadSettings, match="decimal_sign where numbers_as_text is 'read'"):
            tomlfile.loads(with_rule('numbers_as_text = "read"'), "sheet.toml", SheetFormat)


HEADED = """
[recognise]
text = ["Invented bench"]
[sheets]
[header]
next_line = '^nm'
[table]
title_lines = 1
points_entry = "Points"
[axis]
column = "nm"
unit = "nm"
[values]
ignore = ["lamp"]
title_pattern = '^(?P<site>\\d+)'
unit_from = { title = true, pattern = '\\((.*)\\)', units = { "%R" = "%R" } }
[scanned]
entries = ["Measured"]
zone = "Europe/Lisbon"
[fields]
lot = "Lot"
sample = "sheet name"
angle_deg = "Angle"
"""


def headed(measured: object = at("2026-05-04 13:12:30")) -> list[list[object]]:
    return [
        ["Invented bench"],
        ["Lot:", "L0042"],
        ["Measured", measured],
        [],
        ["Angle", 8],
        ["Gain: 2", "x", 3.5],
        ["Points", 2],
        ["nm", "1 (%R)", "2 (%R)", "lamp"],
        [400, 91.5, 90.5, "low"],
        [401, 91.25, 90.25, None],
    ]


class TestHeader:
    def test_entries_of_one_cell_and_of_several_are_kept_as_read(self) -> None:
        first, second = read(book(**{"W-17": headed()}), HEADED)
        assert first.header == {
            "sheet name": "W-17",
            "row 1": "Invented bench",
            "Lot": "L0042",
            "Measured": "2026-05-04 13:12:30",
            "Angle": "8",
            "Gain": "2 x 3.5",
            "Points": "2",
            "column title": "1 (%R)",
        }
        assert (first.place, second.place) == (
            "sheet 'W-17', column 2", "sheet 'W-17', column 3",
        )  # fmt: skip
        assert first.fields == {
            "lot": "L0042",
            "sample": "W-17",
            "angle_deg": "8",
            "site": "1",
            "scanned": "2026-05-04T13:12:30+01:00",
        }
        assert second.values.tolist() == [90.5, 90.25]
        assert second.unit == "%R"

    @pytest.mark.parametrize(
        ("cell", "scanned"),
        [
            (at("2026-05-04 13:12:30.250"), "2026-05-04T13:12:30.25+01:00"),
            (date(2026, 5, 4), "2026-05-04"),
            ("2026-05-04 13:12:30", "2026-05-04T13:12:30+01:00"),
        ],
    )
    def test_a_cell_that_holds_a_date_needs_no_pattern(self, cell, scanned) -> None:
        assert read(book(S1=headed(cell)), HEADED)[0].fields["scanned"] == scanned

    def test_days_counted_from_1904_are_right(self) -> None:
        def since_1904(workbook) -> None:
            workbook.epoch = CALENDAR_MAC_1904

        spectrum = read(book(S1=headed(), prepare=since_1904), HEADED)[0]
        assert spectrum.fields["scanned"] == "2026-05-04T13:12:30+01:00"

    def test_a_date_and_a_time_in_cells_of_their_own_are_joined(self) -> None:
        rows = headed(date(2026, 5, 4))
        rows[3] = ["Clock", time(13, 12, 30)]
        toml = HEADED.replace('["Measured"]', '["Measured", "Clock"]')
        assert read(book(S1=rows), toml)[0].fields["scanned"] == "2026-05-04T13:12:30+01:00"

    def test_a_date_written_as_text_is_read_by_its_pattern_only(self) -> None:
        unread = read(book(S1=headed("04.05.2026")), HEADED)[0]
        assert "scanned" not in unread.fields
        assert any("scan time not read: found '04.05.2026'" in note for note in unread.notes)
        toml = HEADED.replace("zone =", 'patterns = ["%d.%m.%Y"]\nzone =')
        assert read(book(S1=headed("04.05.2026")), toml)[0].fields["scanned"] == "2026-05-04"

    def test_a_date_that_pattern_and_cell_read_differently_is_left_open(self) -> None:
        toml = HEADED.replace("zone =", 'patterns = ["%Y-%d-%m"]\nzone =')
        spectrum = read(book(S1=headed(date(2026, 5, 4))), toml)[0]
        assert "scanned" not in spectrum.fields

    def test_rows_that_are_missing_or_too_many_are_refused(self) -> None:
        rows = [*headed(), [402, 91.0, 90.0, "low"]]
        place, found, expected = refusal(book(S1=rows), HEADED)
        assert (place, found, expected) == (
            "sheet 'S1', row 12", "3 rows", "2, as the header says",
        )  # fmt: skip

    def test_an_entry_that_comes_twice_with_other_words_is_refused_where_it_is_read(self) -> None:
        rows = headed()
        rows[3] = ["Lot", "L0043"]
        place, found, _ = refusal(book(S1=rows), HEADED)
        assert place == "sheet 'S1', row 4"
        assert found == "a second, different value of the entry 'Lot'"

    @pytest.mark.parametrize(
        ("header", "expected"),
        [
            ("lines = 9", "a header of 9 rows"),
            ("last_line = 'DATA'", "a row that ends the header and matches 'DATA'"),
            ("next_line = 'DATA'", "a row after the header that matches 'DATA'"),
        ],
    )
    def test_a_header_without_its_end_is_refused(self, header, expected) -> None:
        toml = PLAIN + f"[header]\n{header}\n"
        assert refusal(book(S1=[TITLES, *POINTS]), toml) == (
            "sheet 'S1', row 5", "the end of the sheet", expected,
        )  # fmt: skip

    def test_entries_in_sections_are_named_after_both(self) -> None:
        rows = [
            ["Hours", 1],
            ["[Lamp]"],
            ["Hours", 2],
            ["[Detector]"],
            ["Hours: 3"],
            TITLES,
            *POINTS,
        ]
        toml = PLAIN + "[header]\nlines = 5\nsections = '^\\[(.*)\\]$'\n"
        header = read_one(book(S1=rows), toml).header
        assert (header["Hours"], header["Lamp/Hours"], header["Detector/Hours"]) == ("1", "2", "3")

    def test_positions_that_come_twice_are_folded_where_the_format_says_how(self) -> None:
        rows = [TITLES, [400, 1.0], [401, 2.0], [401, 3.0], [402, 4.0]]
        toml = PLAIN.replace('unit = "nm"', 'unit = "nm"\nduplicates = "mean"')
        spectrum = read_one(book(S1=rows), toml)
        assert spectrum.values.tolist() == [1.0, 2.5, 4.0]
        assert "sheet 'S1', row 3" in spectrum.notes[0]

    def test_a_header_may_end_with_its_own_last_row_or_after_a_count(self) -> None:
        rows = [["Invented", "bench"], ["# DATA"], TITLES, *POINTS]
        for header in ("lines = 2", "last_line = '^# DATA'"):
            assert len(read_one(book(S1=rows), PLAIN + f"[header]\n{header}\n").values) == 3


class TestTable:
    def test_the_table_may_begin_further_right(self) -> None:
        rows = [[None, None, *row] for row in (TITLES, *POINTS)]
        spectrum = read_one(book(S1=rows), with_rule("first_column = 3"))
        assert spectrum.values.tolist() == [92.5, -0.02, 92.3]
        rows[1][2:] = [400, "x"]
        assert refusal(book(S1=rows), with_rule("first_column = 3"))[0] == "sheet 'S1', cell D2"

    @pytest.mark.parametrize(("column", "cell"), [(0, "A2"), (4, "E2")])
    def test_what_stands_beside_the_table_is_refused(self, column, cell) -> None:
        rows = [[None, None, *row, None] for row in (TITLES, *POINTS)]
        rows[1][column] = "checked"
        place, found, _ = refusal(book(S1=rows), with_rule("first_column = 3"))
        assert (place, found) == (f"sheet 'S1', cell {cell}", "the text 'checked'")

    def test_a_column_that_is_neither_read_nor_ignored_is_refused(self) -> None:
        rows = [[*TITLES, "lamp"], [400, 1, 2]]
        toml = PLAIN.replace("[values]", '[values]\ncolumns = ["S1"]')
        place, found, _ = refusal(book(S1=rows), toml)
        assert (place, found) == ("sheet 'S1', row 2", "also column 3 'lamp'")

    def test_two_columns_of_one_title_are_refused_where_it_is_read(self) -> None:
        rows = [["nm", "S1", "S1"], [400, 1, 2]]
        toml = PLAIN.replace("[values]", '[values]\ncolumns = ["S1"]')
        assert refusal(book(S1=rows), toml)[1].startswith("2 columns of that title")

    def test_a_row_that_ends_the_table_is_asked_for(self) -> None:
        toml = PLAIN.replace("title_lines = 1", "title_lines = 1\nend_line = '^end'")
        rows = [TITLES, *POINTS]
        assert read_one(book(S1=[*rows, ["end of scan"], []]), toml).values.size == 3
        assert refusal(book(S1=rows), toml)[0] == "sheet 'S1', row 4"

    def test_a_blank_row_between_numbers_is_refused(self) -> None:
        assert refusal(book(S1=[TITLES, POINTS[0], [], POINTS[1]]))[0] == "sheet 'S1', cell A3"

    def test_a_sheet_of_titles_alone_is_refused(self) -> None:
        assert refusal(book(S1=[TITLES])) == (
            "sheet 'S1', row 2", "no row of numbers", "rows of numbers",
        )  # fmt: skip

    def test_hidden_rows_and_columns_are_read_with_a_note(self) -> None:
        def hide(workbook) -> None:
            workbook["S1"].row_dimensions[3].hidden = True

        spectrum = read_one(book(S1=[TITLES, *POINTS], prepare=hide))
        assert spectrum.values.size == 3
        assert spectrum.notes == (
            "the sheet has hidden rows or columns; they were read like all others",
        )

    def test_a_merged_title_stands_in_its_first_cell_only(self) -> None:
        def merge(workbook) -> None:
            workbook["S1"].merge_cells("B1:C1")

        content = book(S1=[["nm", "S1", None], [400, 1, 2]], prepare=merge)
        assert refusal(content)[:2] == ("sheet 'S1', cell C2", "the number 2.0")
        toml = PLAIN.replace("[values]", "[values]\ncolumns = [2, 3]")
        assert [s.values.tolist() for s in read(content, toml)] == [[1.0], [2.0]]
