"""Numbers, axes and headers in the ways of many benches; what is not declared is refused."""

import io

import numpy as np
import pytest
from speclake_plugins.columns import ColumnsImporter

from speclake.errors import MalformedFile
from speclake.importing import read_checked
from speclake.importing.formats import Format
from speclake.importing.lineends import has_carriage_returns_alone
from speclake.testing import check_importer
from tests.plugins.exports import read, read_one, source, table, two_columns

ROWS = ["400.0\t1.5", "401.0\t2.5"]


def refusal(content: bytes, form: Format) -> tuple[str, str, str]:
    with pytest.raises(MalformedFile) as caught:
        read(content, form)
    assert caught.value.file == "run7.txt"
    return caught.value.place, caught.value.found, caught.value.expected


class TestSigns:
    @pytest.mark.parametrize("sign", list(".' \N{NO-BREAK SPACE}\N{NARROW NO-BREAK SPACE}\u2019"))
    def test_thousands_signs_of_many_places(self, sign) -> None:
        form = two_columns(text={"decimal_sign": ",", "thousands_sign": sign})
        rows = [f"1{sign}000,5\t1{sign}234{sign}567,25", f"1{sign}001,5\t-12"]
        spectrum = read_one(table(rows), form)
        assert spectrum.axis.values.tolist() == [1000.5, 1001.5]
        assert spectrum.values.tolist() == [1234567.25, -12.0]
        for wrong in ("12_34", "1234_567", "1__234", "_1_23", "1_234_5", "1,234_567", "1_234e3"):
            cell = wrong.replace("_", sign)
            assert refusal(table([rows[0], f"1002\t{cell}"]), form)[0] == "line 4"
        undeclared = two_columns(text={"decimal_sign": ","})
        assert refusal(table(rows), undeclared)[0] == "line 3"

    def test_indian_groups(self) -> None:
        form = two_columns(text={"thousands_sign": ",", "digit_groups": "indian"})
        spectrum = read_one(table(["1,000.5\t12,34,567.5", "1,001.5\t1,23,45,678"]), form)
        assert spectrum.values.tolist() == [1234567.5, 12345678.0]
        for wrong in ("1,234,567", "123,456", "12,3,456", "12,34"):
            assert refusal(table([f"400\t{wrong}"]), form)[1] == f"'{wrong}' in column 2"

    @pytest.mark.parametrize(
        "sign", list("\u2010\u2011\u2012\u2013\u2014\N{FULLWIDTH HYPHEN-MINUS}")
    )
    def test_other_minus_signs_only_where_declared(self, sign) -> None:
        content = table([f"400\t{sign}0.5", f"401\t1.5e{sign}3"])
        spectrum = read_one(content, two_columns(text={"minus_sign": sign}))
        assert spectrum.values.tolist() == [-0.5, 0.0015]
        assert spectrum.notes == (f"the sign U+{ord(sign):04X} read as a minus, 2 times",)
        assert refusal(content, two_columns())[0] == "line 3"

    def test_exponent_sign_d_only_where_declared(self) -> None:
        form = two_columns(text={"decimal_sign": ",", "exponent_sign": "D"})
        content = table(["4,0D2\t1,5D-03", "401\t1d3", "4,02E+02\t1,5E-03"])
        spectrum = read_one(content, form)
        assert spectrum.axis.values.tolist() == [400.0, 401.0, 402.0]
        assert spectrum.values.tolist() == [0.0015, 1000.0, 0.0015]
        assert spectrum.notes == ("the exponent sign D read as e, 3 times",)
        plain = two_columns(text={"decimal_sign": ","})
        assert refusal(content, plain)[:2] == ("line 3", "'4,0D2' in column 1")
        for wrong in ("1D", "D3", "1D2D3", "1D2.5"):
            assert refusal(table([f"400\t{wrong}"]), form)[0] == "line 3"

    def test_full_width_digits_only_where_declared(self) -> None:
        content = table(["４００．５\t－１２．２５", "401.5\t１Ｅ２"])
        form = two_columns(text={"full_width_digits": True})
        spectrum = read_one(content, form)
        assert spectrum.axis.values.tolist() == [400.5, 401.5]
        assert spectrum.values.tolist() == [-12.25, 100.0]
        assert spectrum.notes == ("full-width signs of numbers read as plain ones, 14 times",)
        assert refusal(content, two_columns())[0] == "line 3"

    @pytest.mark.parametrize("digit", ["\u0661", "\u096b", "\u00b2", "\U0001d7d9", "\u2460"])
    def test_digits_of_no_other_script_are_read(self, digit) -> None:
        form = two_columns(text={"full_width_digits": True})
        assert refusal(table([f"400\t{digit}"]), form)[0] == "line 3"

    def test_words_for_missing_values(self) -> None:
        words = ["Over", "---", "#N/A", "", "#DIV/0!", "\u2014", "n.d."]
        form = two_columns(text={"missing": words})
        rows = [f"{400 + i}\t{word}" for i, word in enumerate([*words, "7.5"])]
        values = read_one(table(rows), form).values
        assert np.isnan(values[:-1]).all()
        assert values[-1] == 7.5
        for wrong in ("over", "OVER", "--", "#N/A!", "N/A"):
            assert refusal(table([f"400\t{wrong}"]), form)[0] == "line 3"

    def test_ignored_column_may_hold_words(self) -> None:
        form = two_columns(values={"unit": "%T", "ignore": ["flag"]})
        rows = ["400\t1.5\tok", "401\t2.5\tlow"]
        assert read_one(table(rows, titles="nm\t%T\tflag\n"), form).values.tolist() == [1.5, 2.5]
        assert refusal(table(["400\tok\tok"], titles="nm\t%T\tflag\n"), form)[0] == "line 3"


