"""Cleaning: left-overs go, and nothing that counts or is being written."""

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from speclake.archive.batches import NewBatch, encoded, write
from speclake.archive.chain import Chain
from speclake.archive.locations import LocalDisk
from speclake.archive.store import Store, create
from speclake.errors import ArchiveDamaged
from tests import build
from tests.archive.disks import Crash, Medium, TestDisk
from tests.archive.plaincatalogue import PlainCatalogue, Rows
from tests.archive.shown import shown

NOT_A_MOMENT = timedelta(0)


@pytest.fixture
def store(tmp_path: Path) -> Store[PlainCatalogue]:
    return opened(tmp_path / "archive")


def opened(root: Path, disk: LocalDisk | None = None) -> Store[PlainCatalogue]:
    """Store whose clock is later than the time of any file."""
    create(root)
    clock = build.Clock(datetime(2100, 3, 10, 12, tzinfo=UTC))
    return Store(root, PlainCatalogue, disk=disk, clock=clock)


def move(store: Store[Any], **by: float) -> None:
    store._clock.move(**by)  # type: ignore[attr-defined]  # the test's own clock


def left_over(store: Store[Any], name: str) -> Path:
    folder = store.root / "batches" / "2026-03" / name
    folder.mkdir(parents=True)
    (folder / "spectra.parquet").write_bytes(b"half")
    return folder


def test_what_a_crash_left_is_removed_and_said(store: Store[PlainCatalogue]) -> None:
    build.add(store, build.batch("A1"))
    folder = left_over(store, "10-120000-ffffffff")
    (store.root / "chain" / ".0000000002.json.ffffffff.tmp").write_bytes(b"{")
    assert sorted(d.path for d in store.verify() if d.left_over) == [
        "batches/2026-03/10-120000-ffffffff", "chain/.0000000002.json.ffffffff.tmp"
    ]  # fmt: skip
    removed = {r.path: r.why for r in store.clean()}
    assert removed == {
        "batches/2026-03/10-120000-ffffffff": "no record names it",
        "chain/.0000000002.json.ffffffff.tmp": "a file that was not put in place",
    }
    assert not folder.exists()
    assert store.verify() == []
    assert store.clean() == []


def test_what_is_younger_than_the_grace_period_is_left_alone(tmp_path: Path) -> None:
    create(tmp_path)
    store = Store(tmp_path, PlainCatalogue, clock=lambda: datetime.now(UTC))
    folder = left_over(store, "10-120000-ffffffff")
    assert store.clean() == []
    assert folder.exists()
    assert len(store.clean(NOT_A_MOMENT)) == 1


def test_replaced_batches_go_after_the_grace_period(store: Store[PlainCatalogue]) -> None:
    for name in ("A1", "B2"):
        build.add(store, build.batch(name))
    move(store, days=1)
    store.seal(store._clock().date(), who="night", why="test")
    assert store.clean() == []
    move(store, minutes=61)
    assert {r.why for r in store.clean()} == {"replaced by commit 3"}
    assert store.verify() == []


def test_two_cleaners_at_once_do_not_mind(store: Store[PlainCatalogue]) -> None:
    for number in range(3):
        left_over(store, f"10-120000-0000000{number}")
    disk = TestDisk()
    other = opened(store.root, disk)
    for call in range(12):
        disk.at_call(call, lambda: store.clean())
        other.clean()
        disk.nothing_more()
        for number in range(3):
            assert not (store.root / "batches" / "2026-03" / f"10-120000-0000000{number}").exists()
            left_over(store, f"10-120000-0000000{number}")


def test_a_lost_chain_end_stops_cleaning(store: Store[PlainCatalogue]) -> None:
    """An old copy of the chain must not make the batches of the lost records look left over."""
    build.add(store, build.batch("A1"))
    build.add(store, build.batch("B2"))
    store.chain.path(2).unlink()
    with pytest.raises(ArchiveDamaged, match="found that commit 2 was made, but the chain ends"):
        store.clean(NOT_A_MOMENT)
    assert len(list((store.root / "batches").glob("*/*"))) == 2


def test_a_damaged_chain_stops_cleaning(store: Store[PlainCatalogue]) -> None:
    build.add(store, build.batch("A1"))
    build.add(store, build.batch("B2"))
    store.chain.path(1).write_bytes(b"")
    folder = left_over(store, "10-120000-ffffffff")
    with pytest.raises(ArchiveDamaged, match=r"0000000001.json: found an empty file"):
        store.clean(NOT_A_MOMENT)
    assert folder.exists()


def test_a_missing_witness_is_written_again(store: Store[PlainCatalogue]) -> None:
    build.add(store, build.batch("A1"))
    (store.root / "chain" / "head.json").unlink()
    assert [d.path for d in store.verify()] == ["chain/head.json"]
    store.clean()
    assert store.verify() == []


def test_a_record_that_comes_while_a_cleaner_waits_saves_its_batch(
    store: Store[PlainCatalogue],
) -> None:
    """The cleaner read the chain, then the writer finished and let go, then the cleaner held."""
    batch = encoded(build.batch("A1"))
    new = NewBatch(store.root, build.NOON, LocalDisk())
    entries = write(batch, new, LocalDisk())

    class Waiting(LocalDisk):
        def hold(self, folder: Path) -> int | None:
            store.chain.append(
                None, at=build.NOON, who="w", why="y", kind="take",
                adds=entries, digests=batch.digests,
            )  # fmt: skip
            new.release()
            return super().hold(folder)

    assert opened(store.root, Waiting()).clean(NOT_A_MOMENT) == []
    assert store.verify() == []


def test_what_replaced_a_batch_is_durable_before_the_batch_goes(tmp_path: Path) -> None:
    """A sealer ends between giving its record a name and having that on the medium."""
    medium = Medium(tmp_path / "graveyard")
    disk = TestDisk(medium)
    store = opened(tmp_path / "archive", disk)
    for name in ("A1", "B2"):
        build.add(store, build.batch(name))
    move(store, days=1)
    before = Rows(store.root, shown).read(store.chain)

    class Ending(TestDisk):
        def link(self, source: Path, target: Path) -> None:
            super().link(source, target)
            self.die()

    ending = Ending(medium)
    with pytest.raises(Crash):
        opened(store.root, ending).seal(date(2100, 3, 11), who="n", why="y")
    assert store.chain.head().number == 3  # type: ignore[union-attr]  # seen, though not durable
    assert len(store.clean(NOT_A_MOMENT)) == 3  # the record's temporary name, and two batches
    medium.cut(store.root, lambda folder: folder.name == "chain", lambda _: 0)
    assert Rows(store.root, shown).read(Chain(store.root)) == before


@pytest.mark.parametrize("moment", range(20))
def test_a_writer_is_never_disturbed(tmp_path: Path, moment: int) -> None:
    """A cleaner without any grace comes between any two calls of a commit."""
    disk = TestDisk()
    store, cleaner = opened(tmp_path, disk), opened(tmp_path)
    act: Callable[[], Any] = lambda: cleaner.clean(NOT_A_MOMENT)  # noqa: E731  # passed on as it is
    disk.at_call(moment * 3, act)
    build.add(store, build.batch("A1"))
    disk.at_call(moment, act)
    build.add(store, build.batch("B2", with_axes=False))
    assert store.verify() == []
