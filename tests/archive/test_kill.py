"""Real processes on one archive, killed without warning at random moments, many times."""

import multiprocessing
import random
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any

import pytest

from speclake.archive.catalog import Catalog
from speclake.archive.chain import SEAL, Chain
from speclake.archive.schemas import TABLES
from speclake.archive.store import Store, create
from tests import build
from tests.archive.cataloguing import read_at_once
from tests.archive.cataloguing import shown as shown_by
from tests.archive.full import full_batch
from tests.archive.plaincatalogue import PlainCatalogue, Rows
from tests.archive.shown import shown
from tests.archive.writer import work

pytestmark = pytest.mark.timeout(300)

WRITERS = 3
KILLS = 25
PATIENCE_S = 60.0
ENOUGH = 4
"""Commits of each kind, without which nothing was tried."""


def fewest_of_a_kind(root: Path) -> int:
    """Number of commits of the kind of which there are fewest: taken, judged or sealed."""
    kinds = Counter(commit.kind for commit in Chain(root).after(0))
    return min(kinds["take"], kinds["judge"], kinds[SEAL])


@dataclass
class Process:
    """A writing process and what it said of its commits."""

    process: BaseProcess
    log: Path

    def lines(self) -> list[str]:
        return self.log.read_text().splitlines() if self.log.exists() else []

    def wait_until_ready(self) -> None:
        until = time.monotonic() + PATIENCE_S
        while not self.lines():
            assert self.process.is_alive(), "a writer ended before it was ready"
            assert time.monotonic() < until, "a writer did not start"
            time.sleep(0.01)

    def kill(self) -> None:
        assert self.process.is_alive(), f"a writer ended by itself: {self.log.read_text()}"
        self.process.kill()
        self.process.join()


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, set[int]]]:
    """An archive that killed writers left, and the numbers of the commits that they vouch for."""
    folder = tmp_path_factory.mktemp("killed")
    root = folder / "archive"
    create(root)
    methods = multiprocessing.get_all_start_methods()
    context: Any = multiprocessing.get_context("forkserver" if "forkserver" in methods else "spawn")
    if "forkserver" in methods:
        context.set_forkserver_preload(["tests.archive.writer"])
    count = 0

    def started() -> Process:
        nonlocal count
        count += 1
        log = folder / f"{count}.log"
        process = context.Process(target=work, args=(root, f"writer {count}", log), daemon=True)
        process.start()
        return Process(process, log)

    moments = random.Random(1)
    writers = [started() for _ in range(WRITERS)]
    ended: list[Process] = []
    for _ in range(KILLS):
        chosen = moments.randrange(WRITERS)
        writers[chosen].wait_until_ready()
        time.sleep(moments.uniform(0.05, 0.9))
        writers[chosen].kill()
        ended.append(writers[chosen])
        writers[chosen] = started()
    until = time.monotonic() + PATIENCE_S
    while fewest_of_a_kind(root) < ENOUGH and time.monotonic() < until:
        time.sleep(0.2)  # on a busy machine the writers came to little
    for writer in writers:
        writer.wait_until_ready()
        writer.kill()
    lines = [line for process in [*ended, *writers] for line in process.lines()[1:]]
    yield root, {int(line.split()[1]) for line in lines if line.count(" ") == 1}


def test_what_was_said_to_be_durable_is_there(archive: tuple[Path, set[int]]) -> None:
    root, reported = archive
    commits = list(Chain(root).after(0))
    assert [commit.number for commit in commits] == list(range(1, len(commits) + 1))
    assert reported <= {commit.number for commit in commits}
    assert len(commits) - KILLS - WRITERS <= len(reported)  # each kill hides at most one
    assert fewest_of_a_kind(root) >= ENOUGH, "the writers had too little time"


def test_every_commit_is_whole_in_every_table(archive: tuple[Path, set[int]]) -> None:
    """What a commit added follows from the names that it took: no row more, no row less."""
    root, _ = archive
    found = Rows(root, shown).numbered(Chain(root))
    ids = {build.identifier(name): name for name in all_names(root)}
    taken: dict[int, list[str]] = {}
    for number, text in found["measurements"]:
        taken.setdefault(number, []).append(ids[text.split("'")[1]])
    seen_axes = []
    for commit in Chain(root).after(0):
        rows = {t: [text for n, text in found.get(t, []) if n == commit.number] for t in TABLES}
        seen_axes += rows["axes"]
        if commit.kind == "take":
            batch = full_batch(*taken[commit.number])
            for table in TABLES:
                expected = [shown(row) for row in getattr(batch, table)]
                assert rows[table] == expected or table == "axes", (commit.number, table)
        elif commit.kind == "judge":
            assert {t for t in TABLES if rows[t]} == {"verdicts"}
            assert len({text.partition("reason=")[2] for text in rows["verdicts"]}) == 1
        else:
            assert not any(rows.values())  # a seal moves rows and adds none
    assert len(seen_axes) == 1
    names = [name for each in taken.values() for name in each]
    assert len(names) == len(set(names))
    contents = sorted(full_batch(*names).originals)
    assert [text for _, text in sorted(found["originals"], key=lambda row: row[1])] == contents


def all_names(root: Path) -> list[str]:
    store = Store(root, PlainCatalogue, clock=build.Clock())
    store.refresh()
    catalog = Catalog(root)
    found = [m.sample or "" for m in catalog.measurements(sorted(store.catalog.ids("spectra")))]
    catalog.close()
    return found


def test_spectra_and_originals_are_read_whole(archive: tuple[Path, set[int]]) -> None:
    root, _ = archive
    store = build.archive(root)
    names = all_names(root)
    batch = full_batch(*names)
    (found,) = store.spectra([m.measurement_id for m in batch.measurements])
    assert (found.values == build.spectrum().values).all()
    for sha256, content in batch.originals.items():
        assert store.original(sha256) == content
    store.close()


def test_the_catalogue_is_what_a_rebuild_gives(archive: tuple[Path, set[int]]) -> None:
    root, _ = archive
    store = build.archive(root)
    shown_now = shown_by(store.catalog)
    assert shown_now == read_at_once(root, 20_000, 500)
    store.rebuild()
    assert shown_by(store.catalog) == shown_now
    store.close()


def test_nothing_is_damaged_and_what_is_left_over_is_cleaned(
    archive: tuple[Path, set[int]],
) -> None:
    root, _ = archive
    store = build.archive(root)
    assert [damage for damage in store.verify() if not damage.left_over] == []
    store._clock.move(days=365 * 500)  # type: ignore[attr-defined]  # the test's own clock
    store.clean(timedelta(0))
    # a half built snapshot may be another process's, so it is left alone for an hour
    assert [d for d in store.verify() if not d.path.startswith("catalog/.building-")] == []
    store.close()
