"""Committing and reading: everything at once or nothing, whatever others do meanwhile."""

import errno
import hashlib
import threading
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from speclake.archive.batches import NewBatch
from speclake.archive.locations import LocalDisk
from speclake.archive.places import Place
from speclake.archive.rows import Batch
from speclake.archive.store import Store, create
from speclake.errors import ArchiveDamaged, NotFound
from tests import build
from tests.archive.full import full_batch
from tests.archive.plaincatalogue import PlainCatalogue

LATER = date(2026, 6, 1)


def plain_store(root: Path, disk: LocalDisk | None = None) -> Store[PlainCatalogue]:
    create(root)
    return Store(root, PlainCatalogue, disk=disk, clock=build.Clock())


@pytest.fixture
def store(tmp_path: Path) -> Store[PlainCatalogue]:
    return plain_store(tmp_path)


def folders(store: Store[Any]) -> list[Path]:
    return sorted((store.root / "batches").glob("*/*"))


def ids(*names: str) -> list[str]:
    return [build.identifier(name) for name in names]


# --- committing -------------------------------------------------------------------------------


def test_a_commit_shows_every_table_and_original_at_once(store: Store[PlainCatalogue]) -> None:
    batch = full_batch("A1", "B2")
    commit = build.add(store, batch)
    assert store.head() == commit
    assert {entry.table: entry.rows for entry in commit.adds} == {
        "measurements": 2, "spectra": 2, "axes": 1, "derived": 2, "verdicts": 2, "findings": 2,
        "figures": 2, "qualifications": 2, "files": 2, "events": 2, "specifications": 1,
        "standards": 1, "originals": 2,
    }  # fmt: skip
    assert commit.digests.keys() == {entry.table for entry in commit.adds}
    assert (commit.who, commit.why, commit.kind, commit.at) == (
        "tester",
        "test",
        "take",
        build.NOON,
    )
    assert store.verify() == []


def test_a_batch_lies_under_the_month_it_was_taken_in(store: Store[PlainCatalogue]) -> None:
    commit = build.add(store, build.batch("A1"))
    assert all(e.path.startswith("batches/2026-03/10-120000-") for e in commit.adds)


def test_nothing_to_commit_leaves_nothing(store: Store[PlainCatalogue]) -> None:
    for nothing in (None, Batch()):
        assert store.commit(lambda _, n=nothing: n, who="w", why="y", kind="take") is None
    assert store.head() is None
    assert folders(store) == []


def test_the_loser_of_a_race_sees_what_was_faster(store: Store[PlainCatalogue]) -> None:
    """Both find the same scan; only one of them may take it."""
    other = plain_store(store.root)
    calls = []

    def prepare(catalog: PlainCatalogue) -> Batch | None:
        known = catalog.places("spectra", ids("A1", "B2"))
        calls.append(len(known))
        if len(calls) == 1:
            build.add(other, build.batch("A1"))
        new = [name for name in ("A1", "B2") if build.identifier(name) not in known]
        return build.batch(*new, with_axes=not known)

    commit = store.commit(prepare, who="w", why="y", kind="take")
    assert calls == [0, 1]
    assert commit is not None
    assert commit.number == 2
    assert commit.entry("measurements").rows == 1  # type: ignore[union-attr]  # it has one
    assert len(folders(store)) == 2  # what was written for the first try is gone
    assert store.verify() == []


def test_a_loser_with_nothing_left_to_add_leaves_nothing(store: Store[PlainCatalogue]) -> None:
    other = plain_store(store.root)

    def prepare(catalog: PlainCatalogue) -> Batch | None:
        if catalog.places("spectra", ids("A1")):
            return None
        build.add(other, build.batch("A1"))
        return build.batch("A1")

    assert store.commit(prepare, who="w", why="y", kind="take") is None
    assert len(folders(store)) == 1
    assert store.verify() == []


def test_a_batch_that_a_lost_race_does_not_change_is_written_once(tmp_path: Path) -> None:
    class Counting(LocalDisk):
        files = 0

        def open_new(self, path: Path) -> int:
            self.files += "batches" in path.parts
            return super().open_new(path)

    disk = Counting()
    store, other = plain_store(tmp_path, disk), plain_store(tmp_path)
    tries = iter(range(3))

    def prepare(_: PlainCatalogue) -> Batch:
        if (number := next(tries, None)) is not None:
            build.add(other, build.batch(f"other {number}"))
        return build.batch("A1")

    commit = store.commit(prepare, who="w", why="y", kind="take")
    assert commit is not None
    assert commit.number == 4
    assert disk.files == len(commit.adds)


