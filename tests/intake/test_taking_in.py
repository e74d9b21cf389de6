"""Run sheets and states of files as a laboratory meets them, through the archive itself."""

import os
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from speclake.api import Archive
from speclake.intake.sheetbook import SheetBook
from speclake.service import Service
from tests.labs import scan_file, sheet_file, watching_lab
from tests.test_service import eventually

PATTERN = """
run_sheets = ["*.csv", "*.xlsx"]
[[pattern]]
name = "runs"
path = "*{run}.txt"
[[pattern]]
name = "runs by day"
path = "*/*{run}.txt"
[[site_map]]
products = ["plate"]
sites = { 5 = [10.0, -4.0] }
"""


@pytest.fixture
def exports(tmp_path: Path) -> Path:
    folder = tmp_path / "exports"
    folder.mkdir()
    return folder


@pytest.fixture
def lab(tmp_path: Path, exports: Path) -> Iterator[Archive]:
    watching_lab(tmp_path / "lab", exports).close()
    settings = tmp_path / "lab/speclake.toml"
    text = settings.read_text("utf-8").replace("settle_s = 0.1", f"settle_s = 0.1{PATTERN}", 1)
    rescan, rest = "rescan_s = 0.5\n", text.replace("rescan_s = 0.5\n", "")
    settings.write_text(rest.replace("settle_s = 0.1", f"settle_s = 0.1\n{rescan}", 1), "utf-8")
    with Archive.open(tmp_path / "lab") as archive:
        yield archive


def only(lab: Archive, file: str) -> dict[str, object]:
    """What the archive shows of the one measurement from a file."""
    found = lab.find(limit=None)
    (row,) = [row for row in found.iter_rows(named=True) if row["file"] == file]
    return lab.store.catalog.row(str(row["measurement_id"]))


def doubts(lab: Archive, file: str) -> str:
    found = lab.findings([str(only(lab, file)["measurement_id"])])
    return "\n".join(found.filter(found["check"] == "run sheets")["text"])


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
@pytest.mark.parametrize("sheet_first", [True, False])
def test_sheet_gives_the_same_before_and_after_its_scan(
    lab: Archive, exports: Path, kind: str, sheet_first: bool
) -> None:
    def write_sheet() -> None:
        sheet_file(
            exports / f"mon.{kind}",
            "run,lot,sample,site,angle_deg,measured_against",
            "7,L1,S1,5,8,base 3",
        )

    def write_scan() -> None:
        scan_file(exports / "b7.txt", 91.0, Product="plate", Lot="L1", Sample="S1")

    for write in (write_sheet, write_scan) if sheet_first else (write_scan, write_sheet):
        write()
        lab.ingest([exports])
    row = only(lab, "b7.txt")
    assert (row["sample"], row["site"], row["angle_deg"]) == ("S1", "5", 8.0)
    assert (row["x_mm"], row["y_mm"]) == (10.0, -4.0)
    (link,) = row["links"]  # type: ignore[misc] # a list column
    assert (link["kind"], link["target"], link["by_name"]) == ("measured against", "base 3", True)
    assert doubts(lab, "b7.txt") == ""


@pytest.mark.parametrize("late", [True, False])
def test_sheet_that_contradicts_the_header_settles_nothing(
    lab: Archive, exports: Path, late: bool
) -> None:
    scan_file(exports / "b7.txt", 91.0, Product="plate", Lot="L1", Sample="W1")
    if late:
        lab.ingest([exports])
    sheet_file(exports / "mon.csv", "run,sample", "7,OTHER")
    lab.ingest([exports])
    lab.ingest([exports])
    row = only(lab, "b7.txt")
    if late:
        assert row["sample"] == "W1"
        assert "sample stays 'W1' (header)" in doubts(lab, "b7.txt")
    else:
        assert row["sample"] is None
        assert any("sample: header says 'W1'" in text for text in row["unresolved"])  # type: ignore[attr-defined]


