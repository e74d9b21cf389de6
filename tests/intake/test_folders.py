"""Folders that fill, stall, vanish and come back, seen through a disk that the test controls."""

import os
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from speclake.intake.disks import Disk, Listed, LocalDisk
from speclake.intake.folders import CHUNK, MOST_WAITING, WatchedFolder
from speclake.settings import Folder

ROOT = Path("share")


class FakeDisk:
    """Files by path with size and time; the root may vanish."""

    def __init__(self) -> None:
        self.files: dict[str, tuple[int, int]] = {}
        self.passed_over: dict[str, str] = {}
        self.is_gone = False
        self.walks = 0

    def walk(self, root: Path, below: str = "") -> Iterator[Listed]:
        if self.is_gone:
            raise OSError(2, "the share is not there", str(root))
        self.walks += 0 if below else 1
        for path, (size, modified) in sorted(self.files.items()):
            if path.startswith(f"{below}/" if below else ""):
                yield path, size, modified

    def look(self, _root: Path, path: str) -> Listed | None:
        if self.is_gone or path not in self.files:
            return None
        return (path, *self.files[path])


class Bench:
    """A watched folder with a ledger, a clock and a disk in the hands of the test."""

    def __init__(self, root: Path = ROOT, disk: Disk | None = None, **settings: object) -> None:
        self.disk, self.now, self.ledger = FakeDisk(), 0.0, set[Listed]()
        folder = Folder.model_validate(
            {"name": "bench", "path": "in", "settle_s": 2, "rescan_s": 10} | settings
        )
        self.watched = WatchedFolder(
            folder, root, self._unseen, lambda: self.now, lambda: self.now, disk or self.disk
        )

    def _unseen(self, folder: str, listing: Sequence[Listed]) -> Sequence[Listed]:
        assert folder == "bench"
        return [listed for listed in listing if listed not in self.ledger]

    def at(self, seconds: float) -> list[str]:
        """Paths handed on at a time; each is taken into the ledger at once."""
        self.now = seconds
        handed = list(self.watched.settled())
        for listed in handed:
            self.ledger.add(listed)
            self.watched.done(listed[0])
        return [path for path, _, _ in handed]


def test_file_is_handed_on_once_after_two_equal_looks() -> None:
    bench = Bench()
    bench.disk.files["a.txt"] = (10, 1)
    assert bench.at(0) == []
    assert bench.at(1) == []
    assert bench.at(2.5) == ["a.txt"]
    assert bench.at(30) == []


def test_half_written_file_is_left_alone_until_it_rests() -> None:
    bench = Bench()
    bench.disk.files["a.txt"] = (10, 1)
    bench.at(0)
    bench.disk.files["a.txt"] = (20, 2)
    assert bench.at(2.5) == []
    assert bench.at(4) == []
    assert bench.at(4.5) == ["a.txt"]


def test_event_brings_a_file_before_the_next_walk() -> None:
    bench = Bench()
    bench.at(0)
    bench.disk.files["a.txt"] = (10, 1)
    bench.watched.hint("a.txt")
    assert bench.at(1) == []
    assert bench.at(3) == ["a.txt"]
    assert bench.disk.walks == 1


def test_lost_event_loses_no_file() -> None:
    bench = Bench()
    bench.at(0)
    bench.disk.files["a.txt"] = (10, 1)
    assert bench.at(11) == []
    assert bench.at(13.1) == ["a.txt"]


def test_share_that_vanishes_is_reported_and_comes_back() -> None:
    bench = Bench()
    bench.disk.files["a.txt"] = (10, 1)
    bench.disk.is_gone = True
    assert bench.at(0) == []
    assert bench.watched.state.is_reachable is False
    assert "the share is not there" in bench.watched.state.trouble
    bench.disk.is_gone = False
    assert bench.at(11) == []
    assert bench.at(14) == ["a.txt"]
    assert bench.watched.state.is_reachable is True and bench.watched.state.trouble == ""


def test_file_renamed_while_it_settles_is_found_under_its_new_name() -> None:
    bench = Bench()
    bench.disk.files["a.part.txt"] = (10, 1)
    bench.at(0)
    bench.disk.files = {"a.txt": (10, 1)}
    assert bench.at(2.5) == []
    bench.at(11)
    assert bench.at(14) == ["a.txt"]


def test_grown_file_is_handed_on_again() -> None:
    bench = Bench()
    bench.disk.files["map.txt"] = (10, 1)
    bench.at(0)
    assert bench.at(3) == ["map.txt"]
    bench.disk.files["map.txt"] = (20, 5)
    bench.watched.hint("map.txt")
    bench.at(4)
    assert bench.at(6.5) == ["map.txt"]


@pytest.mark.parametrize("name", [".hidden", "~$open.xlsx", "a.tmp", "a.PART", "x.crdownload"])
def test_files_that_are_being_made_are_passed_over(name: str) -> None:
    bench = Bench()
    bench.disk.files[f"day/{name}"] = (10, 1)
    bench.at(0)
    assert bench.at(5) == []


def test_only_wanted_names_are_handed_on() -> None:
    bench = Bench(include=["*.txt"], exclude=["old/*"])
    bench.disk.files |= {"a.txt": (1, 1), "a.log": (1, 1), "old/b.txt": (1, 1)}
    bench.at(0)
    assert bench.at(3) == ["a.txt"]


