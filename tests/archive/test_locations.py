"""The order of the writing calls, and what they promise."""

import errno
import hashlib
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from speclake.archive.locations import LocalDisk, witnesses
from speclake.errors import SpeclakeError


class Telling(LocalDisk):
    """Disk that keeps a list of the calls it made."""

    def __init__(self) -> None:
        self.told: list[str] = []

    def __getattribute__(self, name: str) -> Any:
        found = super().__getattribute__(name)
        if name in ("make_folder", "open_new", "write", "sync_file", "close", "sync_folder", "link",
                    "rename", "rename_to_free", "remove"):  # fmt: skip
            self.told.append(name)
        return found


def test_a_file_is_whole_and_durable_before_it_has_its_name(tmp_path: Path) -> None:
    disk = Telling()
    disk.put_if_absent(tmp_path / "record", b"content")
    assert disk.told == [
        "open_new", "write", "sync_file", "close", "link", "sync_folder", "remove"
    ]  # fmt: skip
    assert [path.name for path in tmp_path.iterdir()] == ["record"]
    assert (tmp_path / "record").read_bytes() == b"content"


def test_a_name_that_is_taken_is_left_alone(tmp_path: Path) -> None:
    disk = LocalDisk()
    disk.put_if_absent(tmp_path / "record", b"first")
    with pytest.raises(FileExistsError):
        disk.put_if_absent(tmp_path / "record", b"second")
    assert (tmp_path / "record").read_bytes() == b"first"
    assert [path.name for path in tmp_path.iterdir()] == ["record"]


class WithoutLinks(LocalDisk):
    def link(self, source: Path, target: Path) -> None:  # noqa: ARG002  # the disk's signature
        raise OSError(errno.EPERM, "no links here", str(target))


@pytest.mark.skipif(sys.platform not in ("linux", "win32"), reason="no exclusive rename there")
def test_a_file_system_without_links_renames_to_free_names_only(tmp_path: Path) -> None:
    disk = WithoutLinks()
    disk.put_if_absent(tmp_path / "record", b"first")
    with pytest.raises(FileExistsError):
        disk.put_if_absent(tmp_path / "record", b"second")
    assert (tmp_path / "record").read_bytes() == b"first"
    assert [path.name for path in tmp_path.iterdir()] == ["record"]


def test_a_system_that_can_do_neither_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("speclake.archive.locations.ctypes.CDLL", lambda *_, **__: object())
    with pytest.raises(SpeclakeError, match="keep the archive on another disk"):
        WithoutLinks().put_if_absent(tmp_path / "record", b"first")
    assert not (tmp_path / "record").exists()


def test_other_errors_of_a_link_are_not_hidden(tmp_path: Path) -> None:
    class Full(LocalDisk):
        def link(self, source: Path, target: Path) -> None:  # noqa: ARG002  # the disk's signature
            raise OSError(errno.ENOSPC, "full", str(target))

    with pytest.raises(OSError, match="full"):
        Full().put_if_absent(tmp_path / "record", b"first")


def test_a_link_whose_answer_was_lost_is_ours(tmp_path: Path) -> None:
    """A network file system asks again and is told that the name is taken: by ourselves."""

    class Forgetful(LocalDisk):
        def link(self, source: Path, target: Path) -> None:
            os.link(source, target)
            raise FileExistsError(errno.EEXIST, "exists", str(target))

    Forgetful().put_if_absent(tmp_path / "record", b"first")
    assert (tmp_path / "record").read_bytes() == b"first"


def test_a_temporary_file_that_is_cleaned_away_is_written_again(tmp_path: Path) -> None:
    class Cleaned(LocalDisk):
        times = 0

        def link(self, source: Path, target: Path) -> None:
            self.times += 1
            if self.times == 1:
                source.unlink()
            super().link(source, target)

    Cleaned().put_if_absent(tmp_path / "record", b"first")
    assert (tmp_path / "record").read_bytes() == b"first"


