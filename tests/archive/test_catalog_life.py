"""Snapshots come and go, are damaged, are made by others; what is shown stays right."""

import os
import subprocess
import sys
import threading
import time
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from speclake.archive.catalog import Catalog, Query, session, snapshots, upkeep
from speclake.archive.chain import HEAD
from speclake.archive.locations import WITNESS
from speclake.archive.places import Place
from speclake.archive.rows import Batch, EventKind
from speclake.errors import ArchiveDamaged
from tests.archive.cataloguing import SMALL, World, read_at_once, shown
from tests.build import batch, event, identifier, verdict


@pytest.fixture
def world(tmp_path: Path) -> World:
    return World(tmp_path)


def published(world: World) -> list[int]:
    return snapshots.numbers(world.root)


def samples(catalog: Catalog) -> set[str]:
    return set(catalog.search(Query(limit=None))["sample"])


def test_an_empty_archive_is_an_empty_catalogue(world: World) -> None:
    assert world.catalog.number == 0
    assert world.catalog.search(Query()).is_empty()
    assert world.catalog.totals()["measurements"] == 0
    assert world.catalog.publish() is None
    assert world.catalog.rebuild() is None
    assert published(world) == []


def test_only_the_two_newest_snapshots_are_kept(world: World) -> None:
    for name in ("A1", "A2", "A3"):
        world.add(batch(name))
        assert world.catalog.publish() == world.catalog.number
    assert world.catalog.publish() is None
    assert published(world) == [3, 2]
    names = {path.name for path in (world.root / snapshots.FOLDER).iterdir()}
    names = {name for name in names if not name.endswith(WITNESS)}
    assert names == {"0000000002.duckdb", "0000000003.duckdb"}


