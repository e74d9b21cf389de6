"""The service as a lab runs it: it watches, survives, and lets others read meanwhile."""

import os
import random
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from speclake.api import Archive
from speclake.errors import SpeclakeError
from speclake.service import Service
from tests.intake.bench import CERTIFICATE
from tests.labs import FORMAT, export, watching_lab


@pytest.fixture
def exports(tmp_path: Path) -> Path:
    folder = tmp_path / "exports"
    folder.mkdir()
    return folder


def eventually(holds: Callable[[], bool], seconds: float = 30.0) -> None:
    deadline = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < deadline, "it did not come about in time"
        time.sleep(0.02)


def count_of(archive: Archive) -> int:
    archive.refresh()
    return archive.count()


def test_scan_that_arrives_is_judged_and_on_the_bench(tmp_path: Path, exports: Path) -> None:
    with watching_lab(tmp_path / "lab", exports) as archive:
        service = Service(archive)
        service.start(with_pages=False)
        try:
            eventually(service.is_at_rest.is_set)
            export("S1", 91.0, exports)
            eventually(lambda: count_of(archive) == 1)
            (view,) = archive.bench()
            assert view.outcome == "pass" and "91" in view.sentences[0]
        finally:
            service.close()


def test_slip_in_a_certificate_is_told_once_and_stops_nothing(
    tmp_path: Path, exports: Path
) -> None:
    said: list[str] = []
    with watching_lab(tmp_path / "lab", exports) as archive:
        certificate = archive.root / "standards/grey.toml"
        certificate.write_text(CERTIFICATE, "utf-8")
        service = Service(archive, said.append)
        service.start(with_pages=False)
        try:
            certificate.write_text(CERTIFICATE + 'colour = "grey"\n', "utf-8")
            for name in ("S1", "S2"):
                export(name, 91.0, exports)
                eventually(lambda name=name: count_of(archive) == int(name[1]))  # type: ignore[misc]
            assert [each for each in said if "colour" in each] == [
                service.archive.judge_step.slips[0]
            ]
        finally:
            service.close()


def test_share_that_vanishes_comes_back_with_its_files(tmp_path: Path, exports: Path) -> None:
    with watching_lab(tmp_path / "lab", exports) as archive:
        service = Service(archive)
        service.start(with_pages=False)
        try:
            export("S1", 91.0, exports)
            eventually(lambda: count_of(archive) == 1)
            away = exports.rename(tmp_path / "away")
            eventually(lambda: archive.watch_states()[0].is_reachable is False)
            export("S2", 92.0, away)
            away.rename(exports)
            eventually(lambda: count_of(archive) == 2)
            eventually(lambda: archive.watch_states()[0].is_reachable is True)
            export("S3", 93.0, exports)
            eventually(lambda: count_of(archive) == 3)
        finally:
            service.close()


def test_refused_file_is_tried_again_when_a_format_changes(tmp_path: Path, exports: Path) -> None:
    with watching_lab(tmp_path / "lab", exports) as archive:
        form = archive.root / "formats/plain.toml"
        form.write_text(FORMAT.replace('"."', '","'), "utf-8")
        service = Service(archive)
        service.start(with_pages=False)
        try:
            export("S1", 91.5, exports)
            eventually(lambda: archive.files(outcome="refused").height == 1)
            form.write_text("[text]\nwrong = 1\n", "utf-8")
            eventually(lambda: "plain.toml" in service.trouble)
            form.write_text(FORMAT, "utf-8")
            eventually(lambda: count_of(archive) == 1)
            assert service.trouble == ""
        finally:
            service.close()


def test_crash_between_taking_and_judging_is_made_good_at_the_next_start(
    tmp_path: Path, exports: Path
) -> None:
    with watching_lab(tmp_path / "lab", exports) as archive:
        archive.ingest([export("S1", 91.5, exports)], with_verdicts=False)
        assert archive.find()["outcome"].to_list() == [None]
        service = Service(archive)
        service.start(with_pages=False)
        service.close()
        archive.refresh()
        assert archive.find()["outcome"].to_list() == ["pass"]


