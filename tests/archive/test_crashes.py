"""The rule of the commit, proved on a model: several writers, a stop between any two calls.

Nothing that was committed is lost, doubled or half visible, whatever happens between any two
system calls: the process ends, the power fails, or others commit, seal and clean.
"""

import itertools
import shutil
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random
from typing import Any

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from speclake.archive.catalog import Catalog
from speclake.archive.chain import Chain
from speclake.archive.rows import Batch, FileOutcome
from speclake.archive.schemas import ORIGINALS, TABLES
from speclake.archive.store import Store, create
from tests import build
from tests.archive.cataloguing import SMALL, read_at_once
from tests.archive.cataloguing import shown as shown_by
from tests.archive.disks import Crash, Medium, TestDisk
from tests.archive.full import derived
from tests.archive.plaincatalogue import PlainCatalogue, Rows
from tests.archive.shown import shown

WRITERS = 3
names = st.lists(st.sampled_from("ABCDEFGHIJ"), min_size=1, max_size=3, unique=True)
writers = st.integers(0, WRITERS - 1)
happenings = st.sampled_from(
    ["nothing", "process ends", "power fails", "other takes", "other seals", "other cleans"]
)
few_calls, calls_of_a_take, calls_of_a_seal = (st.integers(0, n) for n in (30, 75, 200))


def scan(name: str) -> Any:
    """Spectrum of a name: two grids among them, and one with a missing point."""
    values = [90.0 + ord(name[0]), 0.001, -0.5, 12.345, 7.0][: 4 + ord(name[0]) % 2]
    return build.spectrum([*values, float("nan")] if name == "J" else values)


class _Start:
    """An archive that each run starts with, made once."""

    def __init__(self) -> None:
        self.files: dict[str, bytes] = {}
        self.committed: dict[int, Batch] = {}

    def begin(self, root: Path) -> None:
        if not self.files:
            self.make(root)
            return
        for name, content in self.files.items():
            (root / name).parent.mkdir(parents=True, exist_ok=True)
            (root / name).write_bytes(content)

    def make(self, root: Path) -> None:
        clock = build.Clock(EPOCH)
        store = Store(root, PlainCatalogue, clock=clock)
        for names in ("UV", "W", "X", "Y", "Z"):
            batch = build.batch(*names, of=[scan(name) for name in names])
            commit = store.commit(lambda _, b=batch: b, who="writer", why="start", kind="take")
            assert commit is not None
            self.committed[commit.number] = batch
            clock.move(hours=14)
        store.close()
        self.files = {
            path.relative_to(root).as_posix(): path.read_bytes()
            for path in root.rglob("*")
            if path.is_file()
        }


_START = _Start()
EPOCH = datetime(2100, 3, 10, 12, tzinfo=UTC)  # later than the times of all files


