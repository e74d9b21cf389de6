"""Run sheets say which scan is which; what they cannot say is refused with its line."""

import pytest

from speclake.errors import MalformedFile
from speclake.intake import runsheets
from speclake.intake.runsheets import Scan


def test_row_names_a_file_by_its_path_or_its_name() -> None:
    sheet = runsheets.read("m.csv", b"file,sample,site\nday1/a.txt,S1,3\nb.txt,S2,\n")
    assert sheet.entries_for(Scan("day1/a.txt", "", None)) == [(2, {"sample": "S1", "site": "3"})]
    assert sheet.entries_for(Scan("day2/b.txt", "", None)) == [(3, {"sample": "S2"})]
    assert sheet.entries_for(Scan("day2/a.txt", "", None)) == []


def test_row_names_a_run_and_a_place() -> None:
    sheet = runsheets.read("m.csv", b"run;place;sample\n17;block 2;S9\n")
    assert sheet.entries_for(Scan("x.txt", "block 2", "17")) == [(2, {"sample": "S9"})]
    assert sheet.entries_for(Scan("x.txt", "block 1", "17")) == []
    assert sheet.entries_for(Scan("x.txt", "block 2", None)) == []


def test_narrowed_sheet_says_the_same_of_its_file() -> None:
    sheet = runsheets.read("m.csv", b"file,run,sample\na.txt,,S1\nb.txt,,S2\n,4,S3\n,5,S4\n")
    narrowed = sheet.about("day/a.txt", None)
    assert narrowed is not None and len(narrowed.rows) == 3
    scan = Scan("day/a.txt", "", "4")
    assert narrowed.entries_for(scan) == sheet.entries_for(scan)
    assert narrowed.entries_for(scan) == [(2, {"sample": "S1"}), (4, {"sample": "S3"})]
    by_run = sheet.about("day/a.txt", "5")
    assert by_run is not None and [line for line, _ in by_run.rows] == [2, 5]


def test_bare_name_or_run_speaks_of_the_folder_of_its_sheet_alone() -> None:
    sheet = runsheets.read("mon/m.csv", b"file,run,sample\na.txt,,S1\n,4,S3\ntue/b.txt,,S2\n")
    assert sheet.entries_for(Scan("tue/a.txt", "", "4")) == []
    assert sheet.entries_for(Scan("mon/x/a.txt", "", None)) == [(2, {"sample": "S1"})]
    assert sheet.entries_for(Scan("mon/z.txt", "", "4")) == [(3, {"sample": "S3"})]
    assert sheet.entries_for(Scan("tue/b.txt", "", None)) == [(4, {"sample": "S2"})]


def test_sheet_larger_than_any_is_refused() -> None:
    with pytest.raises(MalformedFile, match="a run sheet of 16 MB"):
        runsheets.read("m.csv", b"file,site\n" + b"a,1\n" * 5_000_000)


@pytest.mark.parametrize(
    ("content", "place", "found"),
    [
        (b"", "", "no rows"),
        (b"sample,site\nS1,1\n", "line 1", "the columns sample, site"),
        (b"file,colour\na,b\n", "line 1", "the column 'colour'"),
        (b"file,site,site\na,1,2\n", "line 1", "a column twice"),
        (b"file,site\na,1,2\n", "line 2", "3 cells"),
        (b"run,date,site\n1,4.5.26,2\n", "line 2", "the date '4.5.26'"),
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