WAITS = """
import time
from pathlib import Path
from speclake.importing import Confidence, Guess

class Waits:
    name = "waits"
    version = "1"

    def sniff(self, head):
        sure = Confidence.CERTAIN if head.content.startswith(b"wait for ") else Confidence.NO
        return Guess(sure, "it says so")

    def read(self, source):
        awaited = Path(source.content.decode().removeprefix("wait for "))
        awaited.with_name("begun").touch()
        while not awaited.exists():
            time.sleep(0.01)
        return []
"""


def test_slow_file_of_one_folder_holds_up_no_scan_of_another(tmp_path: Path, exports: Path) -> None:
    other = tmp_path / "other"
    other.mkdir()
    with watching_lab(tmp_path / "lab", exports) as archive:
        settings = archive.root / "speclake.toml"
    more = f'[[folder]]\nname = "other"\npath = "{other.as_posix()}"\nsettle_s = 0.1\n'
    settings.write_text(f"{settings.read_text('utf-8')}\n{more}", "utf-8")
    (tmp_path / "lab/plugins").mkdir(exist_ok=True)
    (tmp_path / "lab/plugins/waits.py").write_text(WAITS, "utf-8")
    with Archive.open(tmp_path / "lab") as archive:
        service = Service(archive)
        service.start(with_pages=False)
        try:
            (exports / "slow.dat").write_text(f"wait for {tmp_path / 'go on'}", "utf-8")
            eventually((tmp_path / "begun").exists)
            export("S1", 91.0, other)
            eventually(lambda: count_of(archive) == 1, 10)
            assert archive.files()["path"].to_list() == ["S1.txt"], "the slow one is still read"
            (tmp_path / "go on").touch()
            eventually(lambda: archive.files().height == 2)
        finally:
            (tmp_path / "go on").touch()
            service.close()


def test_service_stops_soon_while_slow_files_are_read(tmp_path: Path, exports: Path) -> None:
    lab = tmp_path / "lab"
    watching_lab(lab, exports).close()
    (lab / "plugins").mkdir(exist_ok=True)
    (lab / "plugins/waits.py").write_text(WAITS, "utf-8")
    for i in range(50):
        (exports / f"{i}.dat").write_text(f"wait for {tmp_path / 'never'}", "utf-8")
    with Archive.open(lab) as archive:
        service = Service(archive)
        service.start(with_pages=False)
        try:
            eventually((tmp_path / "begun").exists)
        finally:
            started = time.monotonic()
            service.close()
        assert time.monotonic() - started < 5
        assert archive.files().height == 0, "a file that was dropped is found again"


def test_port_that_is_taken_ends_the_service_before_it_is_told(
    tmp_path: Path, exports: Path
) -> None:
    with (
        watching_lab(tmp_path / "lab", exports) as archive,
        socket.create_server(("127.0.0.1", 0)) as taken,
    ):
        service = Service(archive)
        with pytest.raises((OSError, SpeclakeError)):
            service.start(port=taken.getsockname()[1])
        assert [t.name for t in threading.enumerate() if t.name == "watcher"] == []


def commits(lab: Path) -> int:
    return sum(1 for _ in (lab / "chain").glob("*.json"))


@pytest.mark.skipif(os.name == "nt", reason="SIGTERM ends a process of that system at once")
def test_ingest_by_hand_stops_when_it_is_told_to(tmp_path: Path, exports: Path) -> None:
    lab = tmp_path / "lab"
    watching_lab(lab, exports).close()
    (lab / "plugins").mkdir(exist_ok=True)
    (lab / "plugins/waits.py").write_text(WAITS, "utf-8")
    export("A1", 91.0, exports)
    for i in range(50):
        (exports / f"{i}.dat").write_text(f"wait for {tmp_path / 'never'}", "utf-8")
    process = running_command("ingest", "-a", str(lab), str(exports))
    eventually((tmp_path / "begun").exists)
    process.send_signal(signal.SIGTERM)
    _, said = process.communicate(timeout=10)
    assert process.returncode == 130 and b"stopped" in said
    with Archive.open(lab) as archive:
        assert set(archive.files()["path"]) <= {"A1.txt"}


