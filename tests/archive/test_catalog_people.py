"""What the catalogue tells of people's words and links, asked for many measurements at once."""

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from speclake.archive.rows import Batch, EventKind
from speclake.measurement import Link, LinkKind
from tests.archive.cataloguing import World
from tests.build import NOON, batch, event, identifier


@pytest.fixture
def world(tmp_path: Path) -> World:
    return World(tmp_path)


def test_events_of_one_kind_come_in_the_order_of_the_chain(world: World) -> None:
    world.add(batch("A1", "A2", "A3"))
    later = event("A1", EventKind.COUNT, NOON + timedelta(hours=1), word="first")
    world.add(Batch(events=(later, event("A2", EventKind.COUNT), event("A3", EventKind.COUNT))))
    world.add(Batch(events=(event("A1", EventKind.NOTE), event("A1", EventKind.COUNT, word="2"))))
    asked = [identifier("A1"), identifier("A2")]
    found = world.catalog.events_among(EventKind.COUNT, asked)
    assert [(e.subject, dict(e.details)) for e in found] == [
        (identifier("A1"), {"word": "first"}), (identifier("A2"), {}),
        (identifier("A1"), {"word": "2"}),
    ]  # fmt: skip
    assert world.catalog.events_among(EventKind.COUNT, []) == []


def test_what_links_to_a_measurement_or_a_name_is_found(world: World) -> None:
    world.add(batch("A1"))
    made = batch("W1", "W2")
    by_id = Link(LinkKind.WITNESS_FOR, identifier("A1"), by_name=False, evidence="run sheet")
    by_name = Link(LinkKind.WITNESS_FOR, "S7", by_name=True, evidence="header")
    other = Link(LinkKind.REPEAT_OF, identifier("A1"), by_name=False, evidence="header")
    first, second = made.measurements
    rows = (replace(first, links=(by_id, other)), replace(second, links=(by_name, by_name)))
    world.add(replace(made, measurements=rows))
    found = world.catalog.linked_to(LinkKind.WITNESS_FOR, [identifier("A1"), "S7", "S8"])
    assert sorted(found) == sorted([(identifier("W1"), identifier("A1")), (identifier("W2"), "S7")])


def test_a_link_that_a_person_adds_later_is_found(world: World) -> None:
    world.add(batch("A1", "W1"))
    said = {"kind": "witness for", "target": identifier("A1")}
    world.add(Batch(events=(replace(event("W1", EventKind.LINK), details=said),)))
    found = world.catalog.linked_to(LinkKind.WITNESS_FOR, [identifier("A1")])
    assert found == [(identifier("W1"), identifier("A1"))]
