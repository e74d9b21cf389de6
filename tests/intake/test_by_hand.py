"""Files taken in by hand: what could not be taken is told by name, with the reason."""

import os
from pathlib import Path

import pytest

from speclake.api import Archive
from speclake.intake import wanted as rules
from speclake.intake.workshop import ReaderFiles
from speclake.settings import Folder
from tests.labs import export, watching_lab


def test_file_whose_name_is_not_text_is_told_and_the_others_taken(tmp_path: Path) -> None:
    exports = tmp_path / "exports"
    (exports / "day").mkdir(parents=True)
    export("S1", 91.0, exports / "day")
    Path(os.fsdecode(os.fsencode(exports) + b"/day/odd\xff.txt")).write_text("x", "utf-8")
    with watching_lab(tmp_path / "lab", exports) as archive:
        tally = archive.ingest([exports / "day"])
    assert tally.measurements == 1 and tally.files == 1
    assert tally.left_out == {"day/odd?.txt": "its name is not text; rename it"}


def test_what_is_no_file_is_told(tmp_path: Path) -> None:
    exports = tmp_path / "exports"
    exports.mkdir()
    os.mkfifo(exports / "pipe")
    with watching_lab(tmp_path / "lab", exports) as archive:
        tally = archive.ingest([exports / "pipe"])
    assert tally.left_out == {"pipe": "it is no file that can be read"}


def test_file_that_grows_meanwhile_is_told_with_its_reason(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    exports = tmp_path / "exports"
    exports.mkdir()
    file = export("S1", 91.0, exports)
    wanted = rules.is_wanted

    def grow_once_listed(path: str, folder: Folder) -> bool:
        with file.open("a", encoding="utf-8") as stream:
            stream.write("511\t91.0\n")
        return wanted(path, folder)

    monkeypatch.setattr("speclake.api.taking.is_wanted", grow_once_listed)
    with watching_lab(tmp_path / "lab", exports) as archive:
        tally = archive.ingest([file])
        assert archive.files().height == 0
    assert tally.left_out == {"S1.txt": "it changed while it was read"}
    assert tally.counts == {"not taken": 1} and tally.files == 0


def test_file_above_the_limit_is_told_and_taken_once_the_limit_is_raised(tmp_path: Path) -> None:
    exports = tmp_path / "exports"
    exports.mkdir()
    file = export("S1", 91.0, exports)
    with file.open("a", encoding="utf-8") as stream:
        stream.writelines(f"{511 + i}\t91.0\n" for i in range(100_000))
    with watching_lab(tmp_path / "lab", exports) as archive:
        settings = archive.root / "speclake.toml"
        limits = settings.read_text("utf-8")
    small, large = (
        limits.replace("largest_file_mb = 2048", f"largest_file_mb = {n}") for n in (1, 2)
    )
    settings.write_text(small, "utf-8")
    with Archive.open(tmp_path / "lab") as archive:
        tally = archive.ingest([file])
        size = file.stat().st_size
        assert tally.left_out == {
            "S1.txt": f"found {size} bytes; expected at most 1 MB (largest_file_mb)"
        }
        assert archive.files().height == 0
        before = ReaderFiles.of(archive.root, archive.settings).fingerprint
    settings.write_text(large, "utf-8")
    with Archive.open(tmp_path / "lab") as archive:
        assert archive.ingest([file]).measurements == 1
        (sha256,) = archive.files()["sha256"]
        assert archive.original(sha256) == file.read_bytes()
        assert ReaderFiles.of(archive.root, archive.settings).fingerprint != before