class TestDuplicates:
    ROWS = ("850\t1.0", "860\t2.0", "860\t2.5", "870\t3.0", "880\t4.0", "880\t5.0", "880\t9.0")

    @pytest.mark.parametrize(
        ("how", "values", "taken"),
        [
            ("mean", [1.0, 2.25, 3.0, 6.0], "the mean of the values taken"),
            ("first", [1.0, 2.0, 3.0, 4.0], "the first value taken"),
            ("last", [1.0, 2.5, 3.0, 9.0], "the last taken"),
        ],
    )
    def test_format_says_what_becomes_of_a_change_of_detectors(self, how, values, taken) -> None:
        form = two_columns(axis={"duplicates": how})
        for rows, first in ((self.ROWS, "860.0 nm at line 4"), (self.ROWS[::-1], "880.0 nm")):
            spectrum = read_one(table(list(rows)), form)
            assert spectrum.axis.values.tolist() == [850.0, 860.0, 870.0, 880.0]
            [note] = spectrum.notes
            assert note.startswith(f"2 positions come more than once, first {first}")
            assert note.endswith(taken)
        assert read_one(table(list(self.ROWS)), form).values.tolist() == values

    def test_unless_said_it_is_refused(self) -> None:
        place, found, _ = refusal(table(list(self.ROWS)), two_columns())
        assert (place, found) == ("line 5", "the position 860.0 after 860.0")

    def test_mean_with_a_missing_value_is_missing(self) -> None:
        form = two_columns(axis={"duplicates": "mean"}, text={"missing": ["---"]})
        values = read_one(table(["400\t1", "400\t---", "401\t2"]), form).values
        assert np.isnan(values[0])
        assert values[1] == 2.0

    def test_mean_of_large_values_is_exact(self) -> None:
        form = two_columns(axis={"duplicates": "mean"})
        values = read_one(table(["400\t1.7e308", "400\t1.5e308", "401\t0.1"]), form).values
        assert values.tolist() == [1.6e308, 0.1]

    def test_axis_that_turns_back_is_refused_by_its_own_line(self) -> None:
        form = two_columns(axis={"duplicates": "mean"})
        rows = ["400\t1", "401\t2", "401\t3", "402\t4", "401\t5"]
        assert refusal(table(rows), form)[:2] == ("line 7", "the position 401.0 after 402.0")

    def test_nothing_is_noted_where_nothing_repeats(self) -> None:
        form = two_columns(axis={"duplicates": "mean"})
        assert read_one(table(["400\t1", "401\t2"]), form).notes == ()