def test_the_order_of_rows_counts_as_a_change(store: Store[PlainCatalogue]) -> None:
    """The current verdict is the last one, so another order is another batch."""
    other = plain_store(store.root)
    build.add(store, build.batch("A1"))
    rows = [build.verdict(reason="one"), build.verdict(reason="two")]

    def prepare(_: PlainCatalogue) -> Batch:
        if len(rows) == 2:
            build.add(other, build.batch("B2"))
            rows.append(rows[0])
            return Batch(verdicts=(rows[0], rows[1]))
        return Batch(verdicts=(rows[1], rows[0]))

    commit = store.commit(prepare, who="w", why="y", kind="judge")
    assert commit is not None
    from speclake.archive.batches import read_table

    reasons = read_table(store.root, commit, "verdicts").column("reason").to_pylist()
    assert reasons == ["two", "one"]


def test_spectra_stand_in_the_order_of_their_measurements(store: Store[PlainCatalogue]) -> None:
    scans = [build.spectrum([1.0, float(i)]) for i in range(3)]
    batch = build.batch("A", "B", "C", of=scans)
    build.add(store, replace(batch, spectra=batch.spectra[::-1]))
    store.refresh()
    (found,) = store.spectra(ids("C", "A", "B"))
    assert found.values[:, 1].tolist() == [2.0, 0.0, 1.0]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"spectra": ()}, "expected one spectrum for each measurement"),
        ({"measurements": ()}, "expected one spectrum for each measurement"),
        ({"originals": {"ab": b"c"}}, "found an original named ab whose bytes have the hash"),
    ],
)
def test_a_batch_that_does_not_hold_together_is_refused(
    store: Store[PlainCatalogue], change: dict[str, Any], message: str
) -> None:
    with pytest.raises(ValueError, match=message):
        build.add(store, replace(build.batch("A1"), **change))
    with pytest.raises(ValueError, match="one of them twice"):
        build.add(store, build.batch("A1", "A1"))
    assert store.head() is None
    assert store.verify() == []


def test_an_error_while_preparing_leaves_nothing(store: Store[PlainCatalogue]) -> None:
    other = plain_store(store.root)
    calls = []

    def prepare(_: PlainCatalogue) -> Batch:
        calls.append(1)
        if len(calls) == 2:
            raise RuntimeError("no")
        build.add(other, build.batch("B2"))
        return build.batch("A1")

    with pytest.raises(RuntimeError, match="no"):
        store.commit(prepare, who="w", why="y", kind="take")
    assert [d.path for d in store.verify() if not d.left_over] == []
    build.add(store, build.batch("C3", with_axes=False))


def test_a_full_disk_is_an_error_and_no_half_a_commit(tmp_path: Path) -> None:
    class Full(LocalDisk):
        free = 3

        def write(self, handle: int, data: memoryview) -> None:
            self.free -= 1
            if self.free < 0:
                raise OSError(errno.ENOSPC, "no space left")
            super().write(handle, data)

    disk = Full()
    store = plain_store(tmp_path, disk)
    with pytest.raises(OSError, match="no space left"):
        build.add(store, build.batch("A1"))
    assert store.head() is None
    disk.free = 10_000
    build.add(store, build.batch("A1"))
    assert [d for d in store.verify() if not d.left_over] == []
    assert len([d for d in store.verify() if d.left_over]) == 1


def test_an_error_after_the_record_stands_removes_nothing(tmp_path: Path) -> None:
    """The disk may fail when the record is in place: then the batch is counted on."""

    class Failing(LocalDisk):
        def sync_folder(self, path: Path) -> None:
            if path.name == "chain" and any(path.glob("0*.json")):
                raise OSError(errno.EIO, "the disk failed")
            super().sync_folder(path)

    store = plain_store(tmp_path, Failing())
    with pytest.raises(OSError, match="the disk failed"):
        build.add(store, build.batch("A1"))
    again = plain_store(tmp_path)
    assert again.head() is not None
    assert [d for d in again.verify() if not d.left_over] == []


