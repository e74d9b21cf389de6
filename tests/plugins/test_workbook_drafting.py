"""The draft of a workbook's format shows what is in it, and reads it once it is answered."""

import pytest
from speclake_plugins.workbook.drafting import draft_of_workbook

from speclake.api.describing import describe
from speclake.errors import MalformedFile
from speclake.importing.drafting import with_answers
from tests.plugins.test_workbook import headed
from tests.plugins.workbooks import POINTS, TITLES, book, read


def test_a_headed_workbook_is_drafted_so_that_it_is_read():
    rows = [*headed(), [402, 91.0, "over", "x"]]
    found = draft_of_workbook("run7.xlsx", book(**{"W-1": rows, "Remarks": [["as coated"]]}))
    assert {each.key: each.value for each in found.assumptions} == {
        "recognise.file_name": "*.xlsx",
        "sheets.read": ["W-1"],
        "sheets.ignore": ["Remarks"],
        "header.next_line": r"^nm\t",
        "table.title_lines": 1,
        "axis.unit": "nm",
        "values.ignore": [4],
        "values.unit_from.title": True,
        "values.unit_from.pattern": "%R",
        "values.unit_from.units": {"%R": "%R"},
        "recognise.text": ["nm", "%R"],
        "scanned.entries": ["Measured"],
        "scanned.patterns": ["%Y-%m-%d %H:%M:%S"],
        "fields.lot": "Lot",
        "fields.angle_deg": "Angle",
    }
    assert [each.key for each in found.questions if each.is_needed] == ["sheets.missing"]
    toml = with_answers(found, {"sheets.missing": ["over"]})
    first, second = read(found.content, toml.replace("points_entry", "# "))
    assert (first.unit, first.fields["lot"]) == ("%R", "L0042")
    assert second.values.tolist()[:2] == [90.5, 90.25]


def test_every_sheet_is_shown_with_its_first_rows():
    toml = draft_of_workbook("run7.xlsx", book(S1=[TITLES, *POINTS], S2=[["a", 1]], S3=[])).toml
    for line in (
        "# sheet 'S1', 4 rows of 2 cells:\n#   1: nm | S1\n#   2: 400 | 92.5",
        "# sheet 'S2', 1 rows of 2 cells:\n#   1: a | 1",
        "# sheet 'S3' is empty",
        '# unit = "%T"  # fill in',
    ):
        assert line in toml


@pytest.mark.parametrize(
    ("top", "keys"),
    [
        ([[None, "Invented"], []], {"sheets.first_column": 2}),
        ([["Invented"], []], {"axis.column": 2, "values.ignore": [1]}),
    ],
)
def test_a_table_further_right_is_found(top, keys):
    rows = [*top, *([None, *row] for row in POINTS)]
    found = draft_of_workbook("run7.xlsx", book(S1=rows))
    told = {each.key: each.value for each in found.assumptions}
    assert keys.items() <= told.items()
    assert told["header.lines"] == 2
    [spectrum] = read(found.content, with_answers(found, {"axis.unit": "nm", "values.unit": "%T"}))
    assert spectrum.values.tolist() == [92.5, -0.02, 92.3]


def test_titles_further_right_end_the_header():
    rows = [[None, "Invented"], *([None, *row] for row in (TITLES, *POINTS))]
    found = draft_of_workbook("run7.xlsx", book(S1=rows))
    [spectrum] = read(found.content, with_answers(found, {"values.unit": "%T"}))
    assert spectrum.header["column title"] == "S1"


def test_a_workbook_without_numbers_is_shown_all_the_same():
    found = draft_of_workbook("run7.xlsx", book(S1=[["as coated"]]))
    assert found.doubts == ("no table of numbers was found in any visible sheet",)
    assert "1: as coated" in found.toml
    assert [each.key for each in found.questions] == ["sheets.read", "axis.unit", "values.unit"]


def test_a_damaged_workbook_is_refused():
    with pytest.raises(MalformedFile):
        draft_of_workbook("run7.xlsx", b"PK\x03\x04")


def test_describe_shows_the_draft_and_reads_by_it_as_answered(tmp_path):
    file = tmp_path / "run7.xlsx"
    file.write_bytes(book(S1=[TITLES, *POINTS]))
    told = describe(tmp_path, file)
    assert "# sheet 'S1', 4 rows of 2 cells:" in told.draft
    assert [each.key for each in told.questions if each.is_needed] == ["values.unit"]
    answered = describe(tmp_path, file, {"values.unit": "%T"})
    assert [each["quantity"] for each in answered.spectra] == ["transmittance in %T"]


def test_a_number_stored_as_text_is_never_offered_as_a_missing_word():
    rows = [["Wavelength (nm)", "%T"], [400, 91.1], [401, "91.4"], [402, "#N/A"], [403, 91.2]]
    found = draft_of_workbook("run7.xlsx", book(S1=rows))
    asked = {each.key: each for each in found.questions}
    assert "91.4" not in str(asked["sheets.missing"])
    assert "'91.4' first" in asked["sheets.numbers_as_text"].question
    answers = {
        "sheets.missing": ["#N/A"],
        "sheets.numbers_as_text": "read",
        "sheets.decimal_sign": ".",
    }
    (spectrum,) = read(found.content, with_answers(found, answers))
    assert spectrum.values[:2].tolist() == [91.1, 91.4]


def test_columns_of_two_units_each_keep_their_own():
    rows = [["Wavelength (nm)", "%T", "%R"], [400, 91.1, 4.1], [401, 91.2, 4.2], [402, 91.3, 4.3]]
    found = draft_of_workbook("run7.xlsx", book(S1=rows))
    first, second = read(found.content, with_answers(found, {}))
    assert (first.unit, second.unit) == ("%T", "%R")
