"""Delimited text is read as its format says, and what does not fit is refused by line."""

import codecs

import numpy as np
import pytest
from speclake_plugins.columns import ColumnsImporter

from speclake.errors import MalformedFile
from speclake.importing import Confidence, Source
from speclake.testing import check_importer
from tests.plugins.exports import read, read_one, source, table, two_columns

ROWS = ["400.0\t92.10", "400.5\t-0.02", "401.0\t92.3"]


def refusal(content: bytes, form) -> tuple[str, str, str]:
    with pytest.raises(MalformedFile) as caught:
        read(content, form)
    assert caught.value.file == "run7.txt"
    return caught.value.place, caught.value.found, caught.value.expected


class TestPlainTable:
    def test_values_header_and_title_come_out_as_written(self) -> None:
        spectrum = read_one(table(ROWS, "Invented bench\nSample: A 7\n"), two_columns())
        assert spectrum.axis.values.tolist() == [400.0, 400.5, 401.0]
        assert spectrum.values.tolist() == [92.10, -0.02, 92.3]
        assert (spectrum.axis.unit, spectrum.unit, spectrum.place) == ("nm", "%T", "")
        assert spectrum.header == {
            "line 1": "Invented bench",
            "Sample": "A 7",
            "column title": "%T",
        }
        assert spectrum.notes == ()

    def test_falling_axis_is_turned_and_its_direction_kept(self) -> None:
        spectrum = read_one(table(ROWS[::-1]), two_columns())
        assert spectrum.axis.values.tolist() == [400.0, 400.5, 401.0]
        assert spectrum.values.tolist() == [92.10, -0.02, 92.3]
        assert spectrum.scan_direction == "descending"

    @pytest.mark.parametrize(
        ("delimiter", "sign", "rows"),
        [
            (";", ",", ["400,0;92,1", "400,5; -2e-2", "401;92,"]),
            ("spaces", ".", ["  400.0   92.1", "400.5 -2E-2  ", "401 92."]),
            (" | ", ".", ["400.0 | 92.1", "400.5 | -.02", "401 | 92"]),
            (",", ".", ["+400.0,92.1", "400.5,-0.02", "401,92.0"]),
        ],
    )
    def test_delimiters_and_decimal_signs(self, delimiter, sign, rows) -> None:
        form = two_columns(
            text={"delimiter": delimiter, "decimal_sign": sign},
            header={"next_line": None, "lines": 1},
            table={"title_lines": 0},
        )
        for end in ("\n", "\r\n"):
            content = table([row + end[:-1] for row in rows], titles="")
            spectrum = read_one(content, form)
            assert spectrum.axis.values.tolist() == [400.0, 400.5, 401.0]
            assert spectrum.values.tolist() == [92.1, -0.02, 92.0]

    def test_thousands_signs_part_groups_of_three_only(self) -> None:
        form = two_columns(text={"thousands_sign": ","})
        spectrum = read_one(table(["1,000.5\t1,234,567", "1,001.5\t12"]), form)
        assert spectrum.axis.values.tolist() == [1000.5, 1001.5]
        assert spectrum.values.tolist() == [1234567.0, 12.0]
        place, found, _ = refusal(table(["1,000.5\t12,34", "1,001.5\t12"]), form)
        assert (place, found) == ("line 3", "'12,34' in column 2")

    def test_quoted_cells_may_hold_the_decimal_comma(self) -> None:
        form = two_columns(
            text={"delimiter": ",", "decimal_sign": ",", "quote": '"'},
            header={"next_line": '^"nm"'},
        )
        content = table(['"400,0","92,1"', '"400,5","92,2"'], titles='"nm","T, in %"\n')
        spectrum = read_one(content, form)
        assert spectrum.values.tolist() == [92.1, 92.2]
        assert spectrum.header["column title"] == "T, in %"
        assert refusal(table(['"400,0"1,"92,1"'], titles='"nm","%T"\n'), form)[0] == "line 3"

    def test_delimiter_at_line_end_adds_no_column(self) -> None:
        form = two_columns(text={"delimiter": ";", "delimiter_at_line_end": True},
                           header={"next_line": "^nm;"})  # fmt: skip
        spectrum = read_one(table(["400;1;", "401;2;"], titles="nm;%T\n"), form)
        assert spectrum.values.tolist() == [1.0, 2.0]
        assert refusal(table(["400;1;", "401;2"], titles="nm;%T;\n"), form)[0] == "line 4"

    def test_declared_missing_words_become_nan(self) -> None:
        form = two_columns(text={"missing": ["---", "Over", "", "-9999", "nan"]})
        words = ["---", "Over", "", "-9999", "nan", " Over "]
        rows = [f"{400 + i}\t{word}" for i, word in enumerate([*words, "-9999.0"])]
        values = read_one(table(rows), form).values
        assert np.isnan(values[:-1]).all()
        assert values[-1] == -9999.0

    def test_unicode_minus_is_noted(self) -> None:
        spectrum = read_one(table(["400\t\N{MINUS SIGN}0.5", "401\t1"]), two_columns())
        assert spectrum.values.tolist() == [-0.5, 1.0]
        assert spectrum.notes == ("the sign U+2212 read as a minus, 1 times",)

    def test_blank_lines_behind_the_table_say_nothing(self) -> None:
        assert len(read_one(table([*ROWS, "", "  "]), two_columns()).axis) == 3


