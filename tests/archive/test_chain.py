"""The chain: one order, no fork, and nothing read on that is not as it was written."""

import hashlib
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from speclake.archive.chain import (
    BEFORE_THE_FIRST,
    HEAD,
    Chain,
    Commit,
    FileEntry,
    Taken,
    decoded,
    encoded,
)
from speclake.errors import ArchiveDamaged, NotFound
from tests.build import NOON

ENTRY = FileEntry("verdicts", "batches/2026-03/10-120000-1a2b3c4d/verdicts.parquet", 3, 99, "ab")


@pytest.fixture
def chain(tmp_path: Path) -> Chain:
    (tmp_path / "chain").mkdir()
    return Chain(tmp_path)


def add(chain: Chain, previous: Commit | None = None, **facts: Any) -> Commit:
    """Commit after another; after the head where none is given."""
    given: dict[str, Any] = {"at": NOON, "who": "Łucja Ö.", "why": "because", "kind": "take"}
    return chain.append(previous or chain.head(), **(given | facts))


def rewrite(path: Path, old: bytes, new: bytes) -> None:
    content = path.read_bytes()
    assert old in content
    path.write_bytes(content.replace(old, new))


def test_commits_are_numbered_and_name_the_hash_of_the_one_before(chain: Chain) -> None:
    assert chain.head() is None
    first = add(chain, adds=[ENTRY], digests={"verdicts": "cd"})
    second = add(chain, replaces=[1])
    assert (first.number, first.previous) == (1, BEFORE_THE_FIRST)
    assert (second.number, second.previous) == (2, first.hash)
    assert chain.head() == second
    assert list(chain.after(0)) == [first, second] == [chain.read(1), chain.read(2)]
    assert list(chain.after(1)) == [second]
    assert list(chain.after(2)) == []


def test_the_hash_is_that_of_the_file_on_disk(chain: Chain) -> None:
    """So that anybody checks the chain with the tools of the system alone."""
    commit = add(chain)
    content = chain.path(1).read_bytes()
    assert commit.hash == hashlib.sha256(content).hexdigest()
    assert json.loads(content)["who"] == "Łucja Ö."
    assert chain.path(1).name == "0000000001.json"


@given(
    st.builds(
        Commit,
        number=st.integers(1, 10**9),
        previous=st.text("0123456789abcdef", min_size=64, max_size=64),
        at=st.just(NOON),
        who=st.text(st.characters(exclude_categories=["Cs"])),
        why=st.text(st.characters(exclude_categories=["Cs"])),
        kind=st.sampled_from(["take", "seal"]),
        adds=st.lists(st.just(ENTRY), max_size=2).map(tuple),
        replaces=st.sets(st.integers(1, 40)).map(sorted).map(tuple),
        digests=st.dictionaries(st.sampled_from(["files", "events"]), st.just("ef")),
    )
)
def test_a_record_is_read_as_it_was_written(commit: Commit) -> None:
    data = encoded(commit)
    assert replace(decoded(data, "x"), hash="") == commit
    assert encoded(decoded(data, "x")) == data


def test_a_number_is_given_once(chain: Chain) -> None:
    first = add(chain)
    second = add(chain, first)
    with pytest.raises(Taken):
        add(chain, first, who="another")
    assert list(chain.after(0)) == [first, second]


def test_a_head_is_found_from_any_number(chain: Chain) -> None:
    commits = [add(chain) for _ in range(37)]
    (chain.folder / HEAD).unlink()
    assert all(chain.head(known) == commits[-1] for known in range(38))


@pytest.mark.parametrize("lost", [1, 2, 3, 7, 9])
def test_nobody_writes_under_the_number_of_a_lost_record(chain: Chain, lost: int) -> None:
    commits = [add(chain) for _ in range(10)]
    chain.path(lost).unlink()
    (chain.folder / HEAD).unlink()
    before = commits[lost - 2] if lost > 1 else None
    with pytest.raises(ArchiveDamaged, match=f"{lost:010d}.json: found no record"):
        chain.append(before, at=NOON, who="w", why="y", kind="take")
    with pytest.raises(ArchiveDamaged, match=f"{lost:010d}.json: found no record"):
        chain.head(lost - 1)
    assert not chain.path(lost).exists()


def test_a_lost_last_record_is_known_from_the_witness(chain: Chain) -> None:
    first, _ = add(chain), add(chain)
    chain.path(2).unlink()
    with pytest.raises(ArchiveDamaged, match=r"head.json says that commit 2 was made"):
        add(chain, first)


@pytest.mark.parametrize("content", [b"", b"{}", b"[1]", b'{"number":9,"hash":"x","check":"y"}'])
def test_a_damaged_witness_is_as_none(chain: Chain, content: bytes) -> None:
    add(chain)
    (chain.folder / HEAD).write_bytes(content)
    assert chain.witness() is None
    assert add(chain).number == 2
    assert chain.witness() is not None


def test_a_witness_that_cannot_be_written_stops_nobody(chain: Chain) -> None:
    (chain.folder / HEAD).mkdir()
    assert add(chain).number == 1
    assert add(chain).number == 2


def test_an_altered_record_is_not_read(chain: Chain) -> None:
    add(chain)
    rewrite(chain.path(1), b"because", b"another")
    with pytest.raises(ArchiveDamaged, match=r"chain/0000000001.json: found .* not as it was"):
        chain.read(1)


def test_a_record_that_was_altered_with_its_check_breaks_the_chain(chain: Chain) -> None:
    """Who alters a record and all that is inside it leaves the next record, and every report."""
    first = add(chain)
    add(chain)
    chain.path(1).write_bytes(encoded(replace(first, why="another")))
    with pytest.raises(ArchiveDamaged, match=r"0000000002.json: found the hash .* record before"):
        list(chain.after(0))


@pytest.mark.parametrize("content", [b"", b"\0" * 300, b"{", b"[]", b"null", b'{"version":1}'])
def test_what_is_no_record_is_not_read(chain: Chain, content: bytes) -> None:
    add(chain)
    chain.path(1).write_bytes(content)
    with pytest.raises(ArchiveDamaged, match=r"chain/0000000001.json: found .*; expected a record"):
        chain.read(1)


def test_a_record_of_a_later_version_is_said(chain: Chain) -> None:
    add(chain)
    rewrite(chain.path(1), b'"version":1', b'"version":2')
    with pytest.raises(ArchiveDamaged, match="version 2; this program writes 1"):
        chain.read(1)


def test_a_record_under_another_number_is_not_read(chain: Chain) -> None:
    add(chain)
    chain.path(1).rename(chain.path(5))
    with pytest.raises(ArchiveDamaged, match="found commit 1; expected 5"):
        chain.read(5)
    with pytest.raises(NotFound, match="found no record of commit 1"):
        chain.read(1)