class TestPairs:
    TITLES = "S1\t\tS2\t\n"
    ROWS = ("400\t1.5\t500\t7.5", "401\t2.5\t499\t8.5", "402\t3.5\t\t")

    def form(self, **changes) -> Format:
        text = {"missing": ["---"]} | changes.pop("text", {})
        values = {"pairs": True} | changes.pop("values", {})
        return two_columns(
            text=text, values=values, header={"next_line": None, "lines": 1}, **changes
        )

    def test_each_spectrum_has_an_axis_of_its_own(self) -> None:
        for rows in (self.ROWS, (*self.ROWS[:2], "402\t3.5"), (*self.ROWS, "\t\t\t")):
            one, two = read(table(list(rows), titles=self.TITLES), self.form())
            assert one.axis.values.tolist() == [400.0, 401.0, 402.0]
            assert one.values.tolist() == [1.5, 2.5, 3.5]
            assert two.axis.values.tolist() == [499.0, 500.0]
            assert two.values.tolist() == [8.5, 7.5]
            assert (one.scan_direction, two.scan_direction) == ("ascending", "descending")
            assert (one.place, two.place) == ("column 2", "column 4")
            assert [s.header["column title"] for s in (one, two)] == ["S1", "S2"]

    def test_missing_value_is_not_the_end(self) -> None:
        for missing, word in (([""], ""), (["---"], "---"), (["", "---"], "---")):
            form = self.form(text={"missing": missing})
            rows = ["400\t1\t500\t7", f"401\t2\t501\t{word}", "402\t3\t502\t9", "403\t4\t\t"]
            _, two = read(table(rows, titles=self.TITLES), form)
            assert two.axis.values.tolist() == [500.0, 501.0, 502.0]
            assert np.isnan(two.values[1])

    @pytest.mark.parametrize(
        ("row", "line", "found"),
        [
            ("403\t4\t498\t9", 6, "'498' and '9' in columns 3 and 4, which end at line 5"),
            ("403\t4\t\t9", 6, "'' and '9' in columns 3 and 4, which end at line 5"),
            ("403\t4\t498", 6, "3 cells: '403\\t4\\t498'"),
            ("403\t4\t---\t---", 6, "'---' and '---' in columns 3 and 4, which end at line 5"),
            ("403\t\t\t", 6, "'' in column 2"),
            ("\t4\t\t", 6, "a blank position beside '4' in columns 1 and 2"),
            ("403\t4\t\t\t\t", 6, "6 cells: '403\\t4\\t\\t\\t\\t'"),
            ("", 6, "an empty line: ''"),
        ],
    )
    def test_pair_that_goes_on_or_loses_a_cell_is_refused(self, row, line, found) -> None:
        for form in (self.form(), self.form(text={"missing": []})):
            place, was, _ = refusal(
                table([*self.ROWS, row, "404\t5\t\t"], titles=self.TITLES), form
            )
            assert (place, was) == (f"line {line}", found)

    def test_missing_position_is_refused(self) -> None:
        rows = ["400\t1\t---\t7", "401\t2\t501\t8"]
        assert refusal(table(rows, titles=self.TITLES), self.form())[1] == "a missing position"

    def test_pair_without_a_point_is_refused(self) -> None:
        found = refusal(table(["400\t1\t\t", "401\t2\t\t"], titles=self.TITLES), self.form())[1]
        assert found == "no number in columns 3 and 4"

    def test_columns_that_are_no_pairs_are_refused(self) -> None:
        content = table(["400\t1\t9"], titles="a\tb\tc\n")
        assert refusal(content, self.form())[1] == "3 columns"
        assert len(read(content, self.form(values={"ignore": ["c"]}))) == 1

    def test_rows_announced_are_those_of_the_longest(self) -> None:
        form = self.form(table={"title_lines": 1, "points_entry": "Points"})
        form = form.model_copy(update={"header": form.header.model_copy(update={"lines": 2})})
        content = table(list(self.ROWS), "Invented bench\nPoints: 3\n", self.TITLES)
        assert len(read(content, form)) == 2
        assert refusal(content.replace(b"Points: 3", b"Points: 2"), form)[1] == "3 rows"

    def test_long_tables_in_pieces_keep_their_ends(self) -> None:
        rows = [f"{i}\t{i / 8}\t{i}\t0.5" for i in range(1, 30_001)]
        rows += [f"{i}\t{i / 8}\t\t" for i in range(30_001, 70_001)]
        one, two = read(table(rows, titles=self.TITLES), self.form(text={"missing": []}))
        assert (len(one.axis), len(two.axis)) == (70_000, 30_000)
        rows[69_000] = "69001\t1\t2\t3"
        assert refusal(table(rows, titles=self.TITLES), self.form())[0] == "line 69003"


