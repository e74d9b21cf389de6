"""Folders taken in as one: when they have settled, what is kept of them, how they change."""

import io
import os
import zipfile
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from speclake.api import Archive
from speclake.api.describing import describe
from speclake.errors import NotFound
from speclake.intake.bringing import too_large
from speclake.intake.disks import Listed, LocalDisk
from speclake.intake.tasks import FileTask
from speclake.intake.units import LARGEST_MB, in_units, packed, unit_now
from speclake.intake.wanted import is_run_sheet, ledger_paths, unit_of
from speclake.intake.zips import members_of
from speclake.service import Service
from speclake.settings import Folder
from tests.intake.test_folders import Bench
from tests.labs import export, watching_lab
from tests.test_service import count_of, eventually

FOLDER = Folder(
    name="bench", path="in", units=("run-*",), exclude=("*.log",), run_sheets=("*.csv",)
)


# --- watched folders -----------------------------------------------------------------------------


def test_unit_is_handed_on_once_all_its_files_have_settled() -> None:
    bench = Bench(units=["run-*"])
    bench.disk.files = {"run-7/a.txt": (10, 1), "run-7/deep/b.txt": (10, 1), "c.txt": (10, 1)}
    bench.at(0)
    bench.disk.files["run-7/deep/b.txt"] = (20, 2)
    assert bench.at(2.5) == ["c.txt"]
    assert bench.at(4) == []
    assert bench.at(4.6) == ["run-7/"]
    assert bench.at(30) == [] and bench.at(33) == []


def test_file_added_to_a_unit_hands_it_on_again_and_never_singly() -> None:
    bench = Bench(units=["run-*"])
    bench.disk.files = {"run-7/a.txt": (10, 1)}
    bench.at(0)
    assert bench.at(3) == ["run-7/"]
    bench.disk.files["run-7/b.txt"] = (10, 1)
    bench.watched.hint("run-7/b.txt")
    assert bench.at(4) == []
    assert bench.at(6.5) == ["run-7/"]
    del bench.disk.files["run-7/b.txt"]
    bench.watched.hint("run-7/b.txt")
    bench.at(7)
    assert bench.at(9.5) == []


def test_unit_that_vanishes_is_forgotten() -> None:
    bench = Bench(units=["run-*"])
    bench.disk.files = {"run-7/a.txt": (10, 1)}
    bench.at(0)
    bench.disk.files = {}
    assert bench.at(3) == []
    bench.at(11)
    assert bench.watched.state.waiting == 0


def test_long_unit_is_one_entry_and_its_neighbours_their_own() -> None:
    bench = Bench(units=["run-*"])
    bench.disk.files = {f"run-7/{i:05d}.txt": (10, 1) for i in range(1200)}
    bench.disk.files |= {"run-7.txt": (10, 1), "run-8/a.txt": (10, 1), "run-8/b.log": (1, 1)}
    bench.at(0)
    assert bench.at(3) == ["run-7.txt", "run-7/", "run-8/"]
    assert {path for path, _, _ in bench.ledger} == {"run-7.txt", "run-7/", "run-8/"}


def test_outermost_folder_that_fits_is_the_unit() -> None:
    told = [unit_of(p, FOLDER) for p in ("a/run-1/x/run-2/y.txt", "run-1.txt", "a/b.txt", "run-3/")]
    assert told == ["a/run-1/", "", "", "run-3/"]
    assert not is_run_sheet("run-3/", Folder(name="b", path="i", run_sheets=("run*",)))
    assert unit_of("day/x/a.txt", Folder(name="b", path="i", units=("day/*",))) == "day/x/"
    assert ledger_paths("a/b/c.txt") == ["a/b/c.txt", "a", "a/b", "a/", "a/b/"]


# --- states --------------------------------------------------------------------------------------

FILES = st.dictionaries(
    st.sampled_from(["a.txt", "b.txt", "deep/c.txt", "ü.txt"]),
    st.tuples(st.integers(0, 3), st.integers(0, 10**18)),
    min_size=1,
)


def state(files: dict[str, tuple[int, int]]) -> Listed:
    listing = [(f"run-7/{name}", *told) for name, told in sorted(files.items())]
    (found,) = in_units(listing, FOLDER)
    return found