class TestRefusedNumbers:
    @pytest.mark.parametrize(
        "cell",
        ["nan", "NaN", "inf", "-Infinity", "1_000", "0x10", "1e", "1e5.0", "--1", "+-1", "1,5",
         "1 000", "\N{ARABIC-INDIC DIGIT ONE}", "1f", "1d3", "", ".", "-", "e5", "9\r2",
         "92.1\x00", "1e999", "-1e999", "9" * 400, "9.1%", "\N{MINUS SIGN}", "None", "1.2.3",
         "\N{FULLWIDTH DIGIT ONE}", "2026-05-04", "'1", "1\N{NO-BREAK SPACE}000"],
    )  # fmt: skip
    def test_cell_is_named_with_line_and_column(self, cell) -> None:
        rows = [*ROWS[:2], f"401.0\t{cell}", "401.5\t3"]
        place, found, expected = refusal(table(rows), two_columns())
        assert place == "line 5"
        assert found.startswith(repr(cell)[:20])
        assert found.endswith("in column 2") or len(cell) > 60
        assert expected.startswith("a number")

    def test_decimal_comma_under_a_declared_point_is_never_cut(self) -> None:
        place, found, expected = refusal(table(["400,0\t92,1"]), two_columns())
        assert (place, found) == ("line 3", "'400,0' in column 1")
        assert expected == "a number with decimal point"

    def test_decimal_point_under_a_declared_comma_is_refused(self) -> None:
        for missing in ([], ["n.a."]):
            form = two_columns(text={"decimal_sign": ",", "missing": missing})
            place, found, _ = refusal(table(["400,0\t92.1", "401,0\t2,0"]), form)
            assert (place, found) == ("line 3", "'92.1' in column 2")

    @pytest.mark.parametrize("row", ["401.0", "401.0\t1\t2", "", "end of data", "# note\t1\t2"])
    def test_row_with_other_cells_is_refused(self, row) -> None:
        place, found, expected = refusal(table([*ROWS[:2], row, "402\t1"]), two_columns())
        assert place == "line 5"
        assert repr(row) in found
        assert expected == "2 cells, as above"

    @pytest.mark.parametrize(
        ("positions", "line", "found"),
        [
            (["400", "401", "401", "402"], 5, "the position 401.0 after 401.0"),
            (["400", "401", "400.5", "402"], 5, "the position 400.5 after 401.0"),
            (["402", "401", "401.5", "400"], 5, "the position 401.5 after 401.0"),
            (["400", "400", "401", "402"], 4, "the position 400.0 after 400.0"),
            (["400", "401", "402", "399"], 6, "the position 399.0 after 402.0"),
        ],
    )
    def test_axis_that_repeats_or_turns_is_refused(self, positions, line, found) -> None:
        place, was, _ = refusal(table([f"{p}\t1" for p in positions]), two_columns())
        assert (place, was) == (f"line {line}", found)

    def test_missing_position_is_refused(self) -> None:
        form = two_columns(text={"missing": ["---"]})
        assert refusal(table(["400\t1", "---\t2", "402\t1"]), form)[:2] == (
            "line 4",
            "a missing position",
        )

    def test_table_without_rows_is_refused(self) -> None:
        for content in (b"Invented bench\n", b"Invented bench\nnm\t%T\n"):
            assert refusal(content, two_columns())[1] == "the end of the file"
        assert refusal(table([""]), two_columns())[1] == "no row of numbers"


