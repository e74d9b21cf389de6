"""Sealing: the same rows in one batch, proved before the old ones are replaced."""

import shutil
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from speclake.archive import sealing
from speclake.archive.batches import SPECTRA_A_GROUP, read_table
from speclake.archive.chain import SEAL, Commit
from speclake.archive.digests import total
from speclake.archive.rows import Batch
from speclake.archive.schemas import COMMIT_NUMBER, TABLES, to_table
from speclake.archive.sealing import groups
from speclake.archive.store import Store, create
from speclake.errors import ArchiveDamaged
from tests import build
from tests.archive.disks import TestDisk
from tests.archive.full import full_batch
from tests.archive.plaincatalogue import PlainCatalogue, Rows
from tests.archive.shown import shown


@pytest.fixture
def store(tmp_path: Path) -> Store[PlainCatalogue]:
    create(tmp_path)
    return Store(tmp_path, PlainCatalogue, clock=build.Clock())


def move(store: Store[Any], **by: float) -> None:
    store._clock.move(**by)  # type: ignore[attr-defined]  # the test's own clock


def seal(store: Store[Any], before: date | None = None) -> list[Commit]:
    return store.seal(before or store._clock().date(), who="night", why="test")


def days_of(n: int, store: Store[PlainCatalogue], hours: float = 8) -> None:
    """Commit n batches, eight hours apart."""
    for i in range(n):
        build.add(store, full_batch(f"A{i}", f"B{i}"))
        move(store, hours=hours)


def rows(store: Store[Any]) -> dict[str, list[str]]:
    return Rows(store.root, shown).read(store.chain)


def test_past_months_and_past_days_of_this_month_go_together() -> None:
    days = {
        1: date(2026, 1, 30), 2: date(2026, 1, 31), 3: date(2026, 2, 1), 4: date(2026, 2, 28),
        5: date(2026, 3, 1), 6: date(2026, 3, 1), 7: date(2026, 3, 2), 8: date(2026, 3, 3),
        9: date(2026, 3, 3), 10: date(2026, 1, 30),
    }  # fmt: skip
    assert groups(days, date(2026, 3, 3)) == [(1, 2, 10), (3, 4), (5, 6)]
    assert groups(days, date(2026, 3, 1)) == [(1, 2, 10), (3, 4)]
    assert groups(days, date(2026, 2, 1)) == [(1, 2, 10)]
    assert groups({}, date(2026, 3, 3)) == []


def test_a_day_becomes_one_batch_of_the_same_rows(store: Store[PlainCatalogue]) -> None:
    days_of(5, store)  # 12:00 and 20:00 of one day, three of the next
    before = rows(store)
    first, second = seal(store, date(2026, 3, 12))
    assert (first.kind, first.replaces, second.replaces) == (SEAL, (1, 2), (3, 4, 5))
    assert rows(store) == before
    for table in TABLES:
        parts = [store.chain.read(n).digests[table] for n in first.replaces]
        assert first.digests[table] == total(parts)
    assert first.digests["originals"] == total(
        store.chain.read(n).digests["originals"] for n in first.replaces
    )
    assert [d for d in store.verify() if not d.left_over] == []


def test_every_row_keeps_the_number_of_its_commit_and_its_place(
    store: Store[PlainCatalogue],
) -> None:
    """So that the latest verdict is the same before and after, also where it was judged twice."""
    for reason in ("first", "second", "third"):
        names = ("A1",) if reason == "first" else ()
        twice = [build.verdict(reason=f"{reason} {n}") for n in ("a", "b")]
        build.add(store, replace(build.batch(*names, judged=False), verdicts=tuple(twice)))
    move(store, days=1)
    (commit,) = seal(store)
    verdicts = read_table(store.root, commit, "verdicts")
    assert verdicts.column(COMMIT_NUMBER).to_pylist() == [1, 1, 2, 2, 3, 3]
    assert verdicts.column("reason").to_pylist() == [
        "first a", "first b", "second a", "second b", "third a", "third b"
    ]  # fmt: skip


def test_days_that_are_sealed_are_sealed_again_as_a_month(store: Store[PlainCatalogue]) -> None:
    days_of(5, store)
    before = rows(store)
    sealed = [commit.number for commit in seal(store, date(2026, 3, 11))]
    build.add(store, full_batch("late"))
    with_late = rows(store)
    move(store, days=31)
    (month,) = seal(store)
    assert month.replaces == (3, 4, 5, *sealed, 7)
    assert rows(store) == with_late != before
    numbers = read_table(store.root, month, "measurements").column(COMMIT_NUMBER).to_pylist()
    assert numbers == [1, 1, 2, 2, 3, 3, 4, 4, 5, 5, 7]
    assert [d for d in store.verify() if not d.left_over] == []


