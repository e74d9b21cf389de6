"""Run sheets say which scan is which; what they cannot say is refused with its line."""

import pytest

from speclake.errors import MalformedFile
from speclake.intake import runsheets


def test_row_names_a_file_by_its_path_or_its_name() -> None:
    sheet = runsheets.read("m.csv", b"file,sample,site\nday1/a.txt,S1,3\nb.txt,S2,\n")
    assert sheet.entries_for("day1/a.txt", "", None) == [(2, {"sample": "S1", "site": "3"})]
    assert sheet.entries_for("day2/b.txt", "", None) == [(3, {"sample": "S2"})]
    assert sheet.entries_for("day2/a.txt", "", None) == []


def test_row_names_a_run_and_a_place() -> None:
    sheet = runsheets.read("m.csv", b"run;place;sample\n17;block 2;S9\n")
    assert sheet.entries_for("x.txt", "block 2", "17") == [(2, {"sample": "S9"})]
    assert sheet.entries_for("x.txt", "block 1", "17") == []
    assert sheet.entries_for("x.txt", "block 2", None) == []


def test_narrowed_sheet_says_the_same_of_its_file() -> None:
    sheet = runsheets.read("m.csv", b"file,run,sample\na.txt,,S1\nb.txt,,S2\n,4,S3\n")
    narrowed = sheet.about("day/a.txt")
    assert narrowed is not None and len(narrowed.rows) == 2
    assert narrowed.entries_for("day/a.txt", "", None) == sheet.entries_for("day/a.txt", "", None)
    assert narrowed.entries_for("day/a.txt", "", "4")[-1] == (4, {"sample": "S3"})


@pytest.mark.parametrize(
    ("content", "place", "found"),
    [
        (b"", "", "no rows"),
        (b"sample,site\nS1,1\n", "line 1", "the columns sample, site"),
        (b"file,colour\na,b\n", "line 1", "the column 'colour'"),
        (b"file,site,site\na,1,2\n", "line 1", "a column twice"),
        (b"file,site\na,1,2\n", "line 2", "3 cells"),
        (b"file,site\na,\xff\n", "line 2", "the byte 0xff"),
    ],
)
def test_bad_sheet_is_refused_with_line_and_finding(content: bytes, place: str, found: str) -> None:
    with pytest.raises(MalformedFile) as caught:
        runsheets.read("m.csv", content)
    assert (caught.value.file, caught.value.place, caught.value.found) == ("m.csv", place, found)


def test_workbook_that_is_none_is_refused() -> None:
    with pytest.raises(MalformedFile, match="XLSX workbook"):
        runsheets.read("m.xlsx", b"no workbook")
