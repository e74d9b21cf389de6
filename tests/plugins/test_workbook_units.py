"""Cells shown in percent hold fractions; titles that contradict the format refuse the file."""

import pytest
from speclake_plugins.workbook.drafting import draft_of_workbook

from speclake.importing.contradiction import contradiction
from speclake.importing.sheetpercent import shows_percent
from tests.plugins.workbooks import PLAIN, book, read_one, refusal, with_cells, with_rule

FRACTION = PLAIN.replace('"%T"', '"T"')
TITLED = ["Wavelength (nm)", "Transmittance (%)"]
FRACTIONS = [[400, 0.915], [401, 0.925], [402, 0.93]]


def in_percent(*cells: str, code: str = "0.00%", titles=TITLED) -> bytes:
    def prepare(workbook):
        for cell in cells:
            workbook["S1"][cell].number_format = code

    return book(S1=[titles, *FRACTIONS], prepare=prepare)


ALL = in_percent("B2", "B3", "B4")


def test_cells_shown_in_percent_are_refused_under_a_percent_unit():
    place, found, expected = refusal(ALL)
    assert (place, found) == (
        "sheet 'S1', row 2", "cells shown in percent, the first B2, under the unit %T",
    )  # fmt: skip
    assert expected == "T or R as the unit: cells shown in percent hold fractions"


@pytest.mark.parametrize("code", ["0%", "0.00%", "0.000 %", '0.0"x"%'])
def test_cells_shown_in_percent_are_fractions_with_a_note(code):
    spectrum = read_one(in_percent("B2", "B3", "B4", code=code), FRACTION)
    assert (spectrum.unit, spectrum.values.tolist()) == ("T", [0.915, 0.925, 0.93])
    assert spectrum.notes == ("cells shown in percent hold fractions and were read as T",)


@pytest.mark.parametrize("cells", [("B3",), ("B2", "B4")])
def test_a_column_shown_in_percent_in_part_is_refused(cells):
    assert refusal(in_percent(*cells), FRACTION)[2].startswith("all numbers of a column shown")


def test_formats_with_a_percent_sign_that_is_only_text_are_none_of_percent():
    # ECMA-376 part 1, 18.8.31: quoted and escaped characters are shown as they stand
    assert [shows_percent(c) for c in ("0%", '0"%"', r"0\%", "0.0", "[Red]0.0 %")] == [
        True, False, False, False, True,
    ]  # fmt: skip
    assert read_one(in_percent("B2", "B3", "B4", code='0.0"%"')).notes == ()


@pytest.mark.parametrize(
    ("title", "unit", "stated"),
    [
        ("Absorbance", "%T", "A"), ("Transmittance (%)", "T", "%T"), ("%R", "%T", "%R"),
        ("Reflectance", "T", "reflectance"), ("Wavenumber (cm-1)", "nm", "cm-1"),
        ("Transmittance", "%T", None), ("A", "%T", None), ("S1", "%T", None), ("nm", "nm", None),
        ("Absorbance", "log(1/R)", None), ("", "nm", None),
    ],
)  # fmt: skip
def test_a_title_that_states_another_unit_contradicts(title, unit, stated):
    assert contradiction(title, unit) == stated


@pytest.mark.parametrize(
    ("titles", "found"),
    [
        (["nm", "Absorbance"], "the title 'Absorbance', which says A"),
        (["Wavenumber (cm-1)", "S1"], "the title 'Wavenumber (cm-1)', which says cm-1"),
    ],
)
def test_a_title_against_the_format_refuses_the_file(titles, found):
    assert refusal(book(S1=[titles, *FRACTIONS]))[:2] == ("sheet 'S1', row 1", found)


@pytest.mark.parametrize(
    "value",
    ["<v>9&#49;.5</v>", "<v>91<x/>.5</v>", "<v>91.5</v><v>7</v>", "<v>91,5</v>", "<v>0x5</v>"],
)
def test_a_cell_with_more_than_a_plain_number_is_refused(value):
    row = '<row r="1"><c r="A1"><v>400</v></c><c r="B1"{}>{}</c></row>'
    plain = PLAIN.replace("title_lines = 1", "")
    place, _, expected = refusal(with_cells(row.format("", value)), plain)
    assert (place, expected) == ("sheet 'S1', cell B1", "one plain value in a cell")


def test_a_text_with_an_element_in_it_is_refused_where_numbers_are_read_from_text():
    rule = with_rule('numbers_as_text = "read"\ndecimal_sign = "."').replace("title_lines = 1", "")
    row = '<row r="1"><c r="A1"><v>400</v></c><c r="B1" t="str"><v>91<x/>.5</v></c></row>'
    assert refusal(with_cells(row), rule)[2] == "one plain value in a cell"


def test_a_draft_takes_cells_in_percent_for_fractions():
    draft = draft_of_workbook("run7.xlsx", ALL)
    spectrum = read_one(ALL, draft.toml)
    assert (spectrum.unit, spectrum.values[0]) == ("T", 0.915)
    assert "values: cells shown in percent hold fractions, T or R" in draft.doubts


def test_a_draft_of_one_quantity_does_not_take_another():
    draft = draft_of_workbook("run7.xlsx", book(S1=[TITLED, [400, 91.5], [401, 92.5], [402, 93]]))
    assert read_one(draft.content, draft.toml).unit == "%T"
    other = book(S1=[["Wavelength (nm)", "Absorbance"], *FRACTIONS])
    assert refusal(other, draft.toml)[1] == "no format that recognises it"
    by_name = draft.toml.replace("text = ", "# ")
    assert "Absorbance" in refusal(other, by_name)[1]