def test_rows_of_interleaved_seals_stand_in_the_order_of_commits(
    store: Store[PlainCatalogue],
) -> None:
    """Clocks of several writers differ: commits of one day need not be neighbours."""
    for hours in (0, 24, 0, 24, 0):  # the clock of every second writer is a day ahead
        move(store, hours=hours)
        build.add(store, full_batch(f"{hours} {store.chain.head()}"))
        move(store, hours=-hours)
    before = rows(store)
    first, second = seal(store, date(2026, 3, 20))
    assert (first.replaces, second.replaces) == ((1, 3, 5), (2, 4))
    move(store, days=60)
    (month,) = seal(store)
    numbers = read_table(store.root, month, "spectra").column(COMMIT_NUMBER).to_pylist()
    assert numbers == [1, 2, 3, 4, 5]
    assert rows(store) == before
    assert [d for d in store.verify() if not d.left_over] == []


def test_one_batch_and_no_batch_are_left_as_they_are(store: Store[PlainCatalogue]) -> None:
    assert seal(store) == []
    build.add(store, build.batch("A1"))
    move(store, days=1)
    assert seal(store) == []
    move(store, days=40)
    assert seal(store) == []


def test_today_is_left_alone(store: Store[PlainCatalogue]) -> None:
    build.add(store, build.batch("A1"))
    build.add(store, build.batch("B2"))
    assert seal(store) == []


def test_a_sealed_table_has_row_groups_of_one_size(store: Store[PlainCatalogue]) -> None:
    for i in range(4):
        names = [f"{i}-{k}" for k in range(70)]
        build.add(store, build.batch(*names, judged=False, with_axes=i == 0))
    move(store, days=1)
    (commit,) = seal(store)
    entry = commit.entry("spectra")
    assert entry is not None
    metadata = pq.read_metadata(store.root / entry.path)
    sizes = [metadata.row_group(i).num_rows for i in range(metadata.num_row_groups)]
    assert sizes == [SPECTRA_A_GROUP, SPECTRA_A_GROUP, 280 - 2 * SPECTRA_A_GROUP]


def change_verdict(table: Any) -> Any:
    index = table.schema.get_field_index("value")
    return table.set_column(
        index, table.schema.field(index), pa.array([91.0] + [90.0] * (len(table) - 1))
    )


@pytest.mark.parametrize(
    "change",
    [change_verdict, lambda t: t.slice(1), lambda t: pa.concat_tables([t, t.slice(0, 1)])],
    ids=["altered", "lost", "doubled"],
)
def test_rows_that_are_not_those_committed_are_not_sealed(
    store: Store[PlainCatalogue], change: Callable[[Any], Any]
) -> None:
    """Whole Parquet, and as many rows as the record says, but other ones."""
    build.add(store, build.batch("A1", "B2"))
    second = build.add(store, build.batch("C3", "D4", with_axes=False))
    entry = second.entry("verdicts")
    assert entry is not None
    path = store.root / entry.path
    pq.write_table(change(pq.read_table(path)), path)
    move(store, days=1)
    with pytest.raises(ArchiveDamaged, match="verdicts"):
        seal(store)
    assert store.chain.head() == second
    assert len(list((store.root / "batches").glob("*/*"))) == 2


def test_an_original_that_was_altered_is_not_sealed(store: Store[PlainCatalogue]) -> None:
    build.add(store, build.batch("A1"))
    second = build.add(store, build.batch("B2", with_axes=False))
    entry = second.entry("originals")
    assert entry is not None
    content = bytearray((store.root / entry.path).read_bytes())
    content[120] ^= 1
    (store.root / entry.path).write_bytes(content)
    move(store, days=1)
    with pytest.raises(ArchiveDamaged, match="originals"):
        seal(store)
    assert store.chain.head() == second


def test_a_file_that_is_gone_is_damage_and_nothing_is_sealed(store: Store[PlainCatalogue]) -> None:
    days_of(2, store)
    commit = store.chain.read(2)
    (store.root / commit.adds[0].path).unlink()
    move(store, days=1)
    with pytest.raises(ArchiveDamaged, match=r"measurements.parquet: found no file"):
        seal(store)
    assert store.chain.head() == commit


# --- others at work ---------------------------------------------------------------------------


