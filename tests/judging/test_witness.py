"""Witness pieces that stand for a part."""

import pytest
from pydantic import ValidationError

from speclake.specs import Outcome
from speclake.specs.rollup import Repeats, Witness
from tests.judging.pieces import MEAN, at, part, spec

DENSE = MEAN.model_copy(update={"id": "T low", "at_least": "80.0"})
BY_RUN = Witness(stands_for="coating run", requirements=("T mean",))
NAME = "witness piece W3 of coating run R7"


def test_the_verdict_of_a_witness_piece_counts_and_is_told():
    rule = spec(MEAN, DENSE, witness=BY_RUN)
    found = part(rule, (95.0, at("1")), witnesses=[(NAME, 95.0, at())])
    assert (found.outcome, found.missing) == (Outcome.PASS, ())
    assert found.remarks == (f"{NAME} stands in for T mean",)
    failed = part(rule, (95.0, at("1")), witnesses=[(NAME, 90.0, at())])
    assert failed.outcome is Outcome.FAIL
    assert failed.reasons == (
        f"T mean: fail of {NAME}, found 90.00 %T, because it lies below the lower limit",
    )


def test_it_counts_only_for_the_requirements_that_are_named():
    found = part(spec(MEAN, DENSE, witness=BY_RUN), (95.0, at()), witnesses=[(NAME, 70.0, at())])
    assert [each.requirement for each in found.numbers if each.outcome is Outcome.FAIL] == [
        "T mean"
    ]


def test_it_counts_for_nobody_unless_the_specification_says_so():
    assert part(spec(), (95.0, at()), witnesses=[(NAME, 90.0, at())]).outcome is Outcome.PASS


def test_a_witness_piece_never_outweighs_the_part():
    found = part(spec(witness=BY_RUN), (90.0, at()), witnesses=[(NAME, 95.0, at())])
    assert found.outcome is Outcome.FAIL


def test_where_the_part_cannot_answer_its_witness_piece_does():
    found = part(spec(witness=BY_RUN), (None, at()), witnesses=[(NAME, 95.0, at())])
    assert found.outcome is Outcome.PASS
    assert part(spec(witness=BY_RUN), (None, at())).outcome is Outcome.NOT_MEASURABLE


def test_a_part_that_neither_answers_itself_nor_has_a_witness_piece_is_incomplete():
    at_45 = MEAN.model_copy(update={"angle_deg": 45.0})
    rule = spec(at_45, DENSE, witness=BY_RUN)
    found = part(rule, (95.0, at(angle_deg=8.0)))
    assert found.outcome is Outcome.INCOMPLETE
    assert found.missing == ("a verdict on T mean of a witness piece",)
    piece = (NAME, 95.0, at(angle_deg=45.0, polarisation="s"))
    stood_in = part(rule, (95.0, at(angle_deg=8.0)), witnesses=[piece])
    assert stood_in.outcome is Outcome.PASS


def test_a_witness_piece_needs_not_the_sites_of_the_part():
    rule = spec(MEAN, DENSE, witness=BY_RUN, sites=["1", "2"])
    scans = [(95.0, at("1")), (95.0, at("2"))]
    assert part(rule, *scans, witnesses=[(NAME, 95.0, at())]).outcome is Outcome.PASS


def test_repeats_of_a_witness_piece_are_repeats():
    twice = [(NAME, 90.0, at()), (NAME, 95.0, at())]
    found = part(spec(witness=BY_RUN), (95.0, at()), witnesses=twice)
    assert found.outcome is Outcome.FAIL
    assert found.remarks[-1] == f"{NAME} was measured 2 times: fail, then pass; each counts"
    chosen = part(
        spec(witness=BY_RUN, repeats=Repeats(count="latest")), (95.0, at()), witnesses=twice,
        choices=[("p1", "op 1", "wrong side up")],
    )  # fmt: skip
    assert chosen.outcome is Outcome.PASS
    assert "found and not counted: fail" in chosen.remarks[-1]


def test_two_witness_pieces_are_no_repeats_and_both_count():
    pieces = [(NAME, 95.0, at()), ("witness piece W4", 90.0, at())]
    found = part(spec(witness=BY_RUN), (95.0, at()), witnesses=pieces)
    assert found.outcome is Outcome.FAIL
    assert found.repeated == ()


def test_what_only_a_witness_piece_answers_need_not_be_among_the_needs():
    at_45 = MEAN.model_copy(update={"angle_deg": 45.0})
    assert spec(at_45, witness=BY_RUN, angles_deg=[8]).requirements
    with pytest.raises(ValidationError, match="with 45"):
        spec(at_45, angles_deg=[8])


def test_a_requirement_that_does_not_exist_is_refused():
    with pytest.raises(ValidationError, match="'T max' is none"):
        spec(witness=Witness(stands_for="lot", requirements=("T max",)))
    with pytest.raises(ValidationError):
        Witness(stands_for="lot", requirements=())