class TestHalfWritten:
    def test_last_number_cut_short_is_refused(self) -> None:
        whole = table(ROWS)
        place, found, expected = refusal(whole[:-2], two_columns())
        assert (place, found) == ("line 5", "a last line without its end: '401.0\\t92.'")
        assert "half written" in expected

    def test_last_line_may_lack_its_newline_where_its_number_is_whole(self) -> None:
        form = two_columns(text={"last_line_may_lack_newline": True})
        whole = table(["400.0\t92.10", "400.5\t-0.02"]).removesuffix(b"\n")
        spectrum = read_one(whole, form)
        assert spectrum.values.tolist() == [92.10, -0.02]
        assert spectrum.notes == ("the last line ends without a newline, as the format allows",)
        for cut in range(1, len("400.5\t-0.02")):
            assert refusal(whole[:-cut], form)[0] == "line 4"

    def test_number_of_points_is_held_to(self) -> None:
        form = two_columns(table={"points_entry": "Points"})
        assert len(read_one(table(ROWS, "Invented bench\nPoints: 3\n"), form).axis) == 3
        for stated, found in (("4", "3 rows"), ("2", "3 rows"), ("3.0", "'Points' '3.0'")):
            content = table(ROWS, f"Invented bench\nPoints: {stated}\n")
            assert refusal(content, form)[1] == found
        assert refusal(table(ROWS), form)[1] == "no header entry 'Points'"

    def test_end_line_is_held_to(self) -> None:
        form = two_columns(table={"end_line": "^end of scan$"})
        assert len(read_one(table([*ROWS, "end of scan", ""]), form).axis) == 3
        assert refusal(table(ROWS), form)[:2] == ("line 5", "'401.0\\t92.3' at the end")
        assert refusal(table([*ROWS, "end of scan", "1\t2"]), form)[0] == "line 7"
        assert refusal(table([ROWS[0], "end of scan", *ROWS, "end of scan"]), form)[0] == "line 4"

    def test_every_cut_of_a_file_that_tells_its_points_is_refused(self) -> None:
        form = two_columns(table={"points_entry": "Points"})
        content = table(ROWS, "Invented bench\nPoints: 3\n")
        for cut in range(len(content)):
            with pytest.raises(MalformedFile):
                read(content[:cut], form)


class TestEncoding:
    def test_undecodable_byte_is_named_by_line(self) -> None:
        content = table(["400\t1", "401\t2"], "Invented bench\nSample: \xe9\n")
        broken = content.replace("\xe9".encode(), b"\xe9")
        assert refusal(broken, two_columns()) == ("line 2", "the bytes 0xe9", "text in utf-8")
        ascii_only = two_columns(text={"encoding": "ascii"})
        assert refusal(content, ascii_only)[:2] == ("line 2", "the bytes 0xc3")

    @pytest.mark.parametrize(
        "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252", "cp932", "gb18030"]
    )
    def test_declared_encodings(self, encoding) -> None:
        sample = {"cp932": "試料7", "gb18030": "样品7"}.get(encoding, "Pl\xe4ttchen 7")
        text = table(ROWS, f"Invented bench\nSample: {sample}\n").decode()
        spectrum = read_one(text.encode(encoding), two_columns(text={"encoding": encoding}))
        assert spectrum.header["Sample"] == sample
        assert spectrum.notes == ()

    def test_byte_order_mark_wins_with_a_note(self) -> None:
        text = table(ROWS, "Invented bench\nSample: \xb5\n").decode()
        spectrum = read_one(
            codecs.BOM_UTF8 + text.encode(), two_columns(text={"encoding": "cp1252"})
        )
        assert spectrum.header["Sample"] == "\xb5"
        assert spectrum.notes == (
            "read as utf-8, as its byte-order mark says; the format says cp1252",
        )

    def test_utf_16_without_a_mark_is_not_guessed(self) -> None:
        content = table(ROWS).decode().encode("utf-16-le")
        place, found, _ = refusal(content, two_columns(text={"encoding": "utf-16"}))
        assert (place, found) == ("line 1", "no byte-order mark")


TITLES = "nm\tA-1\tA-2\tLamp\n"
SIDE_BY_SIDE = ["400\t1\t2\t9", "401\t3\t4\t9"]