@given(FILES, FILES)
def test_two_states_of_a_unit_are_equal_only_if_all_its_files_are(
    one: dict[str, tuple[int, int]], other: dict[str, tuple[int, int]]
) -> None:
    assert (state(one) == state(other)) == (one == other)
    assert state(one)[2] // 10**6 == max(time for _, time in one.values()) // 10**6


def test_file_put_in_place_of_another_of_its_size_by_an_older_one_is_seen() -> None:
    before = {"a.txt": (10, 5), "b.txt": (10, 9 * 10**9)}
    assert state(before)[:2] == state(before | {"a.txt": (10, 4)})[:2]
    assert state(before) != state(before | {"a.txt": (10, 4)})


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """Watched folder with one unit of two exports, a run sheet, and what nobody wants."""
    files = {"b.txt": b"bb", "deep/ü.txt": b"u", "s.csv": b"file,lot\n", "x.log": b"", ".h": b"h"}
    for name, content in files.items():
        file = tmp_path / "run-7" / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(content)
        os.utime(file, ns=(0, 1777888800 * 10**9 + len(content)))
    return tmp_path


def test_unit_is_packed_to_the_same_bytes_whenever_its_files_are_the_same(root: Path) -> None:
    content, found = packed(root, "run-7/", FOLDER)
    assert found == unit_now(LocalDisk(), root, "run-7/", FOLDER)
    assert found is not None and found[1] == len(content)
    assert packed(root, "run-7/", FOLDER) == (content, found)
    members = members_of("run-7/", content)
    assert [m.name for m in members] == ["b.txt", "deep/ü.txt", "s.csv"]
    assert [m.saved_at.timestamp() for m in members if m.saved_at] == [1777888800.0] * 3
    with zipfile.ZipFile(io.BytesIO(content)) as witness:
        assert witness.testzip() is None
        assert witness.read("deep/ü.txt") == b"u"