def test_a_folder_is_durable_in_the_one_above_it(tmp_path: Path) -> None:
    disk = Telling()
    disk.make_folders(tmp_path / "a" / "b")
    assert disk.told == ["make_folder", "sync_folder"] * 2
    disk.make_folders(tmp_path / "a" / "b")
    assert len(disk.told) == 4


def test_a_sink_knows_size_and_hash(tmp_path: Path) -> None:
    with LocalDisk().create(tmp_path / "file") as sink:
        assert sink.write(b"abc") == 3
        sink.write(memoryview(b"def"))
    assert (sink.size, sink.sha256) == (6, hashlib.sha256(b"abcdef").hexdigest())
    with pytest.raises(FileExistsError), LocalDisk().create(tmp_path / "file"):
        pass


def test_a_published_file_has_its_hash_beside_it(tmp_path: Path) -> None:
    target = tmp_path / "0000000001.duckdb"
    for content in (b"first", b"second"):
        temporary = tmp_path / "new"
        temporary.write_bytes(content)
        LocalDisk().publish(temporary, target)
        assert target.read_bytes() == content
        texts = [path.read_text() for path in witnesses(target)]
        assert f"{hashlib.sha256(content).hexdigest()}  {target.name}\n" in texts


def test_the_hash_beside_a_file_is_one_that_other_tools_check(tmp_path: Path) -> None:
    (tmp_path / "new").write_bytes(b"content")
    LocalDisk().publish(tmp_path / "new", tmp_path / "one.duckdb")
    (witness,) = witnesses(tmp_path / "one.duckdb")
    digest, name = witness.read_text().split()
    assert digest == hashlib.sha256((tmp_path / name).read_bytes()).hexdigest()


def test_hashes_of_files_that_are_gone_go_too(tmp_path: Path) -> None:
    for number in (1, 2, 3):
        (tmp_path / "new").write_bytes(bytes([number]))
        LocalDisk().publish(tmp_path / "new", tmp_path / f"{number}.duckdb")
        (tmp_path / f"{number - 1}.duckdb").unlink(missing_ok=True)
    assert witnesses(tmp_path / "1.duckdb") == []
    assert len(witnesses(tmp_path / "3.duckdb")) == 1


@pytest.mark.skipif(sys.platform == "win32", reason="no holds there: the grace period stands alone")
def test_a_hold_ends_with_the_process_that_has_it(tmp_path: Path) -> None:
    program = (
        "import sys, pathlib; from speclake.archive.locations import LocalDisk;"
        "held = LocalDisk().hold(pathlib.Path(sys.argv[1])); print(held is not None, flush=True);"
        "sys.stdin.read()"
    )
    arguments = [sys.executable, "-c", program, str(tmp_path)]
    with subprocess.Popen(
        arguments, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "True\n"
        assert LocalDisk().hold(tmp_path) is None
        other.kill()
        other.wait()
    held = LocalDisk().hold(tmp_path)
    assert held is not None
    assert LocalDisk().hold(tmp_path) is None
    LocalDisk().release(held)
    again = LocalDisk().hold(tmp_path)
    assert again is not None
    LocalDisk().release(again)


class CleanedMeanwhile(LocalDisk):
    """Disk on which another process cleans up just before a snapshot gets its name."""

    def rename(self, source: Path, target: Path) -> None:
        if target.suffix == ".duckdb":
            LocalDisk().remove_witnesses_of_nothing(target.parent)
        super().rename(source, target)


def test_a_hash_that_was_taken_for_one_of_nothing_is_put_beside_its_file_again(
    tmp_path: Path,
) -> None:
    (tmp_path / "new").write_bytes(b"content")
    CleanedMeanwhile().publish(tmp_path / "new", tmp_path / "1.duckdb")
    (witness,) = witnesses(tmp_path / "1.duckdb")
    assert witness.read_text().split()[0] == hashlib.sha256(b"content").hexdigest()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["1.duckdb", witness.name]