def test_a_folder_that_is_no_archive_is_not_opened(tmp_path: Path) -> None:
    with pytest.raises(NotFound, match="found no folder chain; expected an archive"):
        Store(tmp_path, PlainCatalogue)


def test_threads_and_stores_race_for_numbers_and_none_is_lost(tmp_path: Path) -> None:
    stores = [plain_store(tmp_path) for _ in range(3)]
    failures: list[BaseException] = []

    def work(store: Store[PlainCatalogue], who: int) -> None:
        try:
            for i in range(4):
                build.add(store, build.batch(f"{who}-{i}", judged=False, with_axes=i == 0))
        except BaseException as error:  # noqa: BLE001  # shown by the test itself
            failures.append(error)

    threads = [threading.Thread(target=work, args=(stores[n % 3], n)) for n in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    assert [c.number for c in stores[0].chain.after(0)] == list(range(1, 25))
    stores[0].refresh()
    everything = ids(*(f"{n}-{i}" for n in range(6) for i in range(4)))
    (found,) = stores[0].spectra(everything)
    assert len(found) == 24
    assert stores[0].verify() == []


# --- reading ----------------------------------------------------------------------------------


def test_sets_are_one_for_each_axis_and_unit_with_keys_in_the_order_asked_for(
    store: Store[PlainCatalogue],
) -> None:
    scans = {
        "A": build.spectrum([1.0, 2.0]),
        "B": build.spectrum([3.0, 4.0, 5.0]),
        "C": build.spectrum([6.0, 1 / 3]),
        "D": build.spectrum([7.0, 8.0], unit="%R"),
        "E": build.spectrum([float("nan"), 9.0]),
    }
    for name, scan in scans.items():
        build.add(store, build.batch(name, of=[scan]))
    store.refresh()
    sets = store.spectra(ids("E", "D", "B", "C", "A", "E"))
    assert [(s.unit, s.keys) for s in sets] == [
        ("%T", tuple(ids("E", "C", "A"))),
        ("%R", tuple(ids("D"))),
        ("%T", tuple(ids("B"))),
    ]
    expected = [[float("nan"), 9.0], [6.0, 1 / 3], [1.0, 2.0]]
    assert np.array_equal(sets[0].values, expected, equal_nan=True)
    assert sets[2].axis.id == scans["B"].axis.id
    assert sets[2].axis.values.tolist() == [400.0, 401.0, 402.0]
    assert store.spectra([]) == []


def test_many_spectra_of_one_file_are_read_in_any_order(store: Store[PlainCatalogue]) -> None:
    """More than a row group, and more than are decoded at once."""
    names = [f"S{i}" for i in range(1300)]
    scans = [build.spectrum([float(i), 0.5]) for i in range(1300)]
    build.add(store, build.batch(*names, of=scans, judged=False))
    store.refresh()
    order = np.random.default_rng(3).permutation(1300)
    (found,) = store.spectra([build.identifier(names[i]) for i in order])
    assert found.values[:, 0].tolist() == order.tolist()
    few = [1299, 0, 127, 128]
    (found,) = store.spectra([build.identifier(names[i]) for i in few])
    assert found.values[:, 0].tolist() == few


def test_derived_spectra_are_read_with_their_own_unit(store: Store[PlainCatalogue]) -> None:
    build.add(store, full_batch("A1", of=build.spectrum([50.0, 100.0])))
    store.refresh()
    (found,) = store.derived(ids("derived A1"))
    assert found.unit == "%T"
    assert found.values.tolist() == [[49.5, 99.0]]


def test_what_is_not_in_the_archive_is_named(store: Store[PlainCatalogue]) -> None:
    build.add(store, build.batch("A1"))
    store.refresh()
    with pytest.raises(NotFound, match=f"{build.identifier('Z9')}: found no such entry"):
        store.spectra(ids("A1", "Z9"))
    with pytest.raises(NotFound, match="among the originals"):
        store.original("ab" * 32)


def test_originals_come_back_byte_for_byte(store: Store[PlainCatalogue]) -> None:
    build.add(store, build.batch("A1", "B2"))
    store.refresh()
    content = build.original("B2")
    assert store.original(hashlib.sha256(content).hexdigest()) == content


def test_a_reader_follows_batches_that_are_sealed_and_cleaned_away(
    store: Store[PlainCatalogue],
) -> None:
    """It looked before the sealing and reads after the cleaning, twice."""
    for i in range(4):
        build.add(store, build.batch(f"A{i}", of=[build.spectrum([float(i)])]))
    reader = plain_store(store.root)
    reader.refresh()
    for month in (1, 2):
        store._clock.move(days=31)  # type: ignore[attr-defined]  # the test's own clock
        build.add(store, build.batch(f"later {month}"))
        store.seal(LATER.replace(month=3 + month), who="night", why="test")
        for folder in folders(store):
            if any(d.path.endswith(folder.name) for d in store.verify()):
                LocalDisk().remove_tree(folder)
        (found,) = reader.spectra(ids("A3", "A0"))
        assert found.values.tolist() == [[3.0], [0.0]]
        content = build.original("A2")
        assert reader.original(hashlib.sha256(content).hexdigest()) == content


@pytest.mark.parametrize("table", ["spectra", "measurements", "axes"])
def test_a_file_that_is_gone_is_damage(store: Store[PlainCatalogue], table: str) -> None:
    commit = build.add(store, build.batch("A1"))
    store.refresh()
    (store.root / commit.entry(table).path).unlink()  # type: ignore[union-attr]  # it has one
    with pytest.raises(ArchiveDamaged, match=f"{table}.parquet: found no file"):
        store.spectra(ids("A1"))


@pytest.mark.parametrize("content", [b"", b"PAR1 no table PAR1", b"\0" * 900])
def test_a_file_that_is_no_table_is_damage(store: Store[PlainCatalogue], content: bytes) -> None:
    commit = build.add(store, build.batch("A1"))
    store.refresh()
    (store.root / commit.entry("spectra").path).write_bytes(content)  # type: ignore[union-attr]  # it has one
    with pytest.raises(
        ArchiveDamaged, match=r"spectra.parquet: .*; expected the table as committed"
    ):
        store.spectra(ids("A1"))


def test_a_catalogue_that_is_wrong_about_a_place_is_found_out(tmp_path: Path) -> None:
    class Wrong(PlainCatalogue):
        def places(self, table: str, ids: Sequence[str]) -> dict[str, Place]:
            found = super().places(table, ids)
            if table == "spectra":
                return {each: replace(place, row=1 - place.row) for each, place in found.items()}
            return found

    create(tmp_path)
    store = Store(tmp_path, Wrong, clock=build.Clock())
    build.add(store, build.batch("A1", "B2"))
    store.refresh()
    with pytest.raises(ArchiveDamaged, match="rebuild the catalogue"):
        store.spectra(ids("A1"))


def test_the_duckdb_catalogue_serves_the_store(tmp_path: Path) -> None:
    store = build.archive(tmp_path)
    for i in range(3):
        build.add(store, full_batch(f"A{i}", of=build.spectrum([float(i), 1 / 3])))
    store.refresh()
    assert store.rebuild() == 3
    store._clock.move(days=31)  # type: ignore[attr-defined]  # the test's own clock
    (sealed,) = store.seal(date(2026, 4, 1), who="night", why="test")
    for each in (store, build.archive(tmp_path)):
        each.refresh()
        (found,) = each.spectra(ids("A2", "A0"))
        assert found.values.tolist() == [[2.0, 1 / 3], [0.0, 1 / 3]]
        (found,) = each.derived(ids("derived A2"))
        assert found.values.tolist() == [[2.0 * 0.99, 1 / 3 * 0.99]]
        each.close()
    assert sealed.replaces == (1, 2, 3)
    assert [d for d in store.verify() if not d.left_over] == []


def test_a_batch_being_written_is_left_alone_by_cleaners(store: Store[PlainCatalogue]) -> None:
    new = NewBatch(store.root, build.NOON, LocalDisk())
    store._clock.move(days=100_000)  # type: ignore[attr-defined]  # the test's own clock
    assert store.clean(timedelta(0)) == []
    assert new.folder.is_dir()
    new.release()
    assert [r.path for r in store.clean(timedelta(0))] == [
        new.folder.relative_to(store.root).as_posix()
    ]
    assert not new.folder.exists()