def test_past_days_are_sealed_once_when_nothing_waits(tmp_path: Path, exports: Path) -> None:
    tomorrow = datetime.now(UTC).date() + timedelta(days=1)
    with watching_lab(tmp_path / "lab", exports) as archive:
        archive.ingest([export("S1", 91.0, exports)])
        archive.ingest([export("S2", 92.0, exports)])
        said: list[str] = []
        service = Service(archive, said.append, today=lambda: tomorrow)
        service.start(with_pages=False)
        eventually(service.is_at_rest.is_set)
        service.close()
        assert [line for line in said if line.startswith("sealed 2 commits")] == said[-1:]
        assert archive.find(limit=None)["sample"].to_list() == ["S2", "S1"]
        assert [each for each in archive.verify() if not each.left_over] == []


def serving(lab: Path) -> subprocess.Popen[bytes]:
    return running_command("serve", "-a", str(lab), "--no-pages")


def running_command(*words: str) -> subprocess.Popen[bytes]:
    code = "from speclake.cli import main; main()"
    return subprocess.Popen(
        [sys.executable, "-c", code, *words],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        start_new_session=True,
    )


def test_another_process_searches_while_the_service_takes_files_in(
    tmp_path: Path, exports: Path
) -> None:
    lab = tmp_path / "lab"
    with watching_lab(lab, exports) as archive:
        process = serving(lab)
        try:
            for i in range(60):
                export(f"S{i:02}", 91.0 + i / 100, exports)
                assert archive.find(text="S").height == count_of(archive)
            eventually(lambda: count_of(archive) == 60)
        finally:
            process.send_signal(signal.SIGTERM)
            _, said = process.communicate(timeout=30)
        assert process.returncode == 0, said.decode()
        assert said == b""
        assert archive.find(limit=None)["outcome"].to_list() == ["pass"] * 60
        assert archive.verify() == []


@pytest.mark.skipif(os.name == "nt", reason="SIGKILL is a signal of POSIX systems")
@pytest.mark.timeout(300)
def test_intake_killed_again_and_again_loses_and_doubles_nothing(
    tmp_path: Path, exports: Path
) -> None:
    chance = random.Random(7)
    lab = tmp_path / "lab"
    watching_lab(lab, exports).close()
    dropped = 0
    for _ in range(12):
        process = serving(lab)
        before, patience = commits(lab), time.monotonic() + 25
        ends = None
        while ends is None or time.monotonic() < ends:
            export(f"S{dropped:04}", 91.0 + dropped / 1000, exports)
            dropped += 1
            time.sleep(0.02)
            if ends is None and commits(lab) > before:
                ends = time.monotonic() + chance.uniform(0.0, 0.4)
            assert ends or time.monotonic() < patience, "the service takes nothing in"
        os.killpg(process.pid, signal.SIGKILL)
        process.communicate()
    with Archive.open(lab) as archive:
        assert 0 < archive.count() < dropped, "the kills came amid the work"
        service = Service(archive)
        service.start(with_pages=False)
        eventually(lambda: count_of(archive) == dropped, 60)
        service.close()
        archive.refresh()
        found = archive.find(limit=None)
        names = [f"S{i:04}" for i in range(dropped)]
        assert sorted(found["sample"]) == names
        assert found["measurement_id"].n_unique() == dropped
        assert found["outcome"].to_list() == ["pass"] * dropped
        files = archive.files(limit=None)
        assert sorted(files["path"]) == [f"{name}.txt" for name in names]
        assert set(files["outcome"]) == {"taken"}
        verdicts = archive.verdicts(found["measurement_id"].to_list())
        assert verdicts.height == dropped
        (spectra,) = archive.spectra(found["measurement_id"].to_list())
        assert spectra.values.shape == (dropped, 11)
        assert sorted(spectra.values.min(axis=1)) == [91.0 + i / 1000 for i in range(dropped)]
        for row in files.iter_rows(named=True):
            assert archive.original(row["sha256"]) == (exports / row["path"]).read_bytes()
        assert [each for each in archive.verify() if not each.left_over] == []
        archive.rebuild()
        assert archive.find(limit=None).equals(found)
