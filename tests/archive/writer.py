"""A writing process that a test kills: it takes in, judges, changes, seals and cleans for ever.

What it was told is durable goes to its log, so that the test knows what must be there.
"""

import itertools
import random
import traceback
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from speclake.archive.catalog import Catalog, Resources
from speclake.archive.chain import Commit
from speclake.archive.rows import Batch
from speclake.archive.store import Store
from tests import build
from tests.archive.full import full_batch

COMMON = [f"common {number}" for number in range(40)]
"""Names that every writer wants to take, each of which one may."""


def taking(names: list[str], catalog: Catalog) -> Batch | None:
    """Batch of those names that nobody has taken."""
    known = catalog.known_ids([build.identifier(name) for name in names])
    new = [name for name in names if build.identifier(name) not in known]
    if not new:
        return None
    batch = full_batch(*new)
    axes = catalog.axes_known([axis.id for axis in batch.axes])
    return replace(batch, axes=tuple(axis for axis in batch.axes if axis.id not in axes))


def judging(reason: str, names: list[str], catalog: Catalog) -> Batch | None:
    """Verdicts on those of the names that are there."""
    known = catalog.known_ids([build.identifier(name) for name in names])
    rows = [build.verdict(n, reason=reason) for n in names if build.identifier(n) in known]
    return Batch(verdicts=tuple(rows)) if rows else None


class Writer:
    """A writer whose clock runs a day in a second, so that there are days to seal."""

    def __init__(self, root: Path, name: str, log: Path) -> None:
        self.name, self.log = name, log
        self.random = random.Random(name)
        self.start = datetime.now(UTC)
        self.store = Store(
            root,
            lambda folder, _, disk: Catalog(folder, disk=disk, resources=Resources(100, 1)),
            clock=self.clock,
        )

    def clock(self) -> datetime:
        """Time of this archive."""
        return self.start + (datetime.now(UTC) - self.start) * 86_400

    def say(self, word: str, commit: Commit | None) -> None:
        """Note a commit that is durable."""
        if commit is not None:
            with self.log.open("a") as log:
                log.write(f"{word} {commit.number}\n")

    def take(self, number: int) -> None:
        names = [f"{self.name} {number}", *self.random.sample(COMMON, 2)]
        self.say("took", self._commit(lambda catalog: taking(names, catalog), "take"))

    def judge(self, number: int) -> None:
        names = self.random.sample(COMMON, 3)
        reason = f"{self.name} {number}"
        self.say("judged", self._commit(lambda catalog: judging(reason, names, catalog), "judge"))

    def seal(self, _: int) -> None:
        for commit in self.store.seal(self.clock().date(), who=self.name, why="killed"):
            self.say("sealed", commit)

    def clean(self, _: int) -> None:
        self.store.clean(timedelta(hours=1))

    def publish(self, _: int) -> None:
        self.store.refresh()
        self.store.catalog.publish()

    def _commit(self, prepare: object, kind: str) -> Commit | None:
        return self.store.commit(prepare, who=self.name, why="killed", kind=kind)  # type: ignore[arg-type]  # one of the two above


def work(root: Path, name: str, log: Path) -> None:
    """Work until the process is killed; the log says why it ended, should it end by itself."""
    try:
        writer = Writer(root, name, log)
        log.write_text("ready\n")
        acts = [writer.take] * 4 + [writer.judge, writer.seal, writer.clean, writer.publish]
        for number in itertools.count():
            writer.random.choice(acts)(number)
    except BaseException:
        with log.open("a") as file:
            traceback.print_exc(file=file)
        raise