def test_second_sheet_does_not_settle_what_header_and_first_dispute(
    lab: Archive, exports: Path
) -> None:
    sheet_file(exports / "mon.csv", "run,sample", "7,OTHER")
    scan_file(exports / "b7.txt", 91.0, Product="plate", Lot="L1", Sample="W1")
    lab.ingest([exports])
    sheet_file(exports / "new.csv", "file,sample", "b7.txt,OTHER")
    lab.ingest([exports])
    assert only(lab, "b7.txt")["sample"] is None
    assert "disputed" in doubts(lab, "b7.txt")


def test_run_counter_that_starts_anew_meets_the_sheet_of_its_own_folder(
    lab: Archive, exports: Path
) -> None:
    for day, sample, lowest in (("mon", "A1", 91.0), ("tue", "B1", 92.0)):
        sheet_file(exports / day / "runs.csv", "run,sample", f"1,{sample}")
        scan_file(exports / day / "a1.txt", lowest, Product="plate", Lot="L1")
        lab.ingest([exports])
    assert only(lab, "mon/a1.txt")["sample"] == "A1"
    assert only(lab, "tue/a1.txt")["sample"] == "B1"
    assert doubts(lab, "tue/a1.txt") == ""


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
@pytest.mark.parametrize("sheets_first", [True, False])
def test_dates_of_the_sheets_tell_two_days_of_one_folder_apart(
    lab: Archive, exports: Path, kind: str, sheets_first: bool
) -> None:
    days = (("2026-05-04", "A1", 91.0), ("2026-05-05", "B1", 92.0))
    for part in (True, False):
        for day, sample, lowest in days:
            if part == sheets_first:
                sheet_file(exports / f"{day}.{kind}", "date,run,sample", f"{day},1,{sample}")
            else:
                name, when = f"{day[-2:]}_1.txt", f"{day} 10:00:00"
                scan_file(exports / name, lowest, scanned=when, Product="plate", Lot="L1")
        lab.ingest([exports])
    assert [only(lab, f"{day}_1.txt")["sample"] for day in ("04", "05")] == ["A1", "B1"]


def test_row_with_a_date_says_nothing_of_a_scan_without_one(lab: Archive, exports: Path) -> None:
    sheet_file(exports / "mon.csv", "date,run,sample", "2026-05-04,1,A1")
    scan_file(exports / "x1.txt", 91.0, scanned=None, Product="plate", Lot="L1")
    lab.ingest([exports])
    assert only(lab, "x1.txt")["sample"] is None


def test_two_sheets_of_one_folder_that_disagree_leave_the_sample_unknown(
    lab: Archive, exports: Path
) -> None:
    sheet_file(exports / "mon.csv", "run,sample", "1,A1")
    scan_file(exports / "x1.txt", 91.0, Product="plate", Lot="L1")
    lab.ingest([exports])
    assert only(lab, "x1.txt")["sample"] == "A1"
    sheet_file(exports / "tue.csv", "run,sample", "1,B1")
    lab.ingest([exports])
    assert only(lab, "x1.txt")["sample"] is None
    assert "mon.csv, line 2 says 'A1'; run sheet tue.csv, line 2 says 'B1'" in doubts(lab, "x1.txt")


def test_corrected_sheet_corrects_what_it_said_but_not_what_a_person_said(
    lab: Archive, exports: Path
) -> None:
    sheet = sheet_file(exports / "mon.csv", "run,sample,side", "1,A1,front")
    scan_file(exports / "x1.txt", 91.0, Product="plate", Lot="L1")
    lab.ingest([exports])
    name = str(only(lab, "x1.txt")["measurement_id"])
    lab.assign([name], {"side": "back"}, who="anna", why="turned over")
    sheet_file(sheet, "run,sample,side", "1,A2,front")
    os.utime(sheet, (2e9, 2e9))
    lab.ingest([exports])
    row = only(lab, "x1.txt")
    assert (row["sample"], row["side"]) == ("A2", "back")
    assert "side stays 'back'" in doubts(lab, "x1.txt")
    before = len(lab.events(name))
    lab.ingest([exports])
    assert len(lab.events(name)) == before


