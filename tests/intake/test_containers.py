"""Zips of exports as a laboratory drops them: one file of the ledger, read as if unpacked."""

import io
import os
import tempfile
import zipfile
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from speclake.api import Archive
from speclake.api.describing import describe
from speclake.api.exporting import export
from speclake.api.taking import retry
from speclake.archive.rows import FileOutcome
from speclake.intake.reading import read_content
from speclake.intake.tasks import FileReading, FileTask
from speclake.intake.workshop import Workshop
from speclake.intake.zipfields import ntfs_times
from speclake.service import Service
from speclake.settings import Settings
from tests.labs import FORMAT, watching_lab
from tests.test_service import count_of, eventually

DAY = (2026, 5, 4, 10, 0, 0)
PATTERNS = """
[[pattern]]
name = "by zip"
path = "{lot}.zip/{sample}.txt"
[[pattern]]
name = "by folder"
path = "{lot}/{sample}_s{site:digits}.txt"
"""
JCAMP = b"""##TITLE= J1
##JCAMP-DX= 4.24
##DATA TYPE= UV/VIS SPECTRUM
##XUNITS= NANOMETERS
##YUNITS= TRANSMITTANCE
##FIRSTX= 500
##LASTX= 502
##NPOINTS= 3
##FIRSTY= 0.91
##XFACTOR= 1
##YFACTOR= 1
##XYDATA= (X++(Y..Y))
500 0.91 0.92 0.93
##END=
"""


def scan(lowest: float, **header: str) -> bytes:
    """Export with exactly the header entries named."""
    entries = {"Scanned": "2026-05-04 10:00:00"} | header
    lines = [f"{key}: {value}\n" for key, value in entries.items()]
    points = "".join(f"{500 + i}\t{lowest + i % 3}\n" for i in range(11))
    return ("".join(lines) + f"nm\t%T\n{points}").encode()


def whole(name: str, lowest: float) -> bytes:
    return scan(lowest, Sample=name, Lot="L1", Product="plate")


def packed(files: Mapping[str, bytes], extra: bytes = b"") -> bytes:
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as packing:
        for name, content in files.items():
            info = zipfile.ZipInfo(name, DAY)
            info.extra = extra
            packing.writestr(info, content, zipfile.ZIP_DEFLATED)
    return made.getvalue()


def put(file: Path, files: Mapping[str, bytes], extra: bytes = b"") -> Path:
    """Zip of these files, complete under its name at once."""
    file.parent.mkdir(parents=True, exist_ok=True)
    beside = file.with_suffix(".part")
    beside.write_bytes(packed(files, extra))
    return beside.replace(file)


@pytest.fixture
def exports(tmp_path: Path) -> Path:
    folder = tmp_path / "exports"
    folder.mkdir()
    return folder


@pytest.fixture
def lab(tmp_path: Path, exports: Path) -> Iterator[Archive]:
    watching_lab(tmp_path / "lab", exports, run_sheets='["*.csv"]').close()
    change(tmp_path / "lab", "[limits]", f"{PATTERNS}[limits]")
    with Archive.open(tmp_path / "lab") as archive:
        yield archive


def change(root: Path, before: str, after: str) -> None:
    settings_file = root / "speclake.toml"
    text = settings_file.read_text("utf-8")
    assert text.count(before) == 1
    settings_file.write_text(text.replace(before, after), "utf-8")


def shown(archive: Archive) -> dict[str, dict[str, object]]:
    """Everything known of each measurement, by its file."""
    names = archive.find(limit=None)["measurement_id"].to_list()
    rows = [archive.store.catalog.row(name) for name in names]
    return {str(row["file"]): row for row in rows}


def only_line(archive: Archive) -> dict[str, object]:
    (line,) = archive.files().iter_rows(named=True)
    return line


# --- one unit -------------------------------------------------------------------------------------