class TestColumns:
    def several(self, **values) -> object:
        return two_columns(values={"unit": "%T"} | values)

    def test_all_other_columns_are_spectra_with_their_place(self) -> None:
        spectra = read(table(SIDE_BY_SIDE, titles=TITLES), self.several(ignore=["Lamp"]))
        assert [s.place for s in spectra] == ["column 2", "column 3"]
        assert [s.values.tolist() for s in spectra] == [[1.0, 3.0], [2.0, 4.0]]
        assert spectra[0].axis is spectra[1].axis

    def test_chosen_columns_must_be_there_and_none_be_left(self) -> None:
        content = table(SIDE_BY_SIDE, titles=TITLES)
        spectra = read(content, self.several(columns=["A-2", 2], ignore=[4]))
        assert [s.header["column title"] for s in spectra] == ["A-2", "A-1"]
        assert refusal(content, self.several(columns=["A-2", 2]))[1] == "also column 4 'Lamp'"
        assert refusal(content, self.several(columns=["A-3"], ignore=[2, 3, 4]))[2] == (
            "one column 'A-3'"
        )
        assert refusal(content, self.several(columns=[7]))[2] == "a column 7"

    def test_one_title_twice_is_not_chosen_from(self) -> None:
        content = table(SIDE_BY_SIDE, titles="nm\tA-1\tA-1\tLamp\n")
        assert refusal(content, self.several(columns=["A-1"], ignore=["Lamp"]))[0] == "line 2"

    def test_axis_alone_is_no_spectrum(self) -> None:
        form = two_columns(header={"next_line": "^nm$"})
        assert refusal(table(["400", "401"], titles="nm\n"), form)[2] == "a column beside the axis"

    def test_axis_by_title(self) -> None:
        form = two_columns(axis={"column": "nm"}, header={"next_line": "^T"})
        spectrum = read_one(table(["5\t400", "6\t401"], titles="T\tnm\n"), form)
        assert spectrum.axis.values.tolist() == [400.0, 401.0]

    def test_site_and_sample_from_the_column_title(self) -> None:
        form = self.several(title_pattern=r"(?P<sample>\w+)-(?P<site>\d+)", ignore=["Lamp"])
        spectra = read(table(SIDE_BY_SIDE, titles=TITLES), form)
        assert [dict(s.fields) for s in spectra] == [
            {"sample": "A", "site": "1"},
            {"sample": "A", "site": "2"},
        ]
        odd = read(table(SIDE_BY_SIDE, titles="nm\tA-1\todd\tLamp\n"), form)[1]
        assert odd.fields == {}
        assert odd.notes[0].startswith("column title 'odd' does not match")

    def test_number_in_a_column_title_loses_its_decimal_comma(self) -> None:
        form = two_columns(
            text={"decimal_sign": ","}, values={"title_pattern": r"x=(?P<x_mm>[-\d,]+)"}
        )
        spectrum = read_one(table(["400,0\t1", "401,0\t2"], titles="nm\tx=-7,5\n"), form)
        assert spectrum.fields == {"x_mm": "-7.5"}

    def test_title_of_two_lines(self) -> None:
        form = two_columns(table={"title_lines": 2}, header={"next_line": "^Wave"})
        titles = "Wavelength\tTransmittance\nnm\t%\n"
        assert read_one(table(ROWS, titles=titles), form).header["column title"] == (
            "Transmittance %"
        )
        assert refusal(table(ROWS, titles="Wavelength\tT\nnm\n"), form)[0] == "line 3"


UNITS = {"percent": "%T", "ratio": "T", "absorbance": "A"}


class TestUnit:
    def test_from_a_header_entry_by_declared_words_only(self) -> None:
        form = two_columns(values={"unit": None, "unit_from": {"entry": "Mode", "units": UNITS}})
        content = table(["400\t0.5", "401\t0.6"], "Invented bench\nMode: ratio\n", "nm\ty\n")
        assert read_one(content, form).unit == "T"
        _, found, expected = refusal(content.replace(b"ratio", b"odd"), form)
        assert found == "the header entry 'Mode' 'odd'"
        assert expected == "a unit of the values: one of 'percent', 'ratio', 'absorbance'"
        assert refusal(content.replace(b"Mode", b"Kind"), form)[1] == "no header entry 'Mode'"

    def test_from_part_of_each_column_title(self) -> None:
        rules = {"title": True, "pattern": r"\((.*)\)", "units": {"%T": "%T", "Abs": "A"}}
        form = two_columns(values={"unit": None, "unit_from": rules})
        content = table(["400\t50\t0.3", "401\t60\t0.2"], titles="nm\tS1 (%T)\tS1 (Abs)\n")
        assert [s.unit for s in read(content, form)] == ["%T", "A"]

    def test_magnitude_never_decides(self) -> None:
        content = table(["400\t0.92", "401\t0.93"])
        assert read_one(content, two_columns()).unit == "%T"