class TestFooter:
    ROWS = ("400\t1.5", "401\t2.5")
    FOOTER = "\nOperator: op 4\n[Lamp]\nHours: 120\nfree\ttext\nend of file\n"

    def form(self, **footer) -> Format:
        return two_columns(
            table={"end_line": "^$"},
            footer={"sections": r"^\[(.*)\]$", "last_line": "^end of file$"} | footer,
            fields={"operator": "Operator"},
        )

    def test_entries_below_the_rows_are_kept_like_those_above(self) -> None:
        content = table(list(self.ROWS)) + self.FOOTER.encode()
        spectrum = read_one(content, self.form())
        assert spectrum.values.tolist() == [1.5, 2.5]
        assert spectrum.fields == {"operator": "op 4"}
        assert spectrum.header["Lamp/Hours"] == "120"
        assert spectrum.header["line 9"] == "free\ttext"

    def test_every_cut_is_refused(self) -> None:
        content = table(list(self.ROWS)) + self.FOOTER.encode()
        for cut in range(len(content)):
            with pytest.raises(MalformedFile):
                read(content[:cut], self.form())
        assert refusal(content + b"more\n", self.form())[:2] == ("line 11", "'more'")

    def test_rows_that_the_footer_announces_are_counted(self) -> None:
        form = two_columns(
            table={"end_line": "^Points", "points_entry": "Points"}, footer={"between": ":"}
        )
        content = table(list(self.ROWS)) + b"Points: 2\n"
        assert len(read_one(content, form).axis) == 2
        assert refusal(content.replace(b": 2", b": 3"), form)[1] == "2 rows"
        assert refusal(content.removesuffix(b"\n"), form)[1] == "the end of the file"


class TestSections:
    def test_equal_names_in_sections_are_told_apart(self) -> None:
        form = two_columns(header={"sections": "^-- (.*) --$"}, fields={"sample": "Part/Name"})
        header = "Invented bench\nName: a\n-- Part --\nName: b\n-- Lamp --\nName: c\n"
        spectrum = read_one(table(["400\t1", "401\t2"], header), form)
        assert spectrum.fields == {"sample": "b"}
        assert {k: v for k, v in spectrum.header.items() if "Name" in k} == {
            "Name": "a",
            "Part/Name": "b",
            "Lamp/Name": "c",
        }