def test_zip_is_one_line_with_one_original_and_all_its_scans_judged(
    lab: Archive, exports: Path
) -> None:
    file = put(exports / "mon.zip", {"a.txt": whole("S1", 91.0), "b.txt": whole("S2", 89.0)})
    tally = lab.ingest([exports])
    line = only_line(lab)
    assert (line["path"], line["outcome"], line["measurements"]) == ("mon.zip", "taken", 2)
    assert (line["note"], line["importer"]) == ("2 spectra taken", "columns")
    assert lab.original(str(line["sha256"])) == file.read_bytes()
    assert tally.verdicts == {"pass": 1, "fail": 1}
    assert sorted(shown(lab)) == ["mon.zip/a.txt", "mon.zip/b.txt"]
    assert lab.ingest([exports]).files == 0


def test_export_of_the_original_gives_the_zip(lab: Archive, exports: Path, tmp_path: Path) -> None:
    file = put(exports / "mon/mon.zip", {"lot/a.txt": whole("S1", 91.0)})
    lab.ingest([exports])
    (row,) = shown(lab).values()
    export(lab, tmp_path / "out", [str(row["measurement_id"])], {}, "original")
    assert (tmp_path / "out").read_bytes() == file.read_bytes()


def test_one_member_that_cannot_be_read_refuses_all(lab: Archive, exports: Path) -> None:
    broken = whole("S2", 92.0).replace(b"505\t", b"n/a\t")
    put(exports / "mon.zip", {"a.txt": whole("S1", 91.0), "L1/b.txt": broken})
    (row,) = lab.ingest([exports]).refused
    assert row.place.startswith("member 'L1/b.txt', line ")
    assert "n/a" in row.found and row.expected
    assert row.note.startswith("mon.zip, member 'L1/b.txt', line ")
    assert lab.count() == 0


def test_refused_zip_is_read_again_from_the_bytes_that_are_kept(
    lab: Archive, exports: Path
) -> None:
    file = put(exports / "mon.zip", {"a.txt": whole("S1", 91.0), "notes.pdf": b"%PDF-1.7"})
    (row,) = lab.ingest([exports]).refused
    assert row.place == "member 'notes.pdf'"
    assert row.expected.endswith('to leave such members out: exclude = ["*.pdf"]')
    file.unlink()
    change(lab.root, 'name = "bench"', 'name = "bench"\nexclude = ["*.pdf"]')
    with Archive.open(lab.root) as again:
        assert retry(again, on_demand=False).measurements == 1
        (note,) = again.files(outcome="taken")["note"]
        assert note == "1 spectrum taken; passed over: notes.pdf"
        assert again.store.catalog.refused() == []


def test_member_without_an_ending_is_named_whole_in_the_advice(lab: Archive, exports: Path) -> None:
    put(exports / "mon.zip", {"a.txt": whole("S1", 91.0), "README": b"hello"})
    (row,) = lab.ingest([exports]).refused
    assert row.expected.endswith('exclude = ["README"]')


def test_what_systems_add_is_passed_over_and_named(lab: Archive, exports: Path) -> None:
    forks = {"__MACOSX/._a.txt": b"fork", ".DS_Store": b"x", "~$a.txt": b"x", ".git/a.txt": b"x"}
    put(exports / "mon.zip", {"a.txt": whole("S1", 91.0), "b.tmp": b"x", **forks, "c.part": b""})
    lab.ingest([exports])
    assert only_line(lab)["note"] == (
        "1 spectrum taken; passed over: b.tmp, __MACOSX/._a.txt, .DS_Store, ~$a.txt, .git/a.txt "
        "and 1 more"
    )


def test_zip_without_an_export_is_refused(lab: Archive, exports: Path) -> None:
    put(exports / "empty.zip", {})
    put(exports / "folders.zip", {"lot/": b""})
    put(exports / "forks.zip", {"__MACOSX/._a.txt": b"x"})
    refused = {row.path: row.found for row in lab.ingest([exports]).refused}
    assert refused == {
        "empty.zip": "no members",
        "folders.zip": "no export among its 1 members",
        "forks.zip": "no export among its 1 members",
    }


