"""Verification names every damage, with place, found and expected; it passes over nothing."""

import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from random import Random
from typing import Any

import pytest

from speclake.archive.catalog import Catalog
from speclake.archive.damage import Damage
from speclake.archive.rows import Batch
from speclake.archive.store import Store
from speclake.errors import ArchiveDamaged
from tests import build
from tests.archive.full import full_batch


def damages(store: Store[Any]) -> list[Damage]:
    return [damage for damage in store.verify() if not damage.left_over]


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store[Catalog]]:
    opened = build.archive(tmp_path, build.Clock(datetime(2100, 3, 10, 12, tzinfo=UTC)))
    yield opened
    opened.close()


@pytest.fixture(scope="module")
def everything(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small archive with one file of every sort.

    Plain batches and sealed ones, replaced ones not yet cleaned away, a snapshot.
    """
    root = tmp_path_factory.mktemp("archive")
    clock = build.Clock(datetime(2100, 3, 10, 12, tzinfo=UTC))
    store = build.archive(root, clock)
    build.add(store, full_batch("A1"))
    build.add(store, Batch(events=(build.event("A1", lot="L2"),)))
    clock.move(days=1)
    store.seal(clock().date(), who="night", why="test")
    store.refresh()
    store.rebuild()
    build.add(store, full_batch("C3"))
    store.close()
    return root


def truncated(path: Path) -> None:
    os.truncate(path, path.stat().st_size - 1 - path.stat().st_size // 3)


def emptied(path: Path) -> None:
    os.truncate(path, 0)


def zeroed(path: Path) -> None:
    path.write_bytes(bytes(path.stat().st_size))


def flipped(place: Callable[[int], int]) -> Callable[[Path], None]:
    def flip(path: Path) -> None:
        content = bytearray(path.read_bytes())
        content[place(len(content))] ^= 1 << (len(content) % 8)
        path.write_bytes(content)

    return flip


DAMAGES: dict[str, Callable[[Path], object]] = {
    "truncated": truncated,
    "emptied": emptied,
    "zeroed": zeroed,
    "removed": Path.unlink,
    "first bit flipped": flipped(lambda _: 0),
    "last bit flipped": flipped(lambda size: size - 1),
    "a bit flipped": flipped(lambda size: Random(size).randrange(size)),
}


@pytest.mark.parametrize("what", DAMAGES)
def test_damage_of_any_file_is_named(everything: Path, what: str) -> None:
    """Each file below chain, batches and catalog in turn, and no other is blamed."""
    store = build.archive(everything)
    before = {damage.path: str(damage) for damage in store.verify()}
    assert all(damage.left_over for damage in store.verify())
    files = [path for path in sorted(everything.rglob("*")) if path.is_file()]
    assert len(files) > 35
    for path in files:
        content = path.read_bytes()
        DAMAGES[what](path)
        try:
            found = [d for d in store.verify() if before.get(d.path) != str(d)]
        finally:
            path.unlink(missing_ok=True)
            path.write_bytes(content)
        name = path.relative_to(everything).as_posix()
        # one that is gone is missed by its folder, or by a snapshot or the hash of one
        named = [d for d in found if d.path.startswith(name) or name.startswith(d.path)]
        assert named, f"{what}: {name} was not named among {found}"
        assert all(d.found and d.expected for d in found)
    assert {damage.path: str(damage) for damage in store.verify()} == before
    store.close()


@pytest.mark.parametrize("what", DAMAGES)
def test_a_damaged_catalogue_is_made_anew(everything: Path, tmp_path: Path, what: str) -> None:
    names = sorted(path.name for path in (everything / "catalog").iterdir())
    assert len(names) == 2
    for name in names:
        shutil.copytree(everything, root := tmp_path / name)
        DAMAGES[what](root / "catalog" / name)
        store = build.archive(root)
        assert any(d.path.startswith("catalog/") for d in store.verify())
        store.rebuild()
        assert [d for d in store.verify() if d.path.startswith("catalog/")] == []
        ids = {build.identifier(n) for n in ("A1", "C3")}
        assert store.catalog.known_ids(sorted(ids)) == ids
        store.close()


def test_a_sound_archive_has_nothing_to_name(store: Store[Catalog]) -> None:
    assert store.verify() == []
    build.add(store, full_batch("A1", "B2"))
    store.refresh()
    store.rebuild()
    assert store.verify() == []


def test_what_is_said_can_be_acted_on(store: Store[Catalog]) -> None:
    commit = build.add(store, build.batch("A1"))
    entry = commit.adds[0]
    (store.root / entry.path).write_bytes(b"short")
    first, second = map(str, damages(store))
    assert first.startswith(f"{entry.path}: found 5 bytes with the hash ")
    assert first.endswith(f"; expected {entry.size} bytes with the hash {entry.sha256}")
    assert second == (
        "the rows: found some that cannot be read (named here), so none was held against another;"
        " expected all rows; verify again once they are restored"
    )


def test_missing_folders_are_named(tmp_path: Path) -> None:
    store = build.archive(tmp_path)
    (tmp_path / "batches").rmdir()
    assert [str(d) for d in store.verify()] == [
        "batches: found no folder; expected the folder of an archive"
    ]
    store.close()


# --- records ----------------------------------------------------------------------------------


def test_a_record_that_is_gone_is_named_and_the_rest_still_looked_at(store: Store[Catalog]) -> None:
    for i in range(4):
        build.add(store, build.batch(f"A{i}", with_axes=i == 0))
    store.chain.path(2).unlink()
    commit = store.chain.read(4)
    (store.root / commit.adds[1].path).unlink()
    paths = [d.path for d in damages(store)]
    assert "chain/0000000002.json" in paths
    assert commit.adds[1].path in paths


def test_a_chain_cut_short_is_named(store: Store[Catalog]) -> None:
    for i in range(3):
        build.add(store, build.batch(f"A{i}", with_axes=i == 0))
    store.chain.path(3).unlink()
    assert "chain/0000000003.json" in [d.path for d in damages(store)]
    assert "chain/head.json" in [d.path for d in damages(store)]


def test_a_chain_cut_short_with_its_witness_is_known_from_outside(store: Store[Catalog]) -> None:
    """Nothing inside can show this; the head printed on a report does."""
    for i in range(3):
        build.add(store, build.batch(f"A{i}", with_axes=i == 0))
    head = store.head()
    assert head is not None
    assert store.verify(head=head.hash) == []
    store.chain.path(3).unlink()
    (store.root / "chain" / "head.json").unlink()
    assert damages(store) == []
    assert [d.found for d in store.verify(head=head.hash) if not d.left_over] == [
        f"no record with the hash {head.hash}"
    ]


def test_a_snapshot_of_commits_that_are_gone_is_named(store: Store[Catalog]) -> None:
    for i in range(2):
        build.add(store, build.batch(f"A{i}", with_axes=i == 0))
    store.refresh()
    store.catalog.publish()
    store.chain.path(2).unlink()
    (store.root / "chain" / "head.json").unlink()
    assert [str(d) for d in damages(store)] == [
        "catalog/0000000002.duckdb: found a catalogue of commit 2, while the chain ends at 1; "
        "expected every record that it was made from; restore those that are lost"
    ]


def test_a_forged_record_is_named(store: Store[Catalog]) -> None:
    """Altered with everything inside that depends on it; the next record does not fit."""
    from speclake.archive.chain import encoded

    for i in range(2):
        build.add(store, build.batch(f"A{i}", with_axes=i == 0))
    forged = replace(store.chain.read(1), who="nobody")
    store.chain.path(1).write_bytes(encoded(forged))
    assert [(d.path, d.expected.partition(":")[2]) for d in damages(store)] == [
        ("chain/0000000002.json", " one of the two was altered")
    ]


def test_a_forged_last_record_is_named(store: Store[Catalog]) -> None:
    from speclake.archive.chain import encoded

    build.add(store, build.batch("A1"))
    store.chain.path(1).write_bytes(encoded(replace(store.chain.read(1), who="nobody")))
    assert [d.path for d in damages(store)] == ["chain/head.json"]


# --- files and rows ---------------------------------------------------------------------------


def test_files_that_nobody_wrote_are_named(store: Store[Catalog]) -> None:
    commit = build.add(store, build.batch("A1"))
    strange = [
        "chain/notes.txt",
        "chain/12.json",
        "batches/readme",
        "batches/2100-03/readme",
        f"{commit.adds[0].path.rpartition('/')[0]}/more.parquet",
        "catalog/other.txt",
    ]
    (store.root / "catalog").mkdir(exist_ok=True)
    for name in strange:
        (store.root / name).write_bytes(b"x")
    assert sorted(d.path for d in damages(store)) == sorted(strange)
    assert {d.found for d in damages(store)} == {"a file that no commit wrote"}


def without(batch: Batch, *tables: str) -> Batch:
    empty: dict[str, Any] = {table: () for table in tables if table != "originals"}
    if "originals" in tables:
        empty["originals"] = {}
    return replace(batch, **empty)


@pytest.mark.parametrize(
    ("left_out", "found"),
    [
        (["originals"], "without an original"),
        (["files"], "without a row of files that holds the original"),
        (["files"], "without a row of files"),
        (["axes"], "without an axis"),
        (["measurements", "spectra"], "without a measurement of the file"),
        (["measurements", "spectra"], "without a measurement"),
        (["specifications"], "without a specification"),
    ],
)
def test_rows_that_miss_one_another_are_named(
    store: Store[Catalog], left_out: list[str], found: str
) -> None:
    build.add(store, without(full_batch("A1"), *left_out))
    named = damages(store)
    assert found in [d.found.partition(" ")[2] for d in named], named


@pytest.mark.parametrize(
    ("changes", "path", "found"),
    [
        ({"spectrum": "a" * 32}, "verdicts, spectrum", "without a derived spectrum"),
        ({"drawn_from": ("b" * 32,)}, "verdicts, drawn_from", "without a measurement"),
    ],
)
def test_a_verdict_that_draws_on_what_is_not_there_is_named(
    store: Store[Catalog], changes: dict[str, Any], path: str, found: str
) -> None:
    whole = full_batch("A1")
    build.add(store, replace(whole, verdicts=(build.verdict("A1", **changes),)))
    named = {d.path: d.found for d in damages(store)}
    assert named[path].endswith(found)


def test_a_derived_spectrum_without_its_parents_is_named(store: Store[Catalog]) -> None:
    whole = full_batch("A1")
    orphan = replace(whole.derived[0], parents=(build.identifier("A1"), "c" * 32))
    build.add(store, replace(whole, derived=(orphan,)))
    named = {d.path: d.found for d in damages(store)}
    assert named["derived, parents"] == f"{'c' * 32} without a measurement"


def test_verdicts_on_derived_spectra_find_what_they_draw_on(store: Store[Catalog]) -> None:
    whole = full_batch("A1", "B2")
    drawn = build.verdict(
        "A1", spectrum=whole.derived[0].derived_id, drawn_from=(build.identifier("B2"),)
    )
    build.add(store, replace(whole, verdicts=(drawn,)))
    assert store.verify() == []


def test_a_row_that_is_there_twice_is_named(store: Store[Catalog]) -> None:
    build.add(store, build.batch("A1"))
    build.add(store, build.batch("A1"))
    named = {d.path: d.found for d in damages(store)}
    assert named["measurements, measurement_id"] == f"{build.identifier('A1')} twice"
    assert named["originals"].endswith(" twice")


def test_rows_in_different_commits_find_one_another(store: Store[Catalog]) -> None:
    """Judged later, on an axis that came first with another scan."""
    build.add(store, build.batch("A1"))
    build.add(store, build.batch("B2", with_axes=False, judged=False))
    build.add(store, Batch(verdicts=(build.verdict("B2"),)))
    assert store.verify() == []


def test_a_file_of_rows_other_than_the_record_says_is_named(store: Store[Catalog]) -> None:
    """Size and hash fit, but the digest of the record is another: a fault of the writer."""
    commit = build.add(store, build.batch("A1"))
    wrong = dict(commit.digests) | {"verdicts": "0" * 64}
    store.chain.path(1).unlink()
    (store.root / "chain" / "head.json").unlink()
    store.chain.append(
        None, at=commit.at, who="w", why="y", kind="take", adds=commit.adds, digests=wrong
    )
    assert next((d.path, d.found) for d in damages(store)) == (
        commit.entry("verdicts").path,  # type: ignore[union-attr]  # it has one
        "other rows than those of the commits 1",
    )


def test_an_original_that_is_gone_from_a_whole_zip_is_named(store: Store[Catalog]) -> None:
    commit = build.add(store, build.batch("A1", "B2"))
    digests = dict(commit.digests)
    store.chain.path(1).unlink()
    (store.root / "chain" / "head.json").unlink()
    entries = tuple(e for e in commit.adds if e.table != "originals")
    store.chain.append(
        None, at=commit.at, who="w", why="y", kind="take", adds=entries, digests=digests
    )
    named = damages(store)
    assert ("chain/0000000001.json", "no file of originals") in [(d.path, d.found) for d in named]


def test_a_spectrum_that_is_another_measurements_is_named(
    store: Store[Catalog], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rows are written in step; a writer that did not would give spectra to the wrong scans."""
    from speclake.archive import batches

    original = batches.to_table

    def out_of_step(name: str, rows: Any) -> Any:
        return original(name, rows[::-1] if name == "spectra" else rows)

    monkeypatch.setattr(batches, "to_table", out_of_step)
    build.add(store, build.batch("A1", "B2"))
    (damage,) = damages(store)
    assert damage.path == "commit 1"
    assert "do not agree row by row" in damage.found


def test_sealed_rows_given_to_another_commit_are_named(
    store: Store[Catalog], monkeypatch: pytest.MonkeyPatch
) -> None:
    from speclake.archive import sealing

    for name in ("A1", "B2"):
        build.add(store, Batch(events=(build.event(name, lot=name),)))
    monkeypatch.setattr(sealing, "check_rows", lambda *_: None)
    read_rows = sealing.read_rows

    def swapped(*given: Any) -> Any:
        rows = read_rows(*given)
        numbers = rows.column("commit_number").to_pylist()
        import pyarrow as pa

        return rows.set_column(
            rows.num_columns - 1, rows.schema.field("commit_number"),
            pa.array([3 - number for number in numbers]),
        )  # fmt: skip

    monkeypatch.setattr(sealing, "read_rows", swapped)
    store._clock.move(days=1)  # type: ignore[attr-defined]  # the test's own clock
    store.seal(date(2100, 3, 11), who="night", why="test")
    monkeypatch.undo()
    assert next(d.found for d in damages(store)) == "other rows than those of the commits 1, 2"


def test_batches_that_move_meanwhile_are_not_missed(
    store: Store[Catalog], monkeypatch: pytest.MonkeyPatch
) -> None:
    from speclake.archive import verify as module

    for name in ("A1", "B2"):
        build.add(store, full_batch(name))
    store._clock.move(days=1)  # type: ignore[attr-defined]  # the test's own clock
    other = build.archive(store.root, store._clock)
    checked = module.check_rows

    def moving(*given: Any) -> None:
        if not other.chain.read(other.head().number).replaces:  # type: ignore[union-attr]  # there is one
            other.seal(date(2100, 3, 11), who="night", why="test")
            other._clock.move(days=1)  # type: ignore[attr-defined]  # the test's own clock
            other.clean()
        checked(*given)

    monkeypatch.setattr(module, "check_rows", moving)
    assert store.verify() == []
    assert store.chain.read(3).replaces == (1, 2)
    other.close()


def test_a_damaged_archive_still_opens_and_says_so(store: Store[Catalog]) -> None:
    build.add(store, build.batch("A1"))
    build.add(store, build.batch("B2", with_axes=False))
    store.chain.path(1).write_bytes(b"")
    again = build.archive(store.root)
    with pytest.raises(ArchiveDamaged, match=r"0000000001.json"):
        again.refresh()
    assert damages(again)
    again.close()