class TestBlocksWithoutMarks:
    def test_blank_lines_part_blocks_under_one_header(self) -> None:
        form = two_columns(
            header={"next_line": None, "lines": 3},
            table={"title_lines": 0},
            blocks={"parted_by_blank_lines": True},
            fields={"lot": "Lot"},
        )
        content = b"Invented bench\nLot: L7\nnm\t%T\n400\t1.5\n401\t2.5\n\n \n500\t3\n501\t4\n\n"
        for whole in (content, content[:-1]):
            one, two = read(whole, form)
            assert (one.place, two.place) == ("block 1", "block 2")
            assert (one.fields["lot"], two.fields["lot"]) == ("L7", "L7")
            assert one.values.tolist() == [1.5, 2.5]
            assert two.axis.values.tolist() == [500.0, 501.0]
        assert refusal(content[:-2], form)[0] == "block 2, line 9"
        assert refusal(content.replace(b"501", b"5O1"), form)[:2] == (
            "block 2, line 9",
            "'5O1' in column 1",
        )


class TestGrowing:
    @pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "cp932", "gb18030"])
    def test_block_that_ends_amid_a_character_is_left_for_later(self, encoding) -> None:
        form = two_columns(
            text={"encoding": encoding},
            header=None,
            recognise=None,
            blocks={"begin_line": "^site", "growing": True, "header": {"lines": 2}},
            table={"title_lines": 0, "points_entry": "rows"},
        )
        block = "site: \u8a66\nrows: 2\n400\t1\n401\t2\n"
        first = len(block.encode(encoding))
        content = (block + block).encode(encoding)
        for cut in range(first, len(content)):
            assert len(read(content[:cut], form)) == 1
        assert len(read(content, form)) == 2


HARD = {
    "fixed": (
        two_columns(
            text={"delimiter": "fixed", "cells": [[1, 8], [9, 16]], "cells_touch": True},
            header={"next_line": None, "last_line": "^Points"},
            table={"title_lines": 0, "points_entry": "Points"},
        ),
        b"Invented bench\nPoints: 3\n400.0000-91.9200\n400.5000100.0000\n401.0000  0.1200\n",
        1,
    ),
    "pairs": (
        two_columns(
            text={"delimiter": ";", "decimal_sign": "proven", "encoding": "proven"},
            header={"next_line": None, "lines": 1},
            values={"pairs": True},
            table={"end_line": "^end$"},
        ),
        "Invented bench \u00e9\na;b;c;d\n400,0;1,5;500,0;7,5\n"
        "401,0;2,5;499,0;8,5\n402,0;3,5;;\nend\n".encode(),
        2,
    ),
    "duplicates": (
        two_columns(axis={"duplicates": "mean"}, table={"end_line": "^end$"}),
        b"Invented bench\nnm\t%T\n850\t1.0\n860\t2.0\n860\t2.5\n870\t3.0\nend\n",
        1,
    ),
    "footer": (
        TestFooter().form(),
        table(list(TestFooter.ROWS)) + TestFooter.FOOTER.encode(),
        1,
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", HARD)
def test_hard_dialects_keep_the_contract(name) -> None:
    form, content, spectra = HARD[name]
    check_importer(ColumnsImporter(), source(content, form), spectra=spectra)


@pytest.mark.parametrize(
    ("titles", "said"),
    [("nm\tAbsorbance\n", "says A"), ("Wavenumber/cm-1\t%T\n", "cm-1"), ("nm\t%R\n", "%R")],
)
def test_a_title_that_states_another_unit_than_the_format_is_refused(titles, said) -> None:
    form = two_columns(header={"next_line": None, "lines": 1})
    place, found, expected = refusal(table(ROWS, titles=titles), form)
    assert (place, said in found, "as the format says" in expected) == ("line 2", True, True)


def test_a_title_that_is_but_a_name_contradicts_nothing() -> None:
    assert len(read(table(ROWS, titles="nm\tA\n"), two_columns())) == 1


def test_rows_of_numbers_below_the_table_are_no_footer() -> None:
    form = two_columns(table={"end_line": "^end$"}, footer={"between": ":"})
    content = table([*ROWS, "end", "Operator: op 3"])
    assert read(content, form)[0].header["Operator"] == "op 3"
    _, found, _ = refusal(table([*ROWS, "end", "400.0\t1.5"]), form)
    assert "a row of numbers" in found


def test_a_position_that_is_not_above_zero_is_refused() -> None:
    source_ = source(table(["-400\t1.5", "401\t2.5"]), two_columns())
    with pytest.raises(MalformedFile, match=r"line 3: found the position -400\.0 nm"):
        read_checked(ColumnsImporter(), source_)


def test_groups_of_digits_are_noted_since_another_locale_would_read_a_thousandth() -> None:
    form = two_columns(text={"decimal_sign": ",", "thousands_sign": "."})
    (note,) = read_one(table(["400\t1.500", "401\t2,5", "402\t12.500.000,5"]), form).notes
    said = "the sign '.' between groups of digits left out, 2 times"
    assert note == f"{said}, first from '1.500' in line 3"


@pytest.mark.parametrize("rows", [["400\t1.500", "401\t2.500"], ["1.200\t91", "1.201\t92"]])
def test_groups_that_could_be_decimals_are_refused(rows) -> None:
    """Every number could be a thousandth of it: nothing in the table says which is meant."""
    form = two_columns(text={"decimal_sign": ",", "thousands_sign": "."})
    place, found, expected = refusal(table(rows), form)
    assert (place, "parts groups of digits" in expected) == ("line 3", True)
    assert " or 1." in found


@pytest.mark.parametrize("proof", ["91,5", "1.234.500", "1.234,5", ",5"])
def test_one_number_that_can_be_read_in_one_way_proves_the_groups(proof) -> None:
    form = two_columns(text={"decimal_sign": ",", "thousands_sign": "."})
    values = read_one(table(["400\t1.500", f"401\t{proof}"]), form).values
    assert values.tolist() == [1500.0, float(proof.replace(".", "").replace(",", "."))]


@pytest.mark.parametrize("number", ["1e-400", "0.0001E-330", "-7e-9999"])
def test_a_number_too_small_for_a_float_is_no_zero(number) -> None:
    """The smallest double above zero is 4.9e-324 (IEEE 754, binary64)."""
    place, found, _ = refusal(table(["400\t5e-324", f"401\t{number}"]), two_columns())
    assert (place, number in found) == ("line 4", True)
    zeros = read_one(table(["400\t0e-400", "401\t-0.000"]), two_columns()).values
    assert zeros.tolist() == [0.0, 0.0]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "cp932", "proven"])
