"""Sampling plans as a specification states them, or takes them from a table."""

from decimal import Decimal

import pytest
from pydantic import ValidationError

from speclake.specs.sampling import Lot, Plan, tabled_plan

TABLED = {"table": "MIL-STD-105E single normal", "level": "II", "aql_percent": "1.0"}
STATED = {"sample_size": 20, "accept": 1, "source": "drawing 7"}


def test_without_a_word_every_part_counts():
    assert not Lot().is_sampled
    assert Lot().plan(1000) is None
    assert Lot(size=12).plan(None) is None


def test_a_stated_plan_holds_for_any_size_and_never_for_more_parts_than_there_are():
    assert Lot(**STATED).plan(None) == Plan(20, 1, "drawing 7")
    assert Lot(**STATED).plan(500) == Plan(20, 1, "drawing 7")
    assert Lot(**STATED).plan(8) == Plan(8, 1, "drawing 7")


def test_a_plan_of_a_table_follows_the_size_of_the_lot():
    lot = Lot(**TABLED)
    assert lot.plan(None) is None
    assert lot.plan(1000)[:2] == (80, 2)
    assert lot.plan(10)[:2] == (10, 0), "as many as the plan of 13 asks for and the lot has"
    assert lot.plan(1)[:2] == (1, 0)
    assert Lot(**TABLED, size=1000).plan(None)[:2] == (80, 2)
    assert Lot(**TABLED, size=1000).plan(100)[:2] == (13, 0), "the size at hand goes before"


def test_the_source_of_a_plan_says_table_level_letter_and_that_it_is_from_memory():
    source = Lot(**TABLED).plan(1000).source
    for said in ("MIL-STD-105E", "ISO 2859-1", "from memory", "level II", "1.0 %", "letter J"):
        assert said in source


def test_an_arrow_leads_to_the_next_plan_with_its_own_sample_size():
    assert tabled_plan(20, "II", Decimal("1.0"))[:2] == (13, 0)  # letter C, downwards
    assert tabled_plan(200, "II", Decimal("1.0"))[:2] == (50, 1)  # letter G, downwards
    assert tabled_plan(130, "II", Decimal("1.0"))[:2] == (13, 0)  # letter F, upwards


@pytest.mark.parametrize(
    "written",
    [
        {"sample_size": 20}, STATED | TABLED, STATED | {"accept": 20}, STATED | {"size": 10},
        TABLED | {"aql_percent": "1.1"}, TABLED | {"level": "IV"}, {"level": "II"},
        TABLED | {"size": 1}, {"sample_size": 20, "accept": 1, "source": ""},
    ],
)  # fmt: skip
def test_plans_that_contradict_themselves_are_refused(written):
    with pytest.raises(ValidationError):
        Lot(**written)


def test_no_lot_is_so_small_that_all_of_its_parts_may_fail():
    stated = Lot(sample_size=20, accept=3, source="drawing 7")
    assert [stated.plan(size)[:2] for size in (2, 3, 4, 30)] == [(2, 0), (3, 0), (4, 3), (20, 3)]
