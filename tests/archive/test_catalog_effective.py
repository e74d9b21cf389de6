"""Measurements as the catalogue shows them, after what people and later rows said of them."""

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from speclake.archive.catalog import Query
from speclake.archive.rows import Batch, EventKind
from speclake.measurement import Kind, Link, LinkKind
from speclake.specs.verdicts import SEVERITY, Outcome
from tests.archive.cataloguing import World
from tests.build import (
    NOON,
    batch,
    event,
    identifier,
    measurement,
    verdict,
)


@pytest.fixture
def world(tmp_path: Path) -> World:
    return World(tmp_path)


def with_measurements(*changed: dict[str, object], judged: bool = False) -> Batch:
    """Batch of measurements with the given facts; ``name`` names them."""
    names = [str(facts.pop("name")) for facts in changed]
    made = batch(*names, judged=judged)
    rows = tuple(replace(m, **facts) for m, facts in zip(made.measurements, changed, strict=True))
    return replace(made, measurements=rows)


def test_a_measurement_comes_back_as_it_was_taken_in(world: World) -> None:
    header = {"Operator": "A. Person", "Slit": "2 nm", "empty": ""}
    world.add(with_measurements({"name": "A1", "header": header, "notes": ("a note",)}))
    assert world.catalog.measurements([identifier("A1")]) == [
        replace(measurement("A1"), header=header, notes=("a note",))
    ]


def test_assigning_sets_fields_says_by_whom_and_strikes_what_was_unresolved(world: World) -> None:
    world.add(
        with_measurements(
            {
                "name": "A1",
                "sample": None,
                "kind": Kind.UNKNOWN,
                "origin": {"lot": "header"},
                "unresolved": (
                    "kind: nothing says what was in the beam",
                    "sample or serial: neither header, name nor run sheet gives it",
                    "site: header says '1'; pattern bench says '2'",
                ),
            }
        )
    )
    assert world.catalog.row(identifier("A1"))["unassigned"]
    world.add(
        Batch(
            events=(
                event("A1", serial="S 7", x_mm="1.5", bounces="2", smoothed="yes"),
                event("A1", EventKind.NOTE, lot="not an assignment"),
            )
        )
    )
    found = world.catalog.measurements([identifier("A1")])[0]
    assert (found.serial, found.x_mm, found.bounces, found.smoothed) == ("S 7", 1.5, 2, True)
    assert found.origin["serial"] == "assigned by operator"
    assert found.origin["lot"] == "header"
    assert found.lot is None
    assert [entry.split(":")[0] for entry in found.unresolved] == ["kind", "site"]
    assert world.catalog.row(identifier("A1"))["unassigned"]

    details = {"kind": "part", "site": "2"}
    world.add(Batch(events=(replace(event("A1", at=NOON + timedelta(1)), details=details),)))
    found = world.catalog.measurements([identifier("A1")])[0]
    assert (found.kind, found.site, found.unresolved) == (Kind.PART, "2", ())
    assert not world.catalog.row(identifier("A1"))["unassigned"]
    assert world.catalog.count(Query(unassigned=False, serial="S 7")) == 1


def test_the_last_assignment_counts_and_an_empty_text_clears(world: World) -> None:
    world.add(batch("A1"))
    world.add(Batch(events=(event("A1", lot="L1"), event("A1", lot="L2", at=NOON + timedelta(1)))))
    assert world.catalog.row(identifier("A1"))["lot"] == "L2"
    world.add(Batch(events=(event("A1", lot=""),)))
    assert world.catalog.row(identifier("A1"))["lot"] is None


def test_text_that_is_no_value_of_the_field_changes_nothing(world: World) -> None:
    world.add(with_measurements({"name": "A1", "x_mm": 3.0, "unresolved": ("y_mm: unknown",)}))
    world.add(
        Batch(
            events=(
                event("A1", x_mm="three", y_mm="left", bounces="1.5", substrate_thickness_mm="1_5"),
            )
        )
    )
    found = world.catalog.measurements([identifier("A1")])[0]
    assert (found.x_mm, found.y_mm, found.bounces) == (3.0, None, None)
    assert found.substrate_thickness_mm is None
    assert found.unresolved == ("y_mm: unknown",)
    assert found.origin == {}


def test_a_part_that_names_no_part_is_unassigned(world: World) -> None:
    world.add(with_measurements({"name": "A1", "sample": None, "kind": Kind.PART}))
    world.add(with_measurements({"name": "A2", "sample": None, "kind": Kind.BLANK}))
    found = world.catalog.search(Query(unassigned=True))
    assert found["measurement_id"].to_list() == [identifier("A1")]


def test_withdrawn_measurements_are_hidden_shown_or_picked_out(world: World) -> None:
    world.add(batch("A1", "A2"))
    world.add(Batch(events=(event("A1", EventKind.WITHDRAW),)))
    ids = {
        how: set(world.catalog.search(Query(withdrawn=how))["measurement_id"])  # type: ignore[arg-type]  # a literal
        for how in ("hide", "show", "only")
    }
    one, two = identifier("A1"), identifier("A2")
    assert ids == {"hide": {two}, "show": {one, two}, "only": {one}}
    row = world.catalog.row(one)
    assert (row["withdrawn_by"], row["withdrawn_why"]) == ("operator", "read from the run sheet")
    world.add(Batch(events=(event("A1", EventKind.REINSTATE),)))
    row = world.catalog.row(one)
    assert (row["withdrawn"], row["withdrawn_by"], row["withdrawn_why"]) == (False, None, None)
    assert [e.kind for e in world.catalog.events(one)] == [EventKind.WITHDRAW, EventKind.REINSTATE]


