"""However a catalogue came about, it shows the same: commit by commit, at once, by snapshots."""

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from speclake.archive.catalog import Query
from speclake.archive.rows import Batch, EventKind, EventRow
from speclake.measurement import Link, LinkKind, Measurement
from speclake.specs.verdicts import Outcome, Verdict, worst
from tests.archive.cataloguing import World, read_at_once, shown
from tests.build import batch, event, identifier, verdict

NAMES = "abcde"
name = st.sampled_from(NAMES)
Act = tuple[str, ...]
act = st.one_of(
    st.tuples(st.just("measure"), name),
    st.tuples(st.just("measure"), name),
    st.tuples(st.just("twin"), name, name),
    st.tuples(st.just("replacement"), name, name),
    st.tuples(
        st.just("judge"),
        name,
        st.sampled_from(["window", "in house"]),
        st.sampled_from("AB"),
        st.sampled_from("rs"),
        st.sampled_from([Outcome.PASS, Outcome.FAIL, Outcome.UNDECIDED]),
    ),
    st.tuples(st.just("assign"), name, st.sampled_from(["L1", "L2", ""])),
    st.tuples(st.sampled_from(["withdraw", "reinstate", "settle", "review", "release"]), name),
    st.tuples(st.just("supersede"), name, name),
)
step = st.one_of(
    st.lists(act, min_size=1, max_size=4),
    st.lists(act, min_size=1, max_size=4),
    st.sampled_from(["show", "publish", "seal", "open again"]),
)


@dataclass
class Known:
    """What the rules of `speclake.archive.catalog.effective` say of one measurement."""

    lot: str | None = None
    withdrawn: bool = False
    in_review: bool = False
    conflict: bool = False
    twins: list[str] = field(default_factory=list)
    verdicts: dict[str, tuple[str, dict[str, Outcome]]] = field(default_factory=dict)

    @property
    def outcome(self) -> Outcome | None:
        return worst(o for _, by_name in self.verdicts.values() for o in by_name.values())


@dataclass
class Model:
    """The same rules again, in the plainest way: one dictionary, one act after the other."""

    known: dict[str, Known] = field(default_factory=dict)
    order: list[tuple[str, str]] = field(default_factory=list)
    """Links by which one supersedes another, in the order in which they were made."""

    def commit(self, acts: Sequence[Act]) -> None:
        for kind in ("measure", "twin", "replacement"):
            for each in acts:
                if each[0] == kind:
                    self._take(*each)
        for it in self.known.values():  # a link to what is not there yet binds nobody
            it.twins = [name for name in it.twins if name in self.known]
        for each in acts:
            if each[1] in self.known:
                self._happen(*each)

    def _take(self, kind: str, of: str, target: str = "") -> None:
        if of in self.known:
            return
        self.known[of] = Known(conflict=kind == "twin", twins=[target] if kind == "twin" else [])

    def _happen(self, kind: str, of: str, *more: str) -> None:
        it = self.known[of]
        if kind == "assign":
            it.lot = more[0] or None
        elif kind in ("withdraw", "reinstate"):
            it.withdrawn = kind == "withdraw"
        elif kind in ("review", "release"):
            it.in_review = kind == "review"
        elif kind == "settle":
            for other in self.known.values():
                if other is it or of in other.twins:
                    other.conflict = False
        elif kind == "judge":
            spec, version, requirement, outcome = more
            before = it.verdicts.get(spec)
            kept = before[1] if before and before[0] == version else {}
            it.verdicts[spec] = version, kept | {requirement: Outcome(outcome)}

    def superseded_by(self, of: str) -> str | None:
        makers = [s for s, t in self.order if t == of and not self.known[s].withdrawn]
        return makers[-1] if makers else None

    def in_conflict(self, of: str) -> bool:
        return self.known[of].conflict or any(
            other.conflict and of in other.twins and not other.withdrawn
            for other in self.known.values()
        )


def rows_of(acts: Sequence[Act], model: Model, number: int) -> Batch:
    """Batch of a commit, told to the model too; what is measured twice in it is left out."""
    made: dict[str, Measurement] = {}
    events: list[EventRow] = []
    verdicts: list[Verdict] = []
    acts = _once(acts)
    already = set(model.known)
    model.commit(acts)
    for i, (kind, of, *more) in enumerate(acts):
        at = timedelta(seconds=100 * number + i)
        if kind in ("measure", "twin", "replacement"):
            made[of] = _measured(kind, of, more)
            if kind == "replacement" and of not in already and more[0] in model.known:
                model.order.append((of, more[0]))
        elif kind == "judge":
            spec, version, requirement, outcome = more
            verdicts.append(
                verdict(
                    of,
                    spec=spec,
                    spec_version=version,
                    requirement=requirement,
                    outcome=Outcome(outcome),
                )
            )
        else:
            events.append(_event(kind, of, more, at))
    for kind, of, *more in acts:
        if kind == "supersede" and of in model.known and more[0] in model.known:
            model.order.append((of, more[0]))
    scans = batch(*made, with_axes=number == 0, judged=False)
    return replace(
        scans,
        measurements=tuple(made[m.file.removesuffix(".csv")] for m in scans.measurements),
        events=tuple(events),
        verdicts=tuple(verdicts),
    )