def test_a_snapshot_is_due_when_the_tail_is_long(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    world.add(batch("A1"))
    assert world.catalog.publish_if_due() is None
    monkeypatch.setattr(upkeep, "MOST_TAIL_ROWS", 5)
    world.add(batch("A2"))
    assert world.catalog.publish_if_due() is None
    world.add(batch("A3"))
    assert world.catalog.publish_if_due() == 3
    monkeypatch.setattr(upkeep, "MOST_TAIL_COMMITS", 1)
    world.add(batch("A4"))
    assert world.catalog.publish_if_due() is None
    world.add(batch("A5"))
    assert world.catalog.publish_if_due() == 5


def test_a_half_built_snapshot_of_a_killed_process_is_removed(world: World) -> None:
    world.add(batch("A1"))
    world.catalog.publish()
    left = world.root / snapshots.FOLDER / ".building-0123.tmp"
    fresh = world.root / snapshots.FOLDER / ".building-4567.tmp"
    spilled = left.with_name(left.name + session.SPILL)
    spilled.mkdir()
    for path in (left, fresh, spilled / "duckdb_temp_storage-0.tmp"):
        path.write_bytes(b"half")
    for path in (left, spilled):
        os.utime(path, (time.time() - 4000, time.time() - 4000))
    world.add(batch("A2"))
    world.catalog.publish()
    assert not left.exists()
    assert not spilled.exists()
    assert fresh.exists()


def damage(path: Path, how: str) -> None:
    content = bytearray(path.read_bytes())
    if how == "truncated":
        content = content[: len(content) // 2]
    elif how == "empty":
        content = bytearray()
    elif how == "zeroed":
        content = bytearray(len(content))
    elif how == "head flipped":
        content[4096 + 8] ^= 0xFF
    path.unlink()
    path.write_bytes(content)


@pytest.mark.parametrize("how", ["truncated", "empty", "zeroed", "head flipped"])
@pytest.mark.parametrize("older", [True, False])
def test_a_damaged_snapshot_is_passed_over_and_said(world: World, how: str, older: bool) -> None:
    world.add(batch("A1"))
    if older:
        world.catalog.publish()
    world.add(Batch(events=(event("A1", lot="L1"),)))
    world.catalog.publish()
    damage(snapshots.path_of(world.root, 2), how)
    again = world.opened()
    assert again.search(Query())["lot"].to_list() == ["L1"]
    assert again.snapshot_number == (1 if older else 0)
    assert len(again.notes) == 1
    assert "the snapshot 0000000002.duckdb is not used" in again.notes[0]
    assert again.rebuild() == 2
    assert again.snapshot_number == 2
    assert world.opened().notes == ()


def test_every_flipped_byte_of_a_snapshot_changes_no_answer(world: World) -> None:
    """Any one of some hundred bytes is wrong, and the answer is right or an error is raised."""
    names = [f"A{i}" for i in range(40)]
    world.add(batch(*names))
    world.catalog.publish()
    path = snapshots.path_of(world.root, 1)
    sound = path.read_bytes()
    expected = shown(world.catalog)
    world.store.close()
    noticed = 0
    for place in range(11, len(sound), len(sound) // 12):
        content = bytearray(sound)
        content[place] ^= 0x55
        path.unlink()
        path.write_bytes(content)
        again = world.opened()
        assert shown(again) == expected
        noticed += bool(again.notes)
        again.close()
    assert noticed > 1


def test_a_snapshot_of_another_version_or_archive_is_passed_over(
    world: World, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    world.add(batch("A1"))
    world.catalog.publish()
    other = World(tmp_path / "other")
    other.add(batch("B1"))
    target = snapshots.path_of(other.root, 1)
    target.parent.mkdir()
    target.write_bytes(snapshots.path_of(world.root, 1).read_bytes())
    foreign = other.opened()
    assert samples(foreign) == {"B1"}
    assert "not in the chain" in foreign.notes[0]
    monkeypatch.setattr(session, "fingerprint", lambda: "another")
    later = world.opened()
    assert samples(later) == {"A1"}
    assert "expected 'another'" in later.notes[0]


def test_a_chain_that_lost_its_last_record_is_read_again(world: World) -> None:
    world.add(batch("A1"))
    world.add(batch("A2"))
    world.catalog.publish()
    seen = world.opened()
    world.store.chain.path(2).unlink()
    (world.store.chain.folder / HEAD).unlink()  # as a power cut leaves it: never said to be made
    world.catalog.refresh()
    world.add(batch("A3"))
    seen.refresh()
    assert samples(seen) == samples(world.catalog) == {"A1", "A3"}
    assert any("no longer the one" in note for note in seen.notes)


def test_a_damaged_batch_is_named_and_what_is_before_it_is_shown(world: World) -> None:
    world.add(batch("A1"))
    first = world.opened()
    commit = world.add(batch("A2"))
    entry = commit.entry("measurements")
    assert entry is not None
    path = world.root / entry.path
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 0xFF
    path.write_bytes(content)
    with pytest.raises(ArchiveDamaged, match=entry.path):
        first.refresh()
    assert samples(first) == {"A1"}
    path.unlink()
    with pytest.raises(ArchiveDamaged, match="run verify"):
        first.refresh()
    late = world.opened()
    assert late.number == 0
    assert "nothing after commit 0 is shown" in late.notes[0]


def test_a_damaged_record_is_named_and_what_is_before_it_is_shown(world: World) -> None:
    world.add(batch("A1"))
    world.add(batch("A2"))
    world.catalog.publish()
    record = world.store.chain.path(2)
    record.write_bytes(record.read_bytes().replace(b"test", b"tast"))
    with pytest.raises(ArchiveDamaged, match=record.name):
        world.add(batch("A3"))
    record.write_bytes(record.read_bytes()[:50])
    with pytest.raises(ArchiveDamaged, match=record.name):
        world.catalog.refresh()
    assert samples(world.catalog) == {"A1", "A2"}
    late = world.opened()
    assert late.number < 2
    assert any(record.name in note for note in late.notes)


def test_a_long_chain_without_a_snapshot_gets_one_at_opening(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("A1", "A2", "A3"):
        world.add(batch(name))
    monkeypatch.setattr(upkeep, "MOST_TAIL_COMMITS", 2)
    assert world.opened().snapshot_number == 3


def test_a_folder_that_cannot_be_written_is_no_hindrance(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("A1", "A2"):
        world.add(batch(name))
    (world.root / snapshots.FOLDER).write_text("a file stands in the way")
    monkeypatch.setattr(upkeep, "MOST_TAIL_COMMITS", 1)
    late = world.opened()
    assert samples(late) == {"A1", "A2"}
    assert "no snapshot was made" in late.notes[0]


def test_sealed_and_cleaned_batches_are_read_from_where_they_lie_now(world: World) -> None:
    for i, name in enumerate(["A1", "A2", "A3", "A4"]):
        world.add(batch(name, f"{name} again", with_axes=i == 0))
        world.clock.move(hours=20)
    late = world.opened()
    before = shown(late)
    unread = Catalog(world.root, resources=SMALL)
    world.add(Batch(events=(event("A1", lot="L1"),)))
    world.clock.move(days=30)
    sealed = world.store.seal(world.clock.time.date(), who="test", why="test")
    assert sealed
    world.store.clean(timedelta(0))
    unread.refresh()
    assert samples(unread) == samples(world.opened())
    assert read_at_once(world.root, 3, 2) == shown(unread)
    assert shown(unread)["files"] == before["files"]
    place = unread.places("spectra", [identifier("A2 again")])[identifier("A2 again")]
    assert place == Place(commit=2, row=1, batch=sealed[-1].number)
    found = unread.measurements([identifier("A4"), identifier("A1 again"), identifier("A1")])
    assert [m.sample for m in found] == ["A4", "A1 again", "A1"]
    assert found[2].lot == "L1"
    sets = world.store.spectra([identifier("A1"), identifier("A3 again")])
    assert sets[0].values.shape == (2, 5)


def test_a_retry_that_wrote_the_same_twice_counts_once(world: World) -> None:
    made = replace(batch("A1"), events=(event("A1", lot="L1"),))
    for _ in range(2):
        world.add(made)
    totals = world.catalog.totals()
    assert (totals["measurements"], totals["files"], totals["events"]) == (1, 1, 1)
    assert world.catalog.findings([identifier("A1")]).height == 1
    assert world.catalog.verdicts([identifier("A1")]).height == 1
    assert world.catalog.places("spectra", [identifier("A1")])[identifier("A1")].commit == 1


def test_threads_search_while_others_refresh_and_publish(world: World) -> None:
    world.add(batch("A0", "A0 too", judged=False))
    errors: list[BaseException] = []
    stop = threading.Event()

    def search() -> None:
        try:
            while not stop.is_set():
                found = world.catalog.search(Query(limit=None))
                assert found["sample"].n_unique() == found.height
                assert found.height % 2 == 0
                world.catalog.verdicts([identifier("A0")])
                time.sleep(0.01)
        except BaseException as error:  # noqa: BLE001  # told to the main thread
            errors.append(error)

    threads = [threading.Thread(target=search) for _ in range(3)]
    for thread in threads:
        thread.start()
    for i in range(1, 8):
        world.add(replace(batch(f"A{i}", f"A{i} too"), verdicts=(verdict("A0"), verdict(f"A{i}"))))
        if i % 3 == 0:
            world.catalog.publish()
    stop.set()
    for thread in threads:
        thread.join()
    assert errors == []
    assert world.catalog.count(Query()) == 16


_READER = """
import sys, time
from pathlib import Path
from speclake.archive.catalog import Catalog, Query
catalog = Catalog(Path(sys.argv[1]))
last, until = 0, time.monotonic() + 60
while last < int(sys.argv[2]) and time.monotonic() < until:
    catalog.refresh()
    found = catalog.search(Query(limit=None, withdrawn="show"))
    assert found["measurement_id"].n_unique() == found.height, "a row twice"
    assert found.height == catalog.count(Query(withdrawn="show")), "half a commit"
    assert found.height % 2 == 0, "half a commit"
    assert found.height >= last, "a row gone"
    last = found.height
    time.sleep(0.02)
assert not catalog.notes, catalog.notes
print(last)
"""


def test_other_processes_search_while_one_commits_and_publishes(world: World) -> None:
    """Nobody ever meets a lock, a half commit or a row twice."""
    commits = 12
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])}
    readers = [
        subprocess.Popen(
            [sys.executable, "-W", "error", "-c", _READER, str(world.root), str(2 * commits)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env=environment,
        )
        for _ in range(2)
    ]
    for i in range(commits):
        made = batch(f"A{i}", f"A{i} too")
        world.add(replace(made, events=(event(f"A{i - 1}", EventKind.WITHDRAW),)))
        if i % 2:
            world.catalog.publish()
        time.sleep(0.1)
    for reader in readers:
        said, errors = reader.communicate(timeout=90)
        assert errors == ""
        assert said.strip() == str(2 * commits)
    world.store.close()