def test_file_that_changes_while_the_unit_is_packed_leaves_it_for_later(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    looked = LocalDisk.look

    def grow(disk: LocalDisk, folder: Path, path: str) -> Listed | None:
        (folder / path).write_bytes(b"grown")
        return looked(disk, folder, path)

    monkeypatch.setattr(LocalDisk, "look", grow)
    assert packed(root, "run-7/", FOLDER) == (b"", None)


def test_unit_without_anything_wanted_is_none(tmp_path: Path) -> None:
    (tmp_path / "run-7").mkdir()
    (tmp_path / "run-7/x.log").write_bytes(b"x")
    assert unit_now(LocalDisk(), tmp_path, "run-7/", FOLDER) is None
    assert unit_now(LocalDisk(), tmp_path, "run-8/", FOLDER) is None
    assert packed(tmp_path, "run-7/", FOLDER)[1] is None


# --- the archive ---------------------------------------------------------------------------------


@pytest.fixture
def exports(tmp_path: Path) -> Path:
    folder = tmp_path / "exports"
    (folder / "run-7/deep").mkdir(parents=True)
    export("S1", 91.0, folder / "run-7")
    export("S2", 92.0, folder / "run-7/deep")
    export("S3", 93.0, folder)
    return folder


@pytest.fixture
def lab(tmp_path: Path, exports: Path) -> Iterator[Archive]:
    with watching_lab(tmp_path / "lab", exports, units='["run-*"]') as archive:
        yield archive


def lines(archive: Archive) -> list[tuple[str, str, str]]:
    return archive.files().select("path", "outcome", "note").rows()


def test_unit_is_one_line_and_its_growth_doubles_nothing(lab: Archive, exports: Path) -> None:
    lab.ingest([exports])
    assert sorted(lines(lab)) == [
        ("S3.txt", "taken", "1 spectrum taken"),
        ("run-7/", "taken", "2 spectra taken"),
    ]
    assert sorted(lab.find()["file"]) == ["S3.txt", "run-7/S1.txt", "run-7/deep/S2.txt"]
    export("S4", 94.0, exports / "run-7")
    tally = lab.ingest([exports])
    assert tally.measurements == 1 and lab.count() == 4
    assert lab.ingest([exports]).files == 0


def test_member_that_cannot_be_read_keeps_the_unit_out_until_it_is_mended(
    lab: Archive, exports: Path
) -> None:
    bad = exports / "run-7/bad.txt"
    bad.write_bytes(b"not an export")
    (row,) = lab.ingest([exports]).refused
    assert row.path == "run-7/" and row.place.startswith("member 'bad.txt'")
    assert lab.find()["file"].to_list() == ["S3.txt"]
    with zipfile.ZipFile(io.BytesIO(lab.original(row.sha256))) as kept:
        assert sorted(kept.namelist()) == ["S1.txt", "bad.txt", "deep/S2.txt"]
    bad.unlink()
    assert lab.ingest([exports]).measurements == 2


@pytest.mark.parametrize("path", ["run-7", "run-7/deep", "run-7/S1.txt"])
def test_part_of_a_unit_named_by_hand_is_the_whole_unit(
    lab: Archive, exports: Path, path: str
) -> None:
    lab.ingest([exports / path])
    assert lines(lab) == [("run-7/", "taken", "2 spectra taken")]


def test_scans_taken_singly_before_are_repeated_by_their_unit(
    tmp_path: Path, exports: Path
) -> None:
    with watching_lab(tmp_path / "lab", exports) as archive:
        assert archive.ingest([exports]).measurements == 3
    settings = tmp_path / "lab/speclake.toml"
    text = settings.read_text("utf-8").replace(
        "settle_s = 0.1", 'settle_s = 0.1\nunits = ["run-*"]'
    )
    settings.write_text(text, "utf-8")
    with Archive.open(tmp_path / "lab") as archive:
        assert archive.ingest([exports]).counts == {"repeated": 1}
        assert archive.count() == 3


def test_run_sheet_in_a_unit_speaks_of_its_files_by_their_paths(
    tmp_path: Path, exports: Path
) -> None:
    rows = "file,site\nrun-7/S1.txt,5\nS2.txt,6\nS3.txt,7\n"
    (exports / "run-7/runs.csv").write_text(rows, "utf-8")
    more = {"units": '["run-*"]', "run_sheets": '["*.csv"]'}
    with watching_lab(tmp_path / "lab", exports, **more) as archive:
        archive.ingest([exports])
        assert sorted(archive.files()["path"]) == ["S3.txt", "run-7/"]
        sites = dict(archive.find().select("file", "site").rows())
    assert sites == {"run-7/S1.txt": "5", "run-7/deep/S2.txt": "6", "S3.txt": None}


def test_unit_above_its_limit_is_told_and_left(tmp_path: Path) -> None:
    now = datetime(2026, 5, 4, 12, tzinfo=UTC)
    task = FileTask("bench", tmp_path, "run-7/", LARGEST_MB * 2**20 + 1, 0, now)
    found = f"found {task.size} bytes; expected at most "
    assert too_large(task, 10_000) == f"{found}{LARGEST_MB} MB (the most that a unit holds)"
    assert too_large(task, 9) == f"{found}9 MB (largest_file_mb)"
    assert too_large(replace(task, path="a.txt"), 10_000) == ""


def test_unit_is_described_like_a_zip(lab: Archive, exports: Path) -> None:
    told = describe(lab.root, exports / "run-7")
    assert told.is_read and [each.file for each in told.members] == [
        "run-7/S1.txt",
        "run-7/deep/S2.txt",
    ]
    with pytest.raises(NotFound, match="or a folder among the units"):
        describe(lab.root, exports)


def test_unit_dropped_into_a_watched_folder_is_judged_and_watched_on(
    lab: Archive, exports: Path
) -> None:
    service = Service(lab)
    service.start(with_pages=False)
    try:
        eventually(lambda: count_of(lab) == 3)
        beside = exports.parent / "run-8"
        beside.mkdir()
        export("S8", 89.0, beside)
        export("S9", 91.0, beside)
        beside.rename(exports / "run-8")
        eventually(lambda: count_of(lab) == 5)
        assert lab.find(outcome="fail")["file"].to_list() == ["run-8/S8.txt"]
        export("S10", 95.0, exports / "run-8")
        eventually(lambda: count_of(lab) == 6)
        assert {path for path, _, _ in lines(lab)} == {"S3.txt", "run-7/", "run-8/"}
    finally:
        service.close()