def test_refused_sheet_is_tried_again_as_a_sheet_and_a_lock_file_never(
    lab: Archive, exports: Path
) -> None:
    sheet_file(exports / "mon.csv", "run,colour", "7,red")
    sheet_file(exports / "~$mon.csv", "run,sample", "7,S9")
    lab.ingest([exports])
    assert lab.files()["path"].to_list() == ["mon.csv"]
    lab.retry_refused()
    (row,) = lab.store.catalog.refused()
    assert (row.importer, row.found) == ("run sheet", "the column 'colour'")
    scan_file(exports / "b7.txt", 91.0, Product="plate", Lot="L1")
    lab.ingest([exports])
    assert only(lab, "b7.txt")["sample"] is None


def test_sheet_taken_by_another_process_is_heard(lab: Archive, exports: Path) -> None:
    book = SheetBook(lab.store, lambda: datetime.now(UTC))
    with Archive.open(lab.root) as other:
        other.ingest([sheet_file(exports / "mon.csv", "run,sample", "7,S1")])
    assert book.about("bench", "b7.txt") == ()
    lab.refresh()
    (sheet,) = book.about("bench", "b7.txt")
    assert sheet.rows == ((2, {"run": "7", "sample": "S1"}),)
    assert book.about("bench", "b8.txt") == (), "rows of other runs travel with no file"


def saved(file: Path, at_s: float) -> None:
    os.utime(file, (at_s, at_s))


def test_re_export_with_more_in_its_header_supersedes_and_keeps_what_was_assigned(
    lab: Archive, exports: Path
) -> None:
    file = scan_file(exports / "x1.txt", 91.0, Product="plate", Sample="S1")
    saved(file, 1.8e9)
    lab.ingest([exports])
    first = str(only(lab, "x1.txt")["measurement_id"])
    lab.assign([first], {"site": "5"}, who="anna", why="read from the holder")
    saved(scan_file(file, 91.0, Product="plate", Sample="S1", Lot="L1"), 1.8e9 + 60)
    lab.ingest([exports])
    row = only(lab, "x1.txt")
    assert (row["lot"], row["site"], row["conflict"]) == ("L1", "5", None)
    assert lab.store.catalog.row(first)["superseded_by"] == row["measurement_id"]


def test_older_state_read_after_the_newer_one_is_never_current(lab: Archive, exports: Path) -> None:
    file = scan_file(exports / "x1.txt", 92.0, Product="plate", Lot="L1", Sample="S1")
    saved(file, 1.8e9)
    lab.ingest([exports])
    newer = only(lab, "x1.txt")["measurement_id"]
    saved(scan_file(file, 91.0, Product="plate", Lot="L1", Sample="S1"), 1.8e9 - 60)
    lab.ingest([exports])
    assert only(lab, "x1.txt")["measurement_id"] == newer
    assert lab.totals()["superseded"] == 1


def test_renamed_file_is_repeated_and_adds_nothing(lab: Archive, exports: Path) -> None:
    file = scan_file(exports / "first.txt", 91.0, Product="plate", Lot="L1", Sample="S1")
    lab.ingest([exports])
    file.rename(exports / "second.txt")
    assert lab.ingest([exports]).counts == {"repeated": 1}
    assert lab.count() == 1


def test_sheet_for_the_watching_service_comes_after_its_scan(lab: Archive, exports: Path) -> None:
    service = Service(lab)
    service.start(with_pages=False)
    try:
        scan_file(exports / "a7.txt", 91.0, Product="plate", Lot="L1", Sample="S1")
        eventually(lambda: lab.count() == 1)
        sheet_file(exports / "mon.csv", "run,site", "7,5")
        eventually(lambda: only(lab, "a7.txt")["site"] == "5")
    finally:
        service.close()
