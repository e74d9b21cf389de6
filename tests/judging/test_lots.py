"""A lot from its parts: all of them, or a sample by a plan."""

import pytest

from speclake.judging import LotPart, PartVerdict, lot_outcome
from speclake.specs import Outcome
from speclake.specs.sampling import Lot

P, F, U, N, LACKS = (
    Outcome.PASS, Outcome.FAIL, Outcome.UNDECIDED, Outcome.NOT_MEASURABLE, Outcome.INCOMPLETE,
)  # fmt: skip
PLAN = Lot(sample_size=4, accept=1, source="drawing 7")


def parts(*outcomes):
    return [
        LotPart(f"S{number}", PartVerdict(outcome, (), (), ()))
        for number, outcome in enumerate(outcomes)
    ]


@pytest.mark.parametrize(
    ("outcomes", "outcome"),
    [
        ([P, P, P, P], P), ([P, F, P, P], P), ([F, P, F, P], F),
        ([P, P, P], LACKS), ([F, F], F), ([P, P, P, LACKS], LACKS), ([F, P, P, LACKS], LACKS),
        ([P, P, P, U], P), ([P, F, P, U], U), ([P, P, U, N], N), ([F, P, P, N], N),
        ([P, P, P, P, F, F], P), ([P, F, P, P, F], P),
    ],
)  # fmt: skip
def test_a_sample_stands_for_the_lot(outcomes, outcome):
    assert lot_outcome(parts(*outcomes), PLAN).outcome is outcome


def test_which_parts_are_the_sample_is_told_and_what_failed_beyond_it():
    found = lot_outcome(parts(P, F, P, P, F, P), PLAN)
    assert found.sample == ("S0", "S1", "S2", "S3")
    assert found.beyond == ("S4", "S5")
    assert found.reasons == (
        "1 of the sample of 4 fail, and up to 1 may (drawing 7)",
        "not of the sample, and fail: S4",
    )
    assert found.parts == {P: 4, F: 2}


def test_a_sample_that_is_too_small_is_missing_parts():
    found = lot_outcome(parts(P, P, LACKS), PLAN)
    assert found.missing == ("2 of 4 parts of the sample",)


def test_without_its_size_a_lot_has_no_plan_of_a_table():
    tabled = Lot(table="MIL-STD-105E single normal", level="II", aql_percent="2.5")
    found = lot_outcome(parts(P, P, P, P, P), tabled)
    assert found.outcome is LACKS
    assert found.missing == ("the size of the lot, by which the plan is chosen",)
    known = lot_outcome(parts(P, P, P, P, P), tabled, size=20)
    assert (known.outcome, known.plan[:2]) == (P, (5, 0))
    # five parts of which 2.5 % do not conform: 0.975 to the power of 5 is 0.881
    assert known.reasons[-1].endswith("accepted by this plan with a probability of 88 %")


def test_a_lot_of_which_all_parts_count_is_incomplete_while_there_are_fewer():
    assert lot_outcome(parts(P, P)).outcome is P
    found = lot_outcome(parts(P, P), Lot(size=3))
    assert (found.outcome, found.missing) == (LACKS, ("1 of 3 parts of the lot",))
    assert lot_outcome(parts(P, F), Lot(size=3)).outcome is F
    assert lot_outcome(parts(P, P, P), Lot(size=9), size=3).outcome is P


def test_a_lot_without_parts_has_no_outcome():
    assert lot_outcome([], PLAN).outcome is None