def _once(acts: Sequence[Act]) -> list[Act]:
    taken: set[str] = set()
    kept = []
    for each in acts:
        if each[0] in ("measure", "twin", "replacement"):
            if each[1] in taken:
                continue
            taken.add(each[1])
        kept.append(each)
    return kept


def _measured(kind: str, of: str, more: Sequence[str]) -> Measurement:
    plain = batch(of).measurements[0]
    if kind == "measure":
        return plain
    link = LinkKind.SAME_VALUES_AS if kind == "twin" else LinkKind.SUPERSEDES
    return replace(
        plain,
        conflict="the same values" if kind == "twin" else None,
        links=(Link(link, identifier(more[0]), by_name=False, evidence=""),),
    )


def _event(kind: str, of: str, more: Sequence[str], at: timedelta) -> EventRow:
    kinds = {
        "assign": EventKind.ASSIGN,
        "withdraw": EventKind.WITHDRAW,
        "reinstate": EventKind.REINSTATE,
        "settle": EventKind.SETTLE_CONFLICT,
        "review": EventKind.PUT_ASIDE,
        "release": EventKind.RELEASE,
        "supersede": EventKind.LINK,
    }
    made = event(of, kinds[kind])
    details = {"assign": lambda: {"lot": more[0]}, "supersede": lambda: {
        "kind": "supersedes", "target": identifier(more[0])}}.get(kind, dict)()  # fmt: skip
    return replace(made, event_id=identifier(f"{kind} {of} {at}"), at=made.at + at, details=details)


def check_against_model(world: World, model: Model) -> None:
    found = {
        row["sample"]: row
        for row in world.catalog.search(
            Query(withdrawn="show", superseded="show", limit=None)
        ).to_dicts()
    }
    assert set(found) == set(model.known)
    for of, it in model.known.items():
        row = found[of]
        successor = model.superseded_by(of)
        assert row["lot"] == it.lot
        assert row["withdrawn"] == it.withdrawn
        assert row["in_review"] == it.in_review
        assert row["outcome"] == it.outcome
        assert row["in_conflict"] == model.in_conflict(of)
        assert row["superseded_by"] == (identifier(successor) if successor else None)


@pytest.mark.timeout(400)  # a dozen archives, each read three ways, on a busy machine
@settings(
    max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow], print_blob=True
)
@given(st.lists(step, min_size=1, max_size=7), st.sampled_from([1, 2, 1000]), st.booleans())
@example([[("measure", "a"), ("judge", "a", "window", "A", "r", Outcome.FAIL)], "publish",
          [("judge", "a", "window", "B", "s", Outcome.PASS)],
          [("judge", "a", "window", "A", "s", Outcome.PASS)], "seal", "publish",
          [("twin", "b", "a"), ("replacement", "c", "a")], [("settle", "a")]], 2, True)  # fmt: skip
def test_every_way_to_a_catalogue_shows_the_same(
    steps: list[list[Act] | str], most_commits: int, shows_each: bool
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        world, model = World(Path(folder)), Model()
        for each in steps:
            if isinstance(each, list):
                made = rows_of(each, model, world.catalog.number)
                world.clock.move(hours=11)
                world.store.commit(lambda _, made=made: made, who="a", why="b", kind="c")  # type: ignore[misc]  # bound at once
                if shows_each:
                    world.catalog.refresh()
            elif each == "show":
                world.catalog.refresh()
            elif each == "publish":
                world.catalog.publish()
            elif each == "seal":
                world.store.seal(world.clock.time.date(), who="a", why="b")
                world.store.clean(timedelta(0))
            else:
                world.store.close()
                world = _again(world)
        world.catalog.refresh()
        check_against_model(world, model)
        seen = shown(world.catalog)
        assert read_at_once(world.root, 1000, most_commits) == seen
        world.catalog.rebuild()
        assert shown(world.catalog) == seen
        assert world.catalog.notes == ()
        world.store.close()


def _again(world: World) -> World:
    again = World(world.root)
    again.clock = world.clock
    return again
