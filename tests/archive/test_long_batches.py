"""A commit that comes in parts: the same rows as one that comes at once, and all or nothing."""

import hashlib
import os
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest

from speclake.archive import batches
from speclake.archive.batches import read_table
from speclake.archive.catalog import Catalog
from speclake.archive.originals import OriginalsReader, OriginalsWriter
from speclake.archive.rows import Batch, LongBatch
from speclake.archive.store import Store
from speclake.errors import ArchiveDamaged
from tests import build
from tests.archive.test_originals import MemorySink

NAMES = [f"S{i}" for i in range(10)]


def parts(*sizes: int, originals: Path | None = None) -> Iterator[Batch]:
    """Batches of the names in turn; the bytes of every file come from a folder, if one is given."""
    start = 0
    for size in sizes:
        names = NAMES[start : start + size]
        part = build.batch(*names, with_axes=start == 0, judged=start == 0)
        if originals is not None:
            for sha256, content in part.originals.items():
                assert isinstance(content, bytes)
                (originals / sha256).write_bytes(content)
            paths = {sha256: originals / sha256 for sha256 in part.originals}
            part = Batch(**(vars(part) | {"originals": paths}))
        yield part
        start += size


def commit_parts(store: Store[Catalog], given: Iterator[Batch]) -> None:
    long = LongBatch(given)
    assert store.commit(lambda _: long, who="tester", why="test", kind="take") is not None
    store.refresh()


@pytest.mark.parametrize("group", [1, 3, 4, 100])
def test_parts_become_the_batch_that_all_of_them_at_once_become(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, group: int
) -> None:
    monkeypatch.setattr(batches, "SPECTRA_A_GROUP", group)
    monkeypatch.setattr(batches, "ROWS_A_GROUP", group)
    (tmp_path / "copies").mkdir()
    once, long = build.archive(tmp_path / "once"), build.archive(tmp_path / "long")
    judged = build.batch(*NAMES[:4])
    rest = build.batch(*NAMES[4:], with_axes=False, judged=False)
    together = {
        name: (*getattr(judged, name), *getattr(rest, name))
        for name in ("measurements", "spectra", "axes", "verdicts", "findings", "files")
    }
    build.add(
        once,
        Batch(
            **together,
            specifications=judged.specifications,
            originals={**judged.originals, **rest.originals},
        ),
    )
    commit_parts(long, parts(4, 5, 1, originals=tmp_path / "copies"))
    records = [store.chain.read(1) for store in (once, long)]
    assert records[0].digests == records[1].digests
    assert [e.table for e in records[0].adds] == [e.table for e in records[1].adds]
    for entry in records[0].adds:
        if entry.table != "originals":
            one, other = (
                read_table(s.root, r, entry.table)
                for s, r in zip((once, long), records, strict=True)
            )
            assert one.equals(other)
    content = build.original("S9")
    assert long.original(hashlib.sha256(content).hexdigest()) == content
    assert long.verify() == []
    for store in (once, long):
        store.close()


def test_refusal_of_the_last_part_leaves_nothing(tmp_path: Path) -> None:
    def given() -> Iterator[Batch]:
        yield from parts(5, 5)
        raise ValueError("the last part")

    store = build.archive(tmp_path)
    with pytest.raises(ValueError, match="the last part"):
        commit_parts(store, given())
    assert store.head() is None
    assert [p for p in (tmp_path / "batches").rglob("*") if p.is_file()] == []
    store.close()


def test_bytes_of_another_hash_are_not_written(tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    copy.write_bytes(b"other bytes")
    store = build.archive(tmp_path / "lab")
    part = build.batch("S1")
    (sha256,) = part.originals
    wrong = Batch(**(vars(part) | {"originals": {sha256: copy}}))
    with pytest.raises(ValueError, match="whose bytes have the hash"):
        commit_parts(store, iter([wrong]))
    assert store.head() is None
    store.close()


def test_parts_are_asked_for_once_when_another_writer_is_faster(tmp_path: Path) -> None:
    store = build.archive(tmp_path)
    other = build.archive(tmp_path)
    given = list(parts(4, 6))
    seen: list[int] = []

    def watched() -> Iterator[Batch]:
        for number, part in enumerate(given):
            seen.append(number)
            if number == 0:
                build.add(other, build.batch("elsewhere", judged=False))
            yield part

    commit_parts(store, watched())
    assert seen == [0, 1]
    assert [c.number for c in store.chain.after(0)] == [1, 2]
    assert store.verify() == []
    other.close()
    store.close()


def test_long_original_is_read_sealed_and_checked_in_parts(tmp_path: Path) -> None:
    """Three parts of a MiB each, of bytes that do not deflate, next to a short one."""
    content = os.urandom(2**20 * 2 + 5)
    copy = tmp_path / "copy"
    copy.write_bytes(content)
    sha256 = hashlib.sha256(content).hexdigest()
    sink = MemorySink()
    writer = OriginalsWriter(sink)
    writer.pack(sha256, copy)
    writer.finish()
    path = tmp_path / "originals.zip"
    path.write_bytes(sink.bytes.getvalue())
    with OriginalsReader(path, "originals.zip") as reader:
        assert [len(part) for part in reader.parts(sha256)] == [2**20, 2**20, 5]
        moved = MemorySink()
        writer = OriginalsWriter(moved)
        for member, data in reader.members():
            writer.copy(member, data)
        writer.finish()
    path.write_bytes(moved.bytes.getvalue())
    with OriginalsReader(path, "originals.zip") as reader:
        assert reader.read(sha256) == content
    damaged = bytearray(moved.bytes.getvalue())
    damaged[2**20] ^= 1
    path.write_bytes(damaged)
    with OriginalsReader(path, "originals.zip") as reader, pytest.raises(ArchiveDamaged):
        list(reader.parts(sha256))


def test_long_batch_is_sealed_like_any_other(tmp_path: Path) -> None:
    clock = build.Clock()
    store = build.archive(tmp_path / "lab", clock)
    (tmp_path / "copies").mkdir()
    commit_parts(store, parts(4, 6, originals=tmp_path / "copies"))
    build.add(store, build.batch("elsewhere", judged=False, with_axes=False))
    (sealed,) = store.seal(date(2026, 3, 11), who="tester", why="test")
    assert sealed.replaces == (1, 2)
    assert store.verify() != []
    clock.move(hours=5)
    store.clean()
    content = build.original("S3")
    assert store.original(hashlib.sha256(content).hexdigest()) == content
    store.close()
