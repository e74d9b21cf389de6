"""Long files: the same record as a short one of the same scans, all of it or nothing."""

import os
import time
from collections.abc import Iterator, Sequence
from contextlib import closing
from pathlib import Path
from threading import Event, Thread

import psutil
import pytest

from speclake.api import Archive
from speclake.api.taking import refused_tasks
from speclake.archive.rows import FileOutcome
from speclake.intake.ingest import Ingest, Tally
from speclake.intake.longfiles import Questions, as_catalog
from speclake.intake.readpool import ReadPool
from speclake.intake.tasks import FileReading, FileTask
from speclake.service import Service
from speclake.settings import Limits
from tests.intake.test_readpool import tasks_of
from tests.labs import SPEC
from tests.test_service import eventually

IMPORTER = '''
"""Reads rows of numbers, a spectrum a row, from a stream."""
import time
from speclake.errors import MalformedFile
from speclake.importing import Confidence, Guess
from speclake.spectrum import Spectrum

class Rows:
    name = "rows"
    version = "1"

    def sniff(self, head):
        sure = Confidence.CERTAIN if head.content.startswith(b"rows") else Confidence.NO
        return Guess(sure, "the first line is 'rows'")

    def read(self, source):
        for number, line in enumerate(source.open()):
            words = line.decode("ascii").split()
            if words[0] == "hang":
                time.sleep(1000)
            if words[0] == "slow":
                time.sleep(0.4)
            if words[0] == "wrong":
                raise MalformedFile(source.name, f"line {number + 1}", "'wrong'", "numbers")
            if words[0] == "odd":
                yield Spectrum.as_listed([1.0, 2.0], [1.0, 2.0], axis_unit="nm", unit="%T",
                                         fields={"sample": Odd("S")}, header={"a": Odd("b")})
            if number and words[0].isdigit():
                x = [500.0 + i for i in range(11)]
                y = [float(words[1]) + i % 3 for i in range(11)]
                yield Spectrum.as_listed(
                    x, y, axis_unit="nm", unit="%T", place=f"row {number}",
                    fields={"sample": f"S{words[0]}", "lot": "L1", "product": "plate",
                            "kind": "part"},
                    header={"row": words[0]},
                )

class Odd(str):
    def __reduce__(self):
        return (no_such_thing, ())

def no_such_thing():
    raise RuntimeError("cannot be read back")
'''
LONG = {"long_file_bytes": 100, "scans_bytes": 20_000}
"""Limits by which a file of a few rows is a long one, and its scans are several parts."""


def lab(root: Path, **limits: float) -> Archive:
    Archive.create(root, "lab").close()
    (root / "plugins/rows.py").write_text(IMPORTER, "utf-8")
    (root / "specs/plate.toml").write_text(SPEC, "utf-8")
    archive = Archive.open(root)
    changed = Limits(**(archive.settings.limits.model_dump() | limits))
    archive.settings = archive.settings.model_copy(update={"limits": changed})
    return archive


def rows(file: Path, *lines: str, scans: int = 60) -> Path:
    """File of so many scans, and further lines after them."""
    given = "".join(f"{i} {88 + i % 5}.{i:03}\n" for i in range(scans))
    file.write_text("rows\n" + given + "".join(f"{line}\n" for line in lines), "ascii")
    return file


def take(
    archive: Archive, tasks: Sequence[FileTask], stop: Event | None = None, **sizes: int
) -> tuple[Tally, list[FileReading]]:
    """Take files in with a pool that counts them as long ones, or not."""
    tally, seen = Tally(), []
    with closing(ReadPool(archive.root, archive.settings, **sizes)) as pool:
        step = Ingest(
            archive.store, archive.judge_step, readers=pool.readers, files_per_commit=500,
            seconds_per_commit=1.0,
        )  # fmt: skip

        def watched() -> Iterator[FileReading | None]:
            for reading in pool.read(tasks, stop):
                if reading is not None:
                    seen.append(reading)
                yield reading

        step.take(watched(), tally)
        assert left_in_scratch(archive) == []
    return tally, seen


def left_in_scratch(archive: Archive) -> list[Path]:
    return [p for p in (archive.root / "scratch").rglob("*") if p.is_file()]