class Archive(RuleBasedStateMachine):
    """Several writers on one archive, and what must be in it."""

    open_catalogue: Any = staticmethod(PlainCatalogue)

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp())
        self.root = self.folder / "archive"
        self.medium = Medium(self.folder / "graveyard")
        self.clock = build.Clock(EPOCH)
        self.stores: list[Store[Any] | None] = [None] * WRITERS
        self.disks = [TestDisk() for _ in range(WRITERS)]
        self.committed: dict[int, Batch] = {}
        self.reported: set[int] = set()
        self.candidate: Batch | None = None
        self.counter = itertools.count()
        self.tokens = itertools.count()
        self.rows = Rows(self.root, shown)
        self.some_days_pass()

    def some_days_pass(self) -> None:
        """Start with commits of three days, so that sealing has something to do in every run."""
        create(self.root)
        _START.begin(self.root)
        self.committed = dict(_START.committed)
        self.reported = set(self.committed)
        self.clock.move(hours=3 * 24)

    def teardown(self) -> None:
        try:
            self.check_whole_archive()
        finally:
            for store in self.stores:
                if store:
                    store.close()
            shutil.rmtree(self.folder)

    # --- what writers do ----------------------------------------------------------------------

    def store(self, writer: int) -> Store[Any]:
        """Store of a writer, opened anew where its process ended."""
        found = self.stores[writer]
        if found is None:
            self.disks[writer] = TestDisk(self.medium, self.tokens)
            found = Store(self.root, self.open_catalogue, disk=self.disks[writer], clock=self.clock)
            self.stores[writer] = found
        return found

    def commit(self, writer: int, prepare: Callable[[Any], Batch | None], kind: str) -> None:
        candidates: list[Batch] = []

        def remembering(catalog: Any) -> Batch | None:
            batch = prepare(catalog)
            self.candidate = batch
            candidates.append(batch or Batch())
            return batch

        done = self.store(writer).commit(
            remembering, who=f"writer {writer}", why="model", kind=kind
        )
        if done:
            self.committed[done.number] = candidates[-1]
            self.reported.add(done.number)

    def take(self, writer: int, wanted: Sequence[str]) -> None:
        def prepare(catalog: Any) -> Batch | None:
            known = catalog.places("spectra", [build.identifier(name) for name in wanted])
            new = [name for name in wanted if build.identifier(name) not in known]
            if not new:
                return None
            batch = build.batch(*new, of=[scan(name) for name in new])
            batch = replace(batch, derived=tuple(derived(name, scan(name)) for name in new))
            axes = catalog.places("axes", [axis.id for axis in batch.axes])
            return replace(batch, axes=tuple(a for a in batch.axes if a.id not in axes))

        self.commit(writer, prepare, "take")

    def seal(self, writer: int) -> None:
        for commit in self.store(writer).seal(self.clock().date(), who="night", why="model"):
            self.reported.add(commit.number)

    def clean(self, writer: int) -> None:
        self.store(writer).clean(timedelta(0))

    # --- what happens meanwhile ---------------------------------------------------------------

    def meanwhile(self, writer: int, what: str, after_calls: int, wanted: Sequence[str]) -> None:
        """Have something happen between two calls of the next operation of a writer."""
        self.store(writer)
        other = (writer + 1) % WRITERS
        acts: dict[str, Callable[[], None]] = {
            "process ends": self.disks[writer].die,
            "power fails": self.disks[writer].die,
            "other takes": lambda: self.take(other, [*wanted, f"N{next(self.counter)}"]),
            "other seals": lambda: self.seal(other),
            "other cleans": lambda: self.clean(other),
        }
        if what in acts:
            self.disks[writer].at_call(after_calls, acts[what])

    def run(
        self,
        writer: int,
        operation: Callable[[], object],
        what: str,
        calls: int,
        data: Any,
        wanted: Sequence[str] = (),
    ) -> None:
        self.meanwhile(writer, what, calls, wanted)
        self.candidate = None
        try:
            operation()
        except Crash:
            candidate = self.candidate
            self.stores[writer] = None
            if what == "power fails":
                self.cut_power(data)
            self.settle(candidate)
        else:
            self.disks[writer].nothing_more()

    def cut_power(self, data: Any) -> None:
        self.stores = [None] * WRITERS
        random = Random(data.draw(st.integers(0, 2**32)))
        self.medium.cut(
            self.root, lambda _: random.random() < 0.7, lambda size: random.randint(0, size)
        )

    def settle(self, candidate: Batch | None) -> None:
        """After a stop: what was reported stands; what was not may stand, whole, or not at all."""
        chain = self.fresh_chain()
        numbers = {commit.number: commit for commit in chain.after(0)}
        assert self.reported <= numbers.keys()
        for number in list(self.committed):
            if number not in numbers:
                del self.committed[number]
        for number, commit in numbers.items():
            if number not in self.committed and commit.kind != "seal":
                assert candidate is not None
                self.committed[number] = candidate

    def fresh_chain(self) -> Chain:
        return Chain(self.root)

    # --- rules --------------------------------------------------------------------------------

    @rule(writer=writers, wanted=names, what=happenings, calls=calls_of_a_take, data=st.data())
    def takes(self, writer: int, wanted: list[str], what: str, calls: int, data: Any) -> None:
        self.run(writer, lambda: self.take(writer, wanted), what, calls, data, wanted)

    @rule(writer=writers, wanted=names, what=happenings, calls=few_calls, data=st.data())
    def judges(self, writer: int, wanted: list[str], what: str, calls: int, data: Any) -> None:
        reason = f"judged for the {next(self.counter)} th time"

        def prepare(catalog: Any) -> Batch | None:
            known = catalog.places("spectra", [build.identifier(name) for name in wanted])
            rows = [build.verdict(n, reason=reason) for n in wanted if build.identifier(n) in known]
            return Batch(verdicts=tuple(rows)) if rows else None

        self.run(writer, lambda: self.commit(writer, prepare, "judge"), what, calls, data)

    @rule(writer=writers, name=st.sampled_from("ABC"), what=happenings, calls=few_calls,
          data=st.data())  # fmt: skip
    def changes(self, writer: int, name: str, what: str, calls: int, data: Any) -> None:
        events = (build.event(name, lot=f"L{next(self.counter)}"),)
        batch = Batch(events=events)
        self.run(writer, lambda: self.commit(writer, lambda _: batch, "change"), what, calls, data)

    @rule(writer=writers, what=happenings, calls=few_calls, data=st.data())
    def refuses(self, writer: int, what: str, calls: int, data: Any) -> None:
        name = f"odd {next(self.counter)}"
        row = build.file_row(name, outcome=FileOutcome.REFUSED, measurements=0, found="n/a")
        batch = Batch(files=(row,), originals={row.sha256: build.original(name)})
        self.run(writer, lambda: self.commit(writer, lambda _: batch, "take"), what, calls, data)

    @rule(writer=writers, what=happenings, calls=calls_of_a_seal, data=st.data())
    def seals(self, writer: int, what: str, calls: int, data: Any) -> None:
        self.run(writer, lambda: self.seal(writer), what, calls, data)

    @rule(writer=writers, what=happenings, calls=few_calls, data=st.data())
    def cleans(self, writer: int, what: str, calls: int, data: Any) -> None:
        self.run(writer, lambda: self.clean(writer), what, calls, data)

    @rule(hours=st.sampled_from([1, 13, 24, 24 * 25]))
    def time_passes(self, hours: int) -> None:
        self.clock.move(hours=hours)

    @rule(writer=writers)
    def opens_again(self, writer: int) -> None:
        if store := self.stores[writer]:
            store.close()
        self.stores[writer] = None

    @rule(data=st.data())
    def power_fails(self, data: Any) -> None:
        self.cut_power(data)
        self.settle(None)

    # --- what must hold -----------------------------------------------------------------------

    @invariant()
    def every_row_is_there_once(self) -> None:
        found = self.rows.read(self.fresh_chain())
        batches = [self.committed[number] for number in sorted(self.committed)]
        for table in TABLES:
            expected = [shown(row) for batch in batches for row in getattr(batch, table)]
            if table == "spectra":  # which stand in the order of the measurements
                expected = [
                    shown(row)
                    for batch in batches
                    for m in batch.measurements
                    for row in batch.spectra
                    if row.measurement_id == m.measurement_id
                ]
            assert found.get(table, []) == expected, table
        originals = sorted(name for batch in batches for name in batch.originals)
        assert sorted(found.get(ORIGINALS, [])) == originals

    def check_whole_archive(self) -> None:
        store = Store(self.root, self.open_catalogue, clock=self.clock)
        assert [d for d in store.verify() if not d.left_over] == []
        store.refresh()
        measured = [m for batch in self.committed.values() for m in batch.measurements]
        found: dict[str, list[float]] = {}
        for spectra in store.spectra([m.measurement_id for m in measured]):
            found |= dict(zip(spectra.keys, spectra.values.tolist(), strict=True))
        for m in measured:
            expected = scan(m.sample or "").values.tolist()
            assert repr(found[m.measurement_id]) == repr(expected)
            assert store.original(m.scan_sha256) == build.original(m.sample or "")
        store.clean(timedelta(0))
        # a half built snapshot may be another process's, so it is left alone for an hour
        assert [d for d in store.verify() if not d.path.startswith("catalog/.building-")] == []
        store.close()


