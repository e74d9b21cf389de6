"""What the tests of the catalogue share: an archive to commit to, and a catalogue as plain rows."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from speclake.archive.catalog import Catalog
from speclake.archive.catalog.layout import TABLES
from speclake.archive.catalog.session import Resources, Session
from speclake.archive.catalog.source import Source
from speclake.archive.chain import Chain, Commit
from speclake.archive.rows import Batch
from speclake.archive.store import Store, create
from tests.build import Clock

SMALL = Resources(memory_mb=100, threads=1)


class World:
    """An archive, its store with a catalogue that follows every commit, and a clock."""

    def __init__(self, root: Path) -> None:
        create(root)
        self.root = root
        self.clock = Clock()
        self.store: Store[Catalog] = Store(
            root, lambda r, _, d: Catalog(r, disk=d, resources=SMALL), clock=self.clock
        )

    @property
    def catalog(self) -> Catalog:
        return self.store.catalog

    def add(self, batch: Batch) -> Commit:
        """Commit a batch and show it."""
        self.clock.move(seconds=1)
        commit = self.store.commit(lambda _: batch, who="test", why="test", kind="test")
        assert commit is not None
        self.catalog.refresh()
        return commit

    def opened(self) -> Catalog:
        """Another catalogue of the same archive, as another process would open it."""
        return Catalog(self.root, resources=SMALL)


def contents(session: Session) -> dict[str, list[str]]:
    """Every row of every table as text, in an order that does not depend on where it stands."""
    return {
        name: sorted(
            json.dumps(_plain(row), sort_keys=True, default=str)
            for row in session.arrow(f"SELECT * FROM {name}").to_pylist()
        )
        for name in TABLES
    }


def shown(catalog: Catalog) -> dict[str, list[str]]:
    """`contents` of what a catalogue shows."""
    return catalog._upkeep.ask(contents)


def read_at_once(root: Path, most_rows: int, most_commits: int) -> dict[str, list[str]]:
    """`contents` of a tail without a snapshot, loaded in chunks of a given size."""
    return _with_session(root, most_rows, most_commits, contents)


def _with_session(
    root: Path, most_rows: int, most_commits: int, ask: Callable[[Session], Any]
) -> Any:
    session = Session(SMALL)
    try:
        for chunk in Source(root, Chain(root), most_rows, most_commits).after(0):
            session.load(chunk)
        return ask(session)
    finally:
        session.close()


def _plain(row: dict[str, Any]) -> dict[str, Any]:
    """Row whose maps do not depend on the order of their keys."""
    return {
        name: dict(value) if name in ("origin", "details", "parameters") else value
        for name, value in row.items()
    }