@pytest.mark.parametrize(
    "sizes",
    [LONG, {"long_file_bytes": 100}, {"scans_bytes": 20_000}],
    ids=["both", "copy", "scans"],
)
def test_long_file_becomes_the_record_that_a_short_one_of_the_same_bytes_becomes(
    tmp_path: Path, sizes: dict[str, int]
) -> None:
    file = rows(tmp_path / "run.txt")
    tasks = tasks_of([file])
    records = []
    for name, given in (("short", {}), ("long", sizes)):
        with lab(tmp_path / name) as archive:
            tally, (reading,) = take(archive, tasks, **given)
            assert (tally.counts["taken"], tally.measurements) == (1, 60)
            assert (reading.copy is not None) == ("long_file_bytes" in given)
            assert (reading.spooled is not None) == ("scans_bytes" in given)
            head = archive.store.head()
            assert head is not None and head.number == 1
            assert archive.original(reading.sha256) == file.read_bytes()
            assert archive.verify() == []
            ids = archive.find(limit=None)["measurement_id"].to_list()
            found = archive.measurements(sorted(ids))
            files = archive.files().drop("arrived_at").to_dicts()
            (spectra,) = archive.spectra([m.measurement_id for m in found])
            records.append((head.digests, found, files, spectra.values.tolist(), tally.verdicts))
    short, long = records
    for table in ("measurements", "spectra", "axes", "verdicts", "files", "originals"):
        assert short[0][table] == long[0][table], table
    assert short[1:] == long[1:]
    assert sum(short[4].values()) == 60


def test_state_of_a_long_file_that_grew_adds_what_is_new_alone(tmp_path: Path) -> None:
    with lab(tmp_path / "lab") as archive:
        take(archive, tasks_of([rows(tmp_path / "run.txt")]), **LONG)
        file = rows(tmp_path / "run.txt", "60 91.5", "61 92.5")
        tally, _ = take(archive, tasks_of([file]), **LONG)
        assert tally.measurements == 2 and archive.count() == 62
        again, _ = take(archive, tasks_of([file]), **LONG)
        assert (again.files, again.measurements) == (0, 0)
        assert archive.verify() == []


def test_refusal_in_the_last_line_leaves_the_ledger_and_the_original_alone(tmp_path: Path) -> None:
    file = rows(tmp_path / "run.txt", "wrong")
    with lab(tmp_path / "lab") as archive:
        tally, (reading,) = take(archive, tasks_of([file]), **LONG)
        (row,) = tally.refused
        assert row.note == "run.txt, line 62: found 'wrong'; expected numbers"
        assert archive.count() == 0 and reading.spooled is None
        assert archive.original(row.sha256) == file.read_bytes()
        head = archive.store.head()
        assert head is not None and {e.table for e in head.adds} == {"files", "originals"}


def test_what_cannot_be_read_back_from_the_spool_refuses_the_file(tmp_path: Path) -> None:
    file = rows(tmp_path / "run.txt", "odd", scans=30)
    with lab(tmp_path / "lab") as archive:
        tally, _ = take(archive, tasks_of([file]), long_file_bytes=100, scans_bytes=100)
        (row,) = tally.refused
        assert "gave something that cannot be read back" in row.note
        assert archive.count() == 0 and archive.verify() == []
        assert archive.original(row.sha256) == file.read_bytes()


def test_importer_that_hangs_within_a_long_file_is_ended_and_leaves_nothing(tmp_path: Path) -> None:
    files = [rows(tmp_path / "run.txt", "hang"), rows(tmp_path / "good.txt", scans=3)]
    with lab(tmp_path / "lab", importer_time_s=2.0) as archive:
        tally, _ = take(archive, tasks_of(files), **LONG)
        (row,) = tally.refused
        assert row.note.startswith("run.txt: found run.txt: importer 'rows' hung longer than 2 s")
        assert tally.counts["taken"] == 1 and archive.count() == 3
        assert archive.original(row.sha256) == files[0].read_bytes()