class TestFields:
    HEADER = (
        "Invented bench\nSample: LOT7/wafer 3\nAngle: 8,5 deg\nPol: p-pol\nDate: 04.05.2026\n"
        "Time: 10:12\nEmpty:\n"
    )

    def form(self, **more):
        fields = {
            "lot": {"entry": "Sample", "pattern": "^[^/]+"},
            "sample": {"entry": "Sample", "pattern": "/(.*)$"},
            "angle_deg": {"entry": "Angle", "pattern": "^[0-9,]+"},
            "polarisation": {"entry": "Pol", "words": {"p-pol": "p", "s-pol": "s"}},
            "comment": "Empty",
            "operator": "Nobody wrote this",
        }
        return two_columns(
            text={"decimal_sign": ","},
            fields=fields,
            constants={"instrument": "bench 2"},
            scanned={
                "entries": ["Date", "Time"],
                "patterns": ["%d.%m.%Y %H:%M"],
                "zone": "Europe/Berlin",
            },
            **more,
        )

    def test_parts_words_constants_and_time(self) -> None:
        spectrum = read_one(table(["400,0\t1", "401,0\t2"], self.HEADER), self.form())
        assert spectrum.fields == {
            "instrument": "bench 2",
            "lot": "LOT7",
            "sample": "wafer 3",
            "angle_deg": "8.5",
            "polarisation": "p",
            "scanned": "2026-05-04T10:12+02:00",
        }
        assert spectrum.header["Angle"] == "8,5 deg"
        assert spectrum.notes == ()

    def test_word_that_is_not_declared_is_left_unknown_with_a_note(self) -> None:
        header = self.HEADER.replace("p-pol", "q-pol").replace("8,5 deg", "steep")
        spectrum = read_one(table(["400,0\t1", "401,0\t2"], header), self.form())
        assert not {"polarisation", "angle_deg"} & set(spectrum.fields)
        assert spectrum.notes == (
            "angle_deg not read: 'steep' does not match '^[0-9,]+'",
            "polarisation not read: found 'q-pol'; expected one of 'p-pol', 's-pol'",
        )

    def test_impossible_date_stays_in_the_header_with_a_note(self) -> None:
        header = self.HEADER.replace("04.05.2026", "31.02.2026")
        spectrum = read_one(table(["400,0\t1", "401,0\t2"], header), self.form())
        assert "scanned" not in spectrum.fields
        assert spectrum.header["Date"] == "31.02.2026"
        assert spectrum.notes[0].startswith("scan time not read: found '31.02.2026 10:12'")

    def test_entry_given_twice_differently_is_refused_where_it_is_read(self) -> None:
        rows = ["400,0\t1", "401,0\t2"]
        twice = table(rows, self.HEADER + "Pol: s-pol\n")
        place, found, _ = refusal(twice, self.form())
        assert place == "line 8"
        assert found == "a second, different value of the entry 'Pol'"
        same = read_one(table(rows, self.HEADER + "Pol: p-pol\nOther: 1\nOther: 2\n"), self.form())
        assert same.header["Other [2]"] == "2"

    def test_entry_that_comes_thrice_is_kept_thrice(self) -> None:
        header = "Invented bench\nDate: a\nLamp: 1\nLamp: 2\nLamp: 2\nLamp [2]: 9\n"
        spectrum = read_one(table(ROWS, header), two_columns())
        assert {key: text for key, text in spectrum.header.items() if "Lamp" in key} == {
            "Lamp": "1",
            "Lamp [2]": "2",
            "Lamp [3]": "2",
            "Lamp [2]'": "9",
        }

    def test_medium_that_the_header_states_goes_to_the_axis(self) -> None:
        form = two_columns(fields={"medium": {"entry": "In", "words": {"VAC": "vacuum"}}})
        assert read_one(table(ROWS, "Invented bench\nIn: VAC\n"), form).axis.medium == "vacuum"
        assert read_one(table(ROWS), form).axis.medium is None