class CataloguedArchive(Archive):
    """The same with the DuckDB catalogue, which must show what a rebuild would."""

    open_catalogue: Any = staticmethod(
        lambda root, _, disk: Catalog(root, disk=disk, resources=SMALL)
    )

    @rule(writer=writers, what=happenings, calls=few_calls, data=st.data())
    def publishes(self, writer: int, what: str, calls: int, data: Any) -> None:
        def publish() -> None:
            store = self.store(writer)
            store.refresh()
            store.catalog.publish()

        self.run(writer, publish, what, calls, data)

    @rule(writer=writers, what=happenings, calls=few_calls, data=st.data())
    def rebuilds(self, writer: int, what: str, calls: int, data: Any) -> None:
        self.run(writer, lambda: self.store(writer).rebuild(), what, calls, data)

    @invariant()
    def catalogues_show_what_a_rebuild_would(self) -> None:
        stores = [store for store in self.stores if store]
        if not stores:
            return
        expected = read_at_once(self.root, 20_000, 500)
        for store in stores:
            store.refresh()
            assert shown_by(store.catalog) == expected
            assert store.catalog.notes == () or self.has_lost_power

    has_lost_power = False

    def cut_power(self, data: Any) -> None:
        self.has_lost_power = True
        super().cut_power(data)


Archive.TestCase.settings = settings(
    max_examples=25,
    stateful_step_count=15,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
CataloguedArchive.TestCase.settings = settings(
    Archive.TestCase.settings, max_examples=6, stateful_step_count=12
)
TestArchive = Archive.TestCase
TestCataloguedArchive = CataloguedArchive.TestCase