def test_lines_of_carriage_returns_alone_are_lines(encoding) -> None:
    form = two_columns(text={"encoding": encoding})
    real = "utf-8" if encoding == "proven" else encoding
    content = table(ROWS).decode().replace("\n", "\r").encode(real)
    spectrum = read_one(content, form)
    assert spectrum.values.tolist() == [1.5, 2.5]
    assert "its lines end with a carriage return alone" in spectrum.notes
    place, found, _ = refusal(content + "402.0\tno\r".encode(real)[-14:].lstrip(b"\xff\xfe"), form)
    assert (place, "'no'" in found) == ("line 5", True)


def test_half_of_a_line_end_is_no_line_end() -> None:
    """A file that is still written may stop between carriage return and line feed."""
    assert not has_carriage_returns_alone(io.BytesIO(b"400.0\t1.5\r"), "utf-8")
    assert has_carriage_returns_alone(io.BytesIO(b"400.0\t1.5\r401"), "utf-8")
    mixed = table(ROWS).replace(b"1.5\n", b"1.5\r")
    assert refusal(mixed, two_columns())[0] == "line 3"


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16-be", "cp932", "gb18030"])
def test_a_ctrl_z_at_the_very_end_is_set_aside(encoding) -> None:
    form = two_columns(text={"encoding": encoding})
    text = table(ROWS).decode()
    spectrum = read_one(f"{text}\x1a".encode(encoding), form)
    assert spectrum.values.tolist() == [1.5, 2.5]
    assert spectrum.notes == ("a Ctrl-Z at the end of the file set aside",)
    for end in ("\x1a\n", "402\t3\x1a", "\x1a\x1a"):
        refusal(f"{text}{end}".encode(encoding), form)