def with_disk(store: Store[PlainCatalogue]) -> tuple[Store[PlainCatalogue], TestDisk]:
    disk = TestDisk()
    return Store(store.root, PlainCatalogue, disk=disk, clock=store._clock), disk


def number_of_calls(store: Store[PlainCatalogue], tmp_path: Path) -> int:
    """Calls that sealing makes, found on a copy."""
    shutil.copytree(store.root, tmp_path / "copy")
    disk = TestDisk()
    copy = Store(tmp_path / "copy", PlainCatalogue, disk=disk, clock=store._clock)
    seal(copy)
    return disk.calls


def test_of_two_sealers_at_any_moment_one_seals(
    store: Store[PlainCatalogue], tmp_path_factory: pytest.TempPathFactory
) -> None:
    days_of(2, store, hours=1)
    move(store, days=1)
    before = rows(store)
    calls = number_of_calls(store, tmp_path_factory.mktemp("counted"))
    for call in range(0, calls, calls // 11):
        root = tmp_path_factory.mktemp("archive") / "copy"
        shutil.copytree(store.root, root)
        sealer, disk = with_disk(Store(root, PlainCatalogue, clock=store._clock))
        other = Store(root, PlainCatalogue, clock=store._clock)
        sealed_by_other: list[Commit] = []
        disk.at_call(call, lambda o=other, s=sealed_by_other: s.extend(seal(o)))
        mine = seal(sealer)
        assert len(mine) + len(sealed_by_other) == 1
        assert rows(other) == before
        assert [d for d in other.verify() if not d.left_over] == []
        assert len([d for d in other.verify() if d.left_over]) == 2  # the two replaced batches


def test_a_sealer_whose_batches_are_cleaned_away_gives_up(store: Store[PlainCatalogue]) -> None:
    days_of(3, store, hours=1)
    move(store, days=60_000)
    sealer, disk = with_disk(store)

    def overtake() -> None:
        assert len(seal(store)) == 1
        assert len(store.clean(timedelta(0))) == 3

    disk.at_call(8, overtake)
    assert seal(sealer) == []
    assert store.verify() == []


def test_writers_go_on_while_a_sealer_works(store: Store[PlainCatalogue]) -> None:
    days_of(2, store, hours=1)
    move(store, days=1)
    sealer, disk = with_disk(store)

    def write() -> None:
        build.add(store, Batch(events=(build.event("A0", lot="L9"),)))

    disk.at_call(60, write)
    (commit,) = seal(sealer)
    assert commit.number == 4
    assert len(rows(store)["events"]) == 5


def test_memory_stays_flat_however_much_is_sealed(
    store: Store[PlainCatalogue], monkeypatch: pytest.MonkeyPatch
) -> None:
    """No more rows are held at once than a row group and a block."""
    monkeypatch.setattr(sealing, "_ROWS_AT_ONCE", 16)
    for i in range(6):
        names = [f"{i}-{k}" for k in range(90)]
        build.add(store, build.batch(*names, judged=False, with_axes=i == 0))
    held: list[int] = []
    regrouped = sealing._regrouped

    def watching(blocks: Any, size: int) -> Any:
        def counted() -> Any:
            for block in blocks:
                held.append(block.num_rows)
                yield block

        return regrouped(counted(), size)

    monkeypatch.setattr(sealing, "_regrouped", watching)
    move(store, days=1)
    assert len(seal(store)) == 1
    assert max(held) == 16
    assert len(held) > 6 * 90 / 16


def test_a_record_that_replaces_what_is_replaced_is_damage(store: Store[PlainCatalogue]) -> None:
    days_of(2, store, hours=1)
    move(store, days=1)
    (commit,) = seal(store)
    store.chain.append(
        commit, at=datetime(2026, 3, 12, tzinfo=UTC), who="w", why="y", kind=SEAL,
        adds=commit.adds, replaces=(1,), digests=commit.digests,
    )  # fmt: skip
    with pytest.raises(ArchiveDamaged, match="commit 4: found that it replaces 1"):
        seal(store)
    assert any("that it replaces 1" in d.found for d in store.verify())


def test_rows_are_given_out_in_groups_of_one_size() -> None:
    table = to_table("verdicts", [build.verdict(reason=str(i)) for i in range(23)])
    blocks = iter([table.slice(0, 5), table.slice(5, 12), table.slice(17, 1), table.slice(18)])
    made = list(sealing._regrouped(blocks, 7))
    assert [group.num_rows for group in made] == [7, 7, 7, 2]
    assert pa.concat_tables(made).equals(table)