def test_damaged_zip_is_refused_and_its_bytes_are_kept(lab: Archive, exports: Path) -> None:
    content = packed({"a.txt": whole("S1", 91.0)})
    (exports / "cut.zip").write_bytes(content[:-9])
    (exports / "after.zip").write_bytes(content + b"\n")
    refused = {row.path: row for row in lab.ingest([exports]).refused}
    assert refused["cut.zip"].found == "no list of members at its end"
    assert refused["after.zip"].found == "1 bytes after its end"
    assert lab.original(refused["cut.zip"].sha256) == content[:-9]


def test_empty_member_is_refused_like_an_empty_file(lab: Archive, exports: Path) -> None:
    put(exports / "mon.zip", {"a.txt": b""})
    (row,) = lab.ingest([exports]).refused
    assert (row.place, row.found) == ("member 'a.txt'", "an empty file")


# --- what is a container --------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["inner.zip", "inner.txt"])
def test_zip_in_a_zip_is_refused_whatever_it_is_called(
    lab: Archive, exports: Path, name: str
) -> None:
    put(exports / "mon.zip", {"a.txt": whole("S1", 91.0), name: packed({"b.txt": b"x"})})
    (row,) = lab.ingest([exports]).refused
    assert (row.place, row.found) == (f"member '{name}'", "a zip in the zip")


def test_workbook_is_no_container_even_if_it_is_called_a_zip(lab: Archive, exports: Path) -> None:
    book = {"[Content_Types].xml": b"<Types/>", "a.txt": whole("S1", 91.0)}
    put(exports / "book.zip", book)
    put(exports / "mon.zip", {"book.xlsx": packed(book)})
    refused = {row.path: row for row in lab.ingest([exports]).refused}
    assert refused["book.zip"].place == ""
    assert refused["mon.zip"].place == "member 'book.xlsx'"
    assert "a zip in the zip" not in refused["mon.zip"].found
    assert lab.count() == 0


CRATES = """
from speclake.importing import Confidence, Guess
from speclake.spectrum import Spectrum

class Crates:
    name = "crates"
    version = "1"

    def sniff(self, head):
        sure = Confidence.LIKELY if b"crate.bin" in head.content else Confidence.NO
        return Guess(sure, "a crate")

    def read(self, source):
        yield Spectrum.as_listed([1, 2], [3, 4], axis_unit="nm", unit="%T")
"""


def test_zip_that_an_importer_claims_is_left_to_it(lab: Archive, exports: Path) -> None:
    (lab.root / "plugins/crates.py").write_text(CRATES, "utf-8")
    put(exports / "one.zip", {"crate.bin": b"x"})
    put(exports / "mon.zip", {"a.txt": whole("S1", 91.0)})
    lab.ingest([exports])
    readers = {file: row["importer"] for file, row in shown(lab).items()}
    assert readers == {"one.zip": "crates", "mon.zip/a.txt": "columns"}


def test_format_that_takes_every_file_does_not_take_the_zip(lab: Archive, exports: Path) -> None:
    form = FORMAT.replace('file_name = "*.txt"', 'file_name = "*"')
    (lab.root / "formats/plain.toml").write_text(form, "utf-8")
    put(exports / "mon.zip", {"a": whole("S1", 91.0)})
    assert lab.ingest([exports]).measurements == 1


def test_zip_under_another_ending_is_no_container(lab: Archive, exports: Path) -> None:
    put(exports / "mon.txt", {"a.txt": whole("S1", 91.0)})
    (row,) = lab.ingest([exports]).refused
    assert row.place != "member 'a.txt'" and lab.count() == 0