def test_a_superseded_measurement_comes_back_when_its_successor_is_withdrawn(world: World) -> None:
    world.add(batch("old"))
    world.catalog.publish()
    link = Link(LinkKind.SUPERSEDES, identifier("old"), by_name=False, evidence="same file")
    world.add(with_measurements({"name": "new", "links": (link,)}))
    assert world.catalog.row(identifier("old"))["superseded_by"] == identifier("new")
    assert set(world.catalog.search(Query())["sample"]) == {"new"}
    assert set(world.catalog.search(Query(superseded="only"))["sample"]) == {"old"}
    world.add(Batch(events=(event("new", EventKind.WITHDRAW),)))
    assert world.catalog.row(identifier("old"))["superseded_by"] is None
    world.add(Batch(events=(event("new", EventKind.REINSTATE),)))
    assert world.catalog.row(identifier("old"))["superseded_by"] == identifier("new")


def test_a_link_may_be_added_later_as_an_event(world: World) -> None:
    world.add(batch("A1", "A2"))
    said = {"kind": "measured against", "target": "baseline of monday", "by_name": "true"}
    world.add(Batch(events=(replace(event("A1", EventKind.LINK), details=said),)))
    found = world.catalog.measurements([identifier("A1")])[0]
    assert found.links == (
        Link(
            LinkKind.MEASURED_AGAINST,
            "baseline of monday",
            by_name=True,
            evidence="read from the run sheet",
        ),
    )


def test_a_conflict_holds_for_both_parties_until_one_is_settled(world: World) -> None:
    world.add(batch("A1", "A2"))
    world.catalog.publish()
    link = Link(LinkKind.SAME_VALUES_AS, identifier("A1"), by_name=False, evidence="site")
    world.add(with_measurements({"name": "B1", "links": (link,), "conflict": "the same as A1"}))
    parties = {identifier("A1"), identifier("B1")}
    assert set(world.catalog.search(Query(in_conflict=True))["measurement_id"]) == parties
    assert world.catalog.totals()["in_conflict"] == 2
    world.add(Batch(events=(event("A1", EventKind.SETTLE_CONFLICT),)))
    assert world.catalog.count(Query(in_conflict=True)) == 0
    assert world.catalog.row(identifier("B1"))["conflict"] is None


def test_a_conflict_that_comes_after_a_settlement_is_not_settled_by_it(world: World) -> None:
    world.add(batch("A1"))
    world.add(Batch(events=(event("A1", EventKind.SETTLE_CONFLICT),)))
    link = Link(LinkKind.SAME_VALUES_AS, identifier("A1"), by_name=False, evidence="site")
    world.add(with_measurements({"name": "B1", "links": (link,), "conflict": "the same as A1"}))
    assert world.catalog.count(Query(in_conflict=True)) == 2


def test_twins_without_a_conflict_are_no_parties(world: World) -> None:
    world.add(batch("A1"))
    link = Link(LinkKind.SAME_VALUES_AS, identifier("A1"), by_name=False, evidence="bit for bit")
    world.add(with_measurements({"name": "B1", "links": (link,)}))
    assert world.catalog.count(Query(in_conflict=True)) == 0


@pytest.mark.parametrize("worse", SEVERITY[:-1])
def test_the_outcome_is_the_worst_of_the_current_verdicts(world: World, worse: Outcome) -> None:
    world.add(batch("A1", "A2", judged=False))
    assert world.catalog.row(identifier("A1"))["outcome"] is None
    said = [verdict("A1", requirement=f"r{i}") for i in range(3)]
    world.add(Batch(verdicts=(said[0], replace(said[1], outcome=worse), said[2])))
    assert world.catalog.row(identifier("A1"))["outcome"] == worse
    assert world.catalog.row(identifier("A2"))["outcome"] is None
    world.add(Batch(verdicts=(said[1],)))
    assert world.catalog.row(identifier("A1"))["outcome"] == "pass"
    assert world.catalog.verdicts([identifier("A1")], current=False).height == 4
    assert world.catalog.verdicts([identifier("A1")]).height == 3


def test_a_requirement_that_a_new_version_lacks_does_not_linger(world: World) -> None:
    world.add(batch("A1", judged=False))
    old = [verdict("A1", requirement=name, outcome=Outcome.FAIL) for name in ("kept", "dropped")]
    other = verdict("A1", spec="in house", requirement="dropped", outcome=Outcome.UNDECIDED)
    world.add(Batch(verdicts=(*old, other)))
    world.catalog.publish()
    world.add(Batch(verdicts=(verdict("A1", requirement="kept", spec_version="B"),)))
    now = world.catalog.verdicts([identifier("A1")])
    assert list(zip(now["spec"], now["requirement"], now["outcome"], strict=True)) == [
        ("in house", "dropped", "undecided"),
        ("window", "kept", "pass"),
    ]
    assert world.catalog.row(identifier("A1"))["outcome"] == "undecided"


def test_what_is_said_of_an_unknown_measurement_changes_none(world: World) -> None:
    world.add(batch("A1"))
    world.add(
        Batch(
            events=(event("nobody", lot="L1"),),
            verdicts=(verdict("nobody", outcome=Outcome.FAIL),),
        )
    )
    assert world.catalog.row(identifier("A1"))["outcome"] == "pass"
    assert world.catalog.totals()["measurements"] == 1
    assert len(world.catalog.events(identifier("nobody"))) == 1