class TestBlocks:
    def form(self, **changes):
        base = {
            "header": {"next_line": "^site", "between": " = "},
            "blocks": {
                "begin_line": "^site = ",
                "growing": True,
                "header": {"next_line": "^nm\t", "between": " = "},
            },
            "table": {"title_lines": 1, "points_entry": "points"},
            "fields": {"site": "site", "lot": "lot"},
        }
        return two_columns(**{**base, **changes})

    CONTENT = (
        b"Invented bench\nlot = L7\n"
        b"site = 1\npoints = 2\nnm\t%T\n400.0\t1.5\n401.0\t2.5\n"
        b"site = 2\npoints = 3\nnm\t%T\n400.0\t3.5\n401.0\t4.5\n402.0\t5.5\n"
    )

    def test_each_block_has_its_own_header_within_that_of_the_file(self) -> None:
        one, two = read(self.CONTENT, self.form())
        assert (one.place, two.place) == ("block 1", "block 2")
        assert one.fields == {"site": "1", "lot": "L7"}
        assert two.fields == {"site": "2", "lot": "L7"}
        assert two.values.tolist() == [3.5, 4.5, 5.5]
        assert two.header["points"] == "3"

    def test_growing_file_gives_its_finished_blocks_only(self) -> None:
        last_block = self.CONTENT.index(b"site = 2")
        for cut in range(last_block, len(self.CONTENT)):
            [one] = read(self.CONTENT[:cut], self.form())
            assert one.values.tolist() == [1.5, 2.5]
        _, found, expected = refusal(self.CONTENT[:60], self.form())
        assert (found, expected) == ("no finished block", "at least one; the file may yet grow")

    def test_unfinished_block_of_a_file_that_does_not_grow_is_refused(self) -> None:
        form = self.form()
        blocks = form.as_data()["blocks"] | {"growing": False}
        still = self.form(blocks=blocks)
        assert len(read(self.CONTENT, still)) == 2
        assert refusal(self.CONTENT[:-10], still)[:2] == ("block 2, line 13", "the end of the file")

    def test_damage_inside_a_finished_block_is_refused_by_block_and_line(self) -> None:
        place, found, _ = refusal(self.CONTENT.replace(b"2.5", b"2.x"), self.form())
        assert (place, found) == ("block 1, line 7", "'2.x' in column 2")
        more = self.CONTENT.replace(b"points = 3", b"points = 2")
        assert refusal(more, self.form())[:2] == ("block 2, line 13", "one more row: '402.0\\t5.5'")
        fewer = self.CONTENT.replace(b"points = 2", b"points = 3")
        assert refusal(fewer, self.form())[1] == "2 rows"

    def test_blocks_that_a_line_ends(self) -> None:
        form = self.form(
            header=None,
            blocks={"header": {"lines": 1, "between": " = "}},
            table={"title_lines": 0, "end_line": "^$"},
            fields={"site": "site"},
        )
        content = b"site = 1\n400\t1\n401\t2\n\n\nsite = 2\n400\t3\n401\t4\n\n"
        assert [s.fields["site"] for s in read(content, form)] == ["1", "2"]
        for cut in (content[:-1], content[:-3]):
            assert refusal(cut, form)[2] == "a line that ends the block and matches '^$'"

    def test_blocks_side_by_side_and_one_below_the_other(self) -> None:
        content = self.CONTENT.replace(b"nm\t%T", b"nm\tp\ts").replace(b".5\n", b".5\t0\n")
        places = [s.place for s in read(content, self.form())]
        assert places == ["block 1, column 2", "block 1, column 3",
                          "block 2, column 2", "block 2, column 3"]  # fmt: skip

    def test_nearer_entry_hides_that_of_the_file_and_both_are_kept(self) -> None:
        content = self.CONTENT.replace(b"site = 2\n", b"site = 2\nlot = L8\n")
        two = read(content, self.form())[1]
        assert two.fields["lot"] == "L8"
        assert (two.header["lot"], two.header["lot (of the file)"]) == ("L8", "L7")

    def test_last_block_without_any_end_needs_its_newline(self) -> None:
        form = self.form(
            blocks={"begin_line": "^site", "growing": False, "header": {"lines": 2}},
            table={"title_lines": 1},
        )
        assert len(read(self.CONTENT, form)) == 2
        assert refusal(self.CONTENT[:-1], form)[0] == "block 2, line 13"