def test_members_may_be_of_several_kinds(lab: Archive, exports: Path) -> None:
    put(exports / "mon.zip", {"a.txt": whole("S1", 91.0), "j.jdx": JCAMP})
    lab.ingest([exports])
    readers = {file: (row["importer"], row["format"]) for file, row in shown(lab).items()}
    assert readers["mon.zip/j.jdx"] == ("jcamp", None)
    assert readers["mon.zip/a.txt"][0] == "columns"
    assert str(readers["mon.zip/a.txt"][1]).startswith("plain@")
    assert only_line(lab)["importer"] == "columns, jcamp"


def test_all_members_together_stay_below_the_limit(lab: Archive, exports: Path) -> None:
    long = b"".join(b"%d.%03d\t91.%04d\n" % (600 + i // 1000, i % 1000, i) for i in range(40_000))
    put(exports / "mon.zip", {f"{i}.txt": whole(f"S{i}", 91.0) + long for i in range(3)})
    change(lab.root, "largest_file_mb = 2048", "largest_file_mb = 1")
    with Archive.open(lab.root) as small:
        (row,) = small.ingest([exports]).refused
        assert row.place == "member '1.txt'"
        assert row.expected == "at most 1 MB in all members together (largest_file_mb)"


# --- names, sheets, times -------------------------------------------------------------------------


def test_patterns_see_the_tree_as_it_would_lie_once_unpacked(lab: Archive, exports: Path) -> None:
    put(exports / "mon.zip", {"L7/W1_s3.txt": scan(91.0), "L8/W2_s4.txt": scan(92.0)})
    put(exports / "L9.zip", {"W3.txt": scan(93.0)})
    lab.ingest([exports])
    told = {f: (row["lot"], row["sample"], row["site"]) for f, row in shown(lab).items()}
    assert told == {
        "mon.zip/L7/W1_s3.txt": ("L7", "W1", "3"),
        "mon.zip/L8/W2_s4.txt": ("L8", "W2", "4"),
        "L9.zip/W3.txt": ("L9", "W3", None),
    }


def test_run_sheet_in_a_zip_speaks_of_its_members_alone(lab: Archive, exports: Path) -> None:
    rows = b"file,lot,sample\nx/a.txt,L1,S1\nb.txt,L1,S2\nc.txt,L1,S3\n"
    members = {"x/a.txt": scan(91.0), "x/b.txt": scan(92.0), "runs.csv": rows}
    put(exports / "mon.zip", members)
    (exports / "c.txt").write_bytes(scan(93.0))
    lab.ingest([exports])
    told = {file: (row["lot"], row["sample"]) for file, row in shown(lab).items()}
    assert told == {
        "mon.zip/x/a.txt": ("L1", "S1"),
        "mon.zip/x/b.txt": ("L1", "S2"),
        "c.txt": (None, None),
    }


@pytest.mark.parametrize("zip_first", [True, False])
def test_sheet_beside_the_zip_settles_nothing_that_one_within_disputes(
    lab: Archive, exports: Path, zip_first: bool
) -> None:
    def drop_zip() -> None:
        put(exports / "mon.zip", {"x/a.txt": scan(91.0), "runs.csv": b"file,sample\na.txt,S1\n"})

    def drop_sheet() -> None:
        (exports / "all.csv").write_bytes(b"file,sample,lot\na.txt,S9,L9\n")

    for drop in (drop_zip, drop_sheet) if zip_first else (drop_sheet, drop_zip):
        drop()
        lab.ingest([exports])
    (row,) = shown(lab).values()
    assert row["lot"] == "L9"
    assert row["sample"] == ("S1" if zip_first else None)
    if zip_first:
        (text,) = lab.findings([str(row["measurement_id"])])["text"]
        assert text.startswith("sample stays 'S1' (packed run sheet mon.zip/runs.csv, line 2)")


def test_run_sheet_in_a_zip_that_is_none_refuses_the_zip(lab: Archive, exports: Path) -> None:
    put(exports / "mon.zip", {"a.txt": scan(91.0), "runs.csv": b"file,colour\na.txt,red\n"})
    (row,) = lab.ingest([exports]).refused
    assert (row.place, row.found) == ("member 'runs.csv', line 1", "the column 'colour'")


def test_member_was_saved_when_the_zip_says_or_else_when_the_zip_was(
    lab: Archive, exports: Path
) -> None:
    when = datetime(2026, 5, 4, 11, tzinfo=UTC)
    put(exports / "a.zip", {"a.txt": whole("S1", 91.0)}, ntfs_times(int(when.timestamp()) * 10**9))
    file = put(exports / "b.zip", {"b.txt": whole("S2", 92.0)})
    os.utime(file, (when.timestamp() + 60, when.timestamp() + 60))
    lab.ingest([exports])
    saved = {name: row["saved_at"] for name, row in shown(lab).items()}
    assert saved["a.zip/a.txt"] == when
    assert saved["b.zip/b.txt"] == datetime(2026, 5, 4, 11, 1, tzinfo=UTC)


# --- identity -------------------------------------------------------------------------------------


@pytest.mark.parametrize("zip_first", [True, False])
def test_scan_that_comes_loose_and_in_a_zip_is_taken_once(
    lab: Archive, exports: Path, zip_first: bool
) -> None:
    def drop_zip() -> None:
        put(exports / "mon.zip", {"deep/s.txt": whole("S1", 91.0)})

    def drop_file() -> None:
        (exports / "a.txt").write_bytes(whole("S1", 91.0))

    for drop in (drop_zip, drop_file) if zip_first else (drop_file, drop_zip):
        drop()
        tally = lab.ingest([exports])
    assert lab.count() == 1 and tally.counts == {"repeated": 1}


def test_copies_in_one_zip_are_taken_once_and_other_sites_are_a_conflict(
    lab: Archive, exports: Path
) -> None:
    put(exports / "mon.zip", {"x/a.txt": whole("S1", 91.0), "y/b.txt": whole("S1", 91.0)})
    lab.ingest([exports])
    assert lab.count() == 1
    put(exports / "tue.zip", {"L7/W1_s3.txt": scan(92.0), "L7/W1_s4.txt": scan(92.0)})
    tally = lab.ingest([exports])
    assert tally.counts == {"conflict": 1} and lab.count() == 3


def test_zip_that_grew_repeats_its_old_scans_and_adds_the_new_one(
    lab: Archive, exports: Path
) -> None:
    members = {"a.txt": whole("S1", 91.0)}
    put(exports / "mon.zip", members)
    lab.ingest([exports])
    put(exports / "mon.zip", members | {"b.txt": whole("S2", 92.0)})
    assert lab.ingest([exports]).measurements == 1
    assert lab.count() == 2


def test_member_saved_again_with_more_supersedes_the_first(lab: Archive, exports: Path) -> None:
    put(exports / "mon.zip", {"a.txt": whole("S1", 91.0)})
    lab.ingest([exports])
    put(exports / "mon.zip", {"a.txt": whole("S1", 91.0).replace(b"nm\t", b"Site: 3\nnm\t")})
    tally = lab.ingest([exports])
    assert tally.measurements == 1 and lab.count() == 1
    (note,) = lab.files(limit=1)["note"]
    assert note.startswith("a re-export: supersedes measurement ")


@cache
def workshop() -> Workshop:
    root = Path(tempfile.mkdtemp(prefix="speclake-test-"))
    try:
        (root / "formats").mkdir()
        (root / "formats/plain.toml").write_text(FORMAT, "utf-8")
        folder = {"name": "bench", "path": "in", "exclude": ["*.skip"]}
        pattern = {"name": "by folder", "path": "{lot}/{sample}_s{site:digits}.txt"}
        data = {"name": "lab", "folder": [folder], "pattern": [pattern]}
        return Workshop.open(root, Settings.model_validate(data))
    finally:
        (root / "formats/plain.toml").unlink()
        (root / "formats").rmdir()
        root.rmdir()


def read(path: str, content: bytes) -> FileReading:
    now = datetime(2026, 5, 4, 12, tzinfo=UTC)
    task = FileTask("bench", Path(), path, len(content), 10**18, now)
    return read_content(workshop(), task, content)


FILES = st.dictionaries(
    st.tuples(
        st.sampled_from(["", "L1/", "L2/", "L2/deep/"]),
        st.sampled_from(["W1_s1.txt", "W1_s2.txt", "W2_s1.txt", "x.txt", "y.skip", "~$z.txt"]),
    ).map("".join),
    st.one_of(
        st.builds(scan, st.sampled_from([91.0, 92.0, 93.0])),
        st.builds(whole, st.sampled_from(["S1", "S2"]), st.sampled_from([91.0, 92.0])),
        st.binary(max_size=30),
    ),
    min_size=1,
    max_size=6,
)


@given(FILES, st.sampled_from(["mon.zip", "unit/"]))
@settings(max_examples=80, deadline=None)
def test_zip_gives_what_its_files_give_one_by_one_or_nothing(
    files: dict[str, bytes], container: str
) -> None:
    above = container if container.endswith("/") else ""
    wanted = {n: c for n, c in files.items() if not n.endswith((".skip", "~$z.txt"))}
    loose = {name: read(above + name, content) for name, content in wanted.items()}
    found = read(container, packed(files))
    refused = [name for name, each in loose.items() if each.outcome is FileOutcome.REFUSED]
    if refused or not wanted:
        assert found.outcome is FileOutcome.REFUSED and not found.measurements
        assert not refused or found.place.startswith(f"member {refused[0]!r}")
    else:
        expected = [m for each in loose.values() for m in each.measurements]
        assert [m.measurement_id for m in found.measurements] == [
            m.measurement_id for m in expected
        ]
        assert [m.unresolved for m in found.measurements] == [m.unresolved for m in expected]
        prefix = above or f"{container}/"
        assert [m.file for m in found.measurements] == [prefix + name for name in loose]
        passed_over = files.keys() - wanted.keys()
        assert all(name in found.note for name in passed_over)


# --- as people meet them --------------------------------------------------------------------------


def test_description_tells_who_would_read_each_member(lab: Archive, exports: Path) -> None:
    file = put(exports / "mon.zip", {"a.txt": whole("S1", 91.0), "b.pdf": b"%PDF", ".x": b"x"})
    told = describe(lab.root, file)
    assert not told.is_read and told.unsure == ("passed over: .x",)
    assert [(each.file, each.is_read) for each in told.members] == [
        ("mon.zip/a.txt", True),
        ("mon.zip/b.pdf", False),
    ]
    assert told.members[0].chosen == "columns, format plain"
    assert "mon.zip/a.txt\nimporters asked:" in told.as_text()
    assert lab.files().height == 0
    (exports / "cut.zip").write_bytes(file.read_bytes()[:-1])
    trouble = describe(lab.root, exports / "cut.zip").trouble
    assert trouble.endswith("no list of members at its end; expected a zip that is whole")


def test_zip_dropped_into_a_watched_folder_is_judged(tmp_path: Path, exports: Path) -> None:
    with watching_lab(tmp_path / "lab", exports) as archive:
        service = Service(archive)
        service.start(with_pages=False)
        try:
            eventually(service.is_at_rest.is_set)
            put(exports / "mon.zip", {"a.txt": whole("S1", 91.0), "b.txt": whole("S2", 89.0)})
            eventually(lambda: count_of(archive) == 2)
            passed, failed = (archive.find(outcome=each) for each in ("pass", "fail"))
            assert passed["file"].to_list() == ["mon.zip/a.txt"]
            assert failed["file"].to_list() == ["mon.zip/b.txt"]
        finally:
            service.close()
