"""What an importer of the archive does to its process refuses its files and stops nothing else."""

from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

from speclake.archive.rows import FileOutcome
from speclake.intake.readpool import ReadPool
from speclake.intake.tasks import FileReading, FileTask
from speclake.settings import Settings
from tests.labs import FORMAT, export

ENDS_AT_IMPORT = "import os\nos._exit(3)\n"
HANGS = """
import time
from speclake.importing import Confidence, Guess

class Slow:
    name = "slow"
    version = "1"

    def sniff(self, head):
        sure = Confidence.CERTAIN if b"hang here" in head.content else Confidence.NO
        return Guess(sure, "it says so")

    def read(self, source):
        time.sleep(1000)
        yield
"""


def lab_with(plugin: str, name: str, root: Path) -> Settings:
    for folder in ("formats", "plugins"):
        (root / folder).mkdir(parents=True)
    (root / "formats/plain.toml").write_text(FORMAT, "utf-8")
    (root / f"plugins/{name}.py").write_text(plugin, "utf-8")
    return Settings.model_validate({"name": "lab", "limits": {"importer_time_s": 2.0}})


def tasks_of(files: list[Path]) -> list[FileTask]:
    tasks = []
    for file in files:
        stat = file.stat()
        now = datetime.now(UTC)
        tasks.append(FileTask("bench", file.parent, file.name, stat.st_size, stat.st_mtime_ns, now))
    return tasks


def readings(root: Path, settings: Settings, files: list[Path]) -> dict[str, FileReading]:
    with closing(ReadPool(root, settings)) as pool:
        return {r.task.path: r for r in pool.read(tasks_of(files)) if r is not None}


def test_importer_that_ends_every_process_at_import_is_left_out(tmp_path: Path) -> None:
    settings = lab_with(ENDS_AT_IMPORT, "deadly", tmp_path / "lab")
    with closing(ReadPool(tmp_path / "lab", settings)) as pool:
        assert list(pool.shut_out) == ["deadly"] and "3" in pool.shut_out["deadly"]
    found = readings(tmp_path / "lab", settings, [export("S1", 91.0, tmp_path)])
    assert found["S1.txt"].outcome is FileOutcome.TAKEN


def test_importer_that_hangs_refuses_its_file_alone(tmp_path: Path) -> None:
    settings = lab_with(HANGS, "slow", tmp_path / "lab")
    stuck = tmp_path / "stuck.dat"
    stuck.write_text("hang here\n", "utf-8")
    good = [export(f"S{i}", 91.0 + i, tmp_path) for i in range(5)]
    found = readings(tmp_path / "lab", settings, [good[0], stuck, *good[1:]])
    refused = found["stuck.dat"]
    assert refused.outcome is FileOutcome.REFUSED and refused.importer == "slow"
    assert "hung" in refused.note and refused.content == b"hang here\n"
    assert {found[f"S{i}.txt"].outcome for i in range(5)} == {FileOutcome.TAKEN}


def test_file_that_grows_while_it_is_read_is_to_be_looked_at_again(tmp_path: Path) -> None:
    settings = lab_with(HANGS, "slow", tmp_path / "lab")
    file = export("S1", 91.0, tmp_path)
    task = FileTask("bench", tmp_path, file.name, 3, 4, datetime.now(UTC))
    with closing(ReadPool(tmp_path / "lab", settings)) as pool:
        (reading,) = (r for r in pool.read([task]) if r is not None)
    assert reading.changed and "changed" in reading.note


def test_workers_that_start_later_read_as_the_first_did_whatever_was_edited(tmp_path: Path) -> None:
    root = tmp_path / "lab"
    settings = lab_with(HANGS, "slow", root)
    stuck = tmp_path / "stuck.dat"
    stuck.write_text("hang here\n", "utf-8")
    files = [export(f"S{i}", 91.0 + i, tmp_path) for i in range(3)]
    with closing(ReadPool(root, settings)) as pool:
        (root / "formats/plain.toml").write_text("[text]\nwrong = 1\n", "utf-8")
        (root / "plugins/slow.py").unlink()
        found = {
            r.task.path: r for r in pool.read(tasks_of([stuck, *files, stuck])) if r is not None
        }
    assert {found[file.name].outcome for file in files} == {FileOutcome.TAKEN}
    assert found["stuck.dat"].importer == "slow", "the importer that was there at the start"