def test_file_may_take_longer_than_the_limit_as_long_as_spectra_come(tmp_path: Path) -> None:
    lines = [line for i in range(60, 68) for line in ("slow", f"{i} 91.0")]
    file = rows(tmp_path / "run.txt", *lines)
    told = set()
    with lab(tmp_path / "lab", importer_time_s=1.5) as archive:
        with closing(ReadPool(archive.root, archive.settings, **LONG)) as pool:
            for reading in pool.read(tasks_of([file])):  # noqa: B007 - the last one is looked at
                told |= set(pool.under_way.items())
        assert reading is not None and reading.outcome is FileOutcome.TAKEN
        assert reading.spooled is not None and len(reading.spooled.ids) == 68
    words = sorted(how for key, how in told if key == ("bench", "run.txt"))
    assert any(how.endswith("spectra so far, 100 % of the file") for how in words), words
    assert "68 spectra read; they are judged and written" in words


def test_importer_that_gives_spectra_for_ever_is_ended_by_the_most_of_one_file(
    tmp_path: Path,
) -> None:
    file = rows(tmp_path / "run.txt", scans=40)
    with lab(tmp_path / "lab", spectra_per_file=39) as archive:
        tally, _ = take(archive, tasks_of([file]), **LONG)
        (row,) = tally.refused
        assert "gave more than 39 spectra, which is the limit for one file" in row.note
        assert archive.count() == 0
    with lab(tmp_path / "other", spectra_per_file=40) as archive:
        assert take(archive, tasks_of([file]), **LONG)[0].measurements == 40


def test_file_cut_short_while_it_is_read_is_to_be_looked_at_again(tmp_path: Path) -> None:
    file = rows(tmp_path / "run.txt")
    tasks = tasks_of([file])
    os.truncate(file, 300)
    with lab(tmp_path / "lab") as archive:
        tally, (reading,) = take(archive, tasks, **LONG)
        assert reading.changed and tally.left_out == {"run.txt": "it changed while it was read"}
        assert archive.store.head() is None
        rows(tmp_path / "run.txt")
        assert take(archive, tasks_of([file]), **LONG)[0].measurements == 60


def test_file_cut_short_after_it_was_copied_is_read_as_it_was(tmp_path: Path) -> None:
    file = rows(tmp_path / "run.txt", "slow", "slow", "slow", "60 91.0")
    content = file.read_bytes()
    with lab(tmp_path / "lab") as archive:

        def cut_short() -> None:
            while not left_in_scratch(archive):
                time.sleep(0.01)
            time.sleep(0.3)
            os.truncate(file, 10)

        cutter = Thread(target=cut_short)
        cutter.start()
        tally, (reading,) = take(archive, tasks_of([file]), **LONG)
        cutter.join()
        assert tally.measurements == 61 and file.stat().st_size == 10
        assert archive.original(reading.sha256) == content


def test_worker_that_is_killed_within_a_long_file_costs_nothing(tmp_path: Path) -> None:
    lines = [line for i in range(60, 64) for line in ("slow", f"{i} 91.0")]
    tasks = tasks_of([rows(tmp_path / "run.txt", *lines)])
    with lab(tmp_path / "lab") as archive:
        before = set()
        with closing(ReadPool(archive.root, archive.settings, **LONG)) as pool:
            for reading in pool.read(tasks):
                if reading is None and pool.under_way and not before:
                    before = {each.pid for each in psutil.Process().children()}
                    for pid in before:
                        psutil.Process(pid).kill()
            assert before and reading is not None and reading.outcome is FileOutcome.TAKEN
            assert reading.spooled is not None and len(reading.spooled.ids) == 64
            after = {each.pid for each in psutil.Process().children()}
            assert after - before, "the one that read it was replaced"
        assert left_in_scratch(archive) == []


def test_stop_in_the_middle_of_a_long_file_leaves_nothing(tmp_path: Path) -> None:
    lines = [line for i in range(60, 160) for line in ("slow", f"{i} 91.0")]
    file = rows(tmp_path / "run.txt", *lines)
    stop = Event()
    with lab(tmp_path / "lab") as archive:
        with closing(ReadPool(archive.root, archive.settings, **LONG)) as pool:
            for reading in pool.read(tasks_of([file]), stop):
                assert reading is None
                if pool.under_way:
                    assert left_in_scratch(archive) != []
                    stop.set()
        assert stop.is_set() and left_in_scratch(archive) == []
        assert archive.store.head() is None