def test_empty_file_is_given_more_time_to_be_written() -> None:
    bench = Bench()
    bench.disk.files["a.txt"] = (0, 1)
    bench.at(0)
    assert bench.at(3) == []
    assert bench.at(21) == ["a.txt"]


def test_long_backlog_keeps_a_bounded_number_in_mind() -> None:
    bench = Bench()
    total = MOST_WAITING + 3 * CHUNK
    bench.disk.files = {f"{i:06}.txt": (1, 1) for i in range(total)}
    handed: list[str] = []
    for second in range(0, 400, 1):
        handed += bench.at(float(second))
        assert bench.watched.state.waiting <= MOST_WAITING + CHUNK
        if len(handed) == total:
            break
    assert sorted(handed) == sorted(bench.disk.files)
    assert bench.disk.walks == 1


def test_locked_file_is_tried_later_and_later_and_ends_every_pass() -> None:
    bench = Bench(settle_s=0)
    bench.disk.files["a.txt"] = (10, 1)
    tries = []
    for tenth in range(600):
        bench.now = tenth / 10
        for path, _, _ in bench.watched.settled():
            bench.watched.look_again(path, "cannot be opened")
            tries.append(bench.now)
    assert tries == pytest.approx([0, 0.5, 1.5, 3.5, 7.5, 15.5, 25.5, 35.5, 45.5, 55.5], abs=0.11)
    assert bench.watched.state.held_up == {"a.txt": "cannot be opened"}
    del bench.disk.files["a.txt"]
    assert bench.at(70) == []
    assert bench.watched.state.held_up == {}


def test_locked_file_is_taken_once_it_is_free() -> None:
    bench = Bench()
    bench.disk.files["a.txt"] = (10, 1)
    bench.at(0)
    bench.now = 3
    for path, _, _ in bench.watched.settled():
        bench.watched.look_again(path, "cannot be opened")
    assert bench.at(5) == []
    assert bench.at(7) == ["a.txt"]
    assert bench.watched.state.held_up == {}


@pytest.mark.parametrize("path", [".hidden/a.txt", "day/.trash/a.txt", "link", "pipe"])
def test_event_hands_on_nothing_that_a_walk_would_pass_over(tmp_path: Path, path: str) -> None:
    for folder in (".hidden", "day/.trash"):
        (tmp_path / folder).mkdir(parents=True)
        (tmp_path / folder / "a.txt").write_text("x", "utf-8")
    (tmp_path / "link").symlink_to(tmp_path / "day", target_is_directory=True)
    os.mkfifo(tmp_path / "pipe")
    bench = Bench(tmp_path, LocalDisk(), settle_s=0)
    bench.watched.hint(path)
    assert bench.at(0) == []


def test_file_that_can_have_no_line_in_the_record_is_told_and_stops_nothing(
    tmp_path: Path,
) -> None:
    odd = os.fsencode(tmp_path) + b"/odd\xff.txt"
    Path(os.fsdecode(odd)).write_text("x", "utf-8")
    late = tmp_path / "late.txt"
    late.write_text("x", "utf-8")
    os.utime(late, (2**34, 2**34))
    if late.stat().st_mtime_ns < 2**63:  # a file system that keeps no such time has no such file
        late.unlink()
    (tmp_path / "good.txt").write_text("x", "utf-8")
    bench = Bench(tmp_path, LocalDisk(), settle_s=0)
    bench.watched.hint("odd\udcff.txt")
    bench.watched.hint("late.txt")
    assert bench.at(0) == ["good.txt"]
    held_up = bench.watched.state.held_up
    assert "not text" in held_up["odd?.txt"]
    assert ("late.txt" in held_up) == late.exists()
    Path(os.fsdecode(odd)).unlink()
    bench.at(20)
    assert "odd?.txt" not in bench.watched.state.held_up


def test_walk_goes_deeper_than_calls_may(tmp_path: Path) -> None:
    folders = [tmp_path.joinpath(*["d"] * depth) for depth in range(1, 301)]
    for folder in folders:
        folder.mkdir()
    (folders[-1] / "a.txt").write_text("x", "utf-8")
    before = sys.getrecursionlimit()
    sys.setrecursionlimit(290)
    try:
        found = list(LocalDisk().walk(tmp_path))
    finally:
        sys.setrecursionlimit(before)
    assert [(path, size) for path, size, _ in found] == [("d/" * 300 + "a.txt", 1)]


def test_folder_that_cannot_be_read_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "locked").mkdir()
    (tmp_path / "a.txt").write_text("x", "utf-8")
    scandir = os.scandir

    def refusing(path: Path) -> object:
        if Path(path).name == "locked":
            raise PermissionError(13, "Permission denied", str(path))
        return scandir(path)

    monkeypatch.setattr(os, "scandir", refusing)
    bench = Bench(tmp_path, LocalDisk(), settle_s=0)
    assert bench.at(0) == ["a.txt"]
    assert bench.watched.state.held_up == {"locked": "cannot be read: Permission denied"}


def test_trouble_with_events_stands_beside_the_files_that_are_held_up() -> None:
    bench = Bench()
    bench.watched.tell("no events; rescans find the files")
    assert bench.watched.state.held_up == {"the folder": "no events; rescans find the files"}
    bench.watched.tell("")
    assert bench.watched.state.held_up == {}