class TestRecognition:
    def guess(self, name: str, content: bytes, **formats):
        data = {key: form.as_data() for key, form in formats.items()}
        return ColumnsImporter().sniff(Source(name, content, data))

    def test_text_in_the_first_lines_and_name(self) -> None:
        form = two_columns(recognise={"file_name": "RUN*.txt", "within_lines": 1})
        assert self.guess("in/run7.TXT", table(ROWS), bench=form).format == "bench"
        assert self.guess("in/other.txt", table(ROWS), bench=form).confidence == Confidence.NO
        late = table(ROWS, "first line\nInvented bench\n")
        assert self.guess("in/run7.txt", late, bench=form).confidence == Confidence.NO

    def test_utf_16_text_is_recognised(self) -> None:
        form = two_columns(text={"encoding": "utf-16"})
        content = table(ROWS).decode().encode("utf-16")
        assert self.guess("a.txt", content, bench=form).confidence == Confidence.CERTAIN

    def test_tie_is_refused_with_both_names(self) -> None:
        guess = self.guess("a.txt", table(ROWS), second=two_columns(), first=two_columns())
        assert (guess.confidence, guess.format) == (Confidence.POSSIBLE, None)
        assert guess.reason == "2 formats that recognise it: 'first' and 'second'"
        data = {"first": two_columns().as_data(), "second": two_columns().as_data()}
        with pytest.raises(MalformedFile, match="'first' and 'second'"):
            list(ColumnsImporter().read(Source("a.txt", table(ROWS), data)))

    def test_nobody_recognises_it(self) -> None:
        guess = self.guess("a.txt", b"400\t1\n401\t2\n", bench=two_columns())
        assert guess.confidence == Confidence.NO
        assert self.guess("a.txt", b"400\t1\n").reason == (
            "no format describes it; `speclake describe` drafts one"
        )
        with pytest.raises(MalformedFile, match="drafts it"):
            list(ColumnsImporter().read(Source("a.txt", b"400\t1\n")))

    def test_format_named_by_the_settings_is_taken_or_missed(self) -> None:
        form = two_columns(recognise=None)
        assert ColumnsImporter().sniff(source(table(ROWS), form)).confidence == Confidence.CERTAIN
        gone = Source("a.txt", table(ROWS), {}, "bench")
        assert ColumnsImporter().sniff(gone).confidence == Confidence.NO
        with pytest.raises(MalformedFile, match="no format 'bench'"):
            list(ColumnsImporter().read(gone))


class TestContract:
    def source(self, content: bytes, form) -> Source:
        return Source("run7.txt", content, {"bench": form.as_data()})

    def test_table_that_tells_its_points(self) -> None:
        form = two_columns(table={"points_entry": "Points"}, fields={"sample": "Sample"})
        content = table(ROWS, "Invented bench\nSample: A\nPoints: 3\n")
        check_importer(ColumnsImporter(), self.source(content, form), spectra=1)

    def test_table_that_does_not_tell_its_end(self) -> None:
        content = table(["400;1;2;", "401;3;---;"], titles="nm;a;b;\n")
        form = two_columns(
            text={"delimiter": ";", "delimiter_at_line_end": True, "missing": ["---"]},
            header={"next_line": "^nm;"},
        )
        check_importer(ColumnsImporter(), self.source(content, form), spectra=2, open_ended=True)

    def test_growing_blocks(self) -> None:
        form = TestBlocks().form()
        content = TestBlocks.CONTENT
        check_importer(ColumnsImporter(), self.source(content, form), spectra=2)

    def test_last_line_without_a_newline(self) -> None:
        form = two_columns(text={"last_line_may_lack_newline": True})
        content = table(["400.0\t92.10", "400.5\t-0.02"]).removesuffix(b"\n")
        check_importer(ColumnsImporter(), self.source(content, form), spectra=1, open_ended=True)

    def test_utf_16(self) -> None:
        form = two_columns(text={"encoding": "utf-16"}, table={"end_line": "^end$"})
        content = table([*ROWS, "end"]).decode().encode("utf-16")
        check_importer(ColumnsImporter(), self.source(content, form), spectra=1)