def test_refused_long_file_is_tried_again_from_the_archive(tmp_path: Path) -> None:
    file = rows(tmp_path / "run.txt", "wrong")
    with lab(tmp_path / "lab") as archive:
        take(archive, tasks_of([file]), **LONG)
        file.unlink()
        better = IMPORTER.replace('words[0] == "wrong"', "False").replace('"1"', '"2"')
        (archive.root / "plugins/rows.py").write_text(better, "utf-8")
        tasks = list(refused_tasks(archive, "", True, long_file_bytes=100))
        assert [task.content for task in tasks] == [None]
        tally, (reading,) = take(archive, tasks, **LONG)
        assert reading.copy is not None and tally.measurements == 60
        assert archive.verify() == []


def test_settled_long_file_does_not_hold_up_short_ones(tmp_path: Path) -> None:
    long = rows(tmp_path / "long.txt", *["slow"] * 5, scans=60)
    short = [rows(tmp_path / f"short{i}.txt", scans=1) for i in range(6)]
    with lab(tmp_path / "lab") as archive:
        _, seen = take(archive, tasks_of([long, *short]), long_file_bytes=200)
    assert seen[-1].task.path == "long.txt"


def test_progress_tells_how_far_a_file_has_come_and_forgets_it_when_it_is_done(
    tmp_path: Path,
) -> None:
    lines = [line for i in range(60, 64) for line in ("slow", f"{i} 91.0")]
    file = rows(tmp_path / "run.txt", *lines)
    told: list[str] = []
    with lab(tmp_path / "lab") as archive:
        tally = archive.ingest([file], progress=lambda t: told.extend(t.under_way.values()))
    assert told and all(how.endswith("spectra so far") for how in told)
    assert tally.under_way == {} and tally.measurements == 64


def test_watched_folder_tells_how_far_a_file_has_come(tmp_path: Path) -> None:
    exports = tmp_path / "exports"
    exports.mkdir()
    lab(tmp_path / "lab").close()
    with (tmp_path / "lab/speclake.toml").open("a", encoding="utf-8") as settings:
        settings.write(
            f'\n[[folder]]\nname = "bench"\npath = "{exports.as_posix()}"\nsettle_s = 0.1\n'
        )
    lines = [line for i in range(60, 66) for line in ("slow", f"{i} 91.0")]
    rows(exports / "run.txt", *lines)
    with Archive.open(tmp_path / "lab") as archive:
        service = Service(archive)
        service.start(with_pages=False)
        try:
            eventually(lambda: "run.txt" in archive.watch_states()[0].under_way)
            eventually(lambda: archive.count() == 66)
            eventually(lambda: archive.watch_states()[0].under_way == {})
        finally:
            service.close()


def test_questions_tell_whether_another_writer_changed_an_answer() -> None:
    class Held:
        ids: tuple[str, ...] = ("a",)

        def known_ids(self, asked: list[str]) -> set[str]:
            return set(asked) & set(self.ids)

    held = Held()
    questions = Questions(held)  # type: ignore[arg-type] # a catalogue of one question
    assert as_catalog(questions).known_ids(["a", "b"]) == {"a"}
    held.ids = ("a", "c")
    assert questions.have_the_same_answers()
    held.ids = ("a", "b")
    assert not questions.have_the_same_answers()


def test_long_file_is_ruled_upon_anew_when_another_writer_took_the_same_scans_meanwhile(
    tmp_path: Path,
) -> None:
    file, twin = rows(tmp_path / "run.txt"), rows(tmp_path / "twin.txt", scans=10)
    with lab(tmp_path / "lab") as archive, Archive.open(tmp_path / "lab") as other:
        judge = archive.judge_step.judge
        took: list[int] = []

        def interrupted(*arguments: object) -> object:
            if not took:
                took.append(other.ingest([twin]).measurements)
            return judge(*arguments)  # type: ignore[arg-type] # handed through

        archive.judge_step.judge = interrupted  # type: ignore[method-assign, assignment]
        tally, _ = take(archive, tasks_of([file]), **LONG)
        assert took == [10] and tally.measurements == 50
        assert archive.count() == 60 and archive.verify() == []
