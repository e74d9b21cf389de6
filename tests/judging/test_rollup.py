"""Parts and lots."""

import pytest

from speclake.judging import LotPart, lot_outcome
from speclake.measurement import Kind
from speclake.specs import Outcome
from tests.judging.pieces import MEAN, at, part, spec


def test_a_part_has_the_worst_outcome_of_its_verdicts():
    good, bad, hole = (95.0, at("1")), (90.0, at("2")), (None, at("3"))
    assert part(spec(), good).outcome is Outcome.PASS
    assert part(spec(), good, hole).outcome is Outcome.NOT_MEASURABLE
    found = part(spec(), good, hole, bad)
    assert found.outcome is Outcome.FAIL
    assert [v.measurement_id for v in found.deciding] == ["m2"]
    assert found.reasons == (
        "T mean: not measurable at site 3, the value at 420 nm is missing",
        "T mean: fail at site 2, found 90.00 %T, because it lies below the lower limit",
    )


@pytest.mark.parametrize(
    ("needs", "missing"),
    [
        ({"sites": ["1", "2", "3"]}, ("site 3",)),
        ({"sites": 3}, ("1 of 3 sites (2 measured)",)),
        ({"sides": ["front", "back"]}, ("side back",)),
        ({"angles_deg": [8, 45]}, ("45°",)),
        ({"polarisations": ["s", "p"]}, ("polarisation p",)),
        ({"stages": ["annealed"]}, ("stage annealed",)),
        ({"sites": ["1", "2"], "sides": ["front", "back"]},
         ("site 1, side back", "site 2, side back")),
    ],
)  # fmt: skip
def test_a_part_that_lacks_something_is_incomplete_and_never_a_pass(needs, missing):
    known = {"side": "front", "angle_deg": 8.2, "polarisation": "S", "stage": "as coated"}
    found = part(spec(**needs), (95.0, at("1", **known)), (95.0, at("2", **known)))
    assert found.outcome is Outcome.INCOMPLETE
    assert found.missing == missing
    assert found.reasons == tuple(f"missing: {each}" for each in missing)


def test_a_complete_part_passes():
    needs = {"sites": ["1", "2"], "sides": ["front"], "angles_deg": [8]}
    scans = [(95.0, at(site, side="front", angle_deg=8.0)) for site in ("1", "2")]
    found = part(spec(**needs), *scans)
    assert (found.outcome, found.missing, found.reasons) == (Outcome.PASS, (), ())


def test_a_failed_part_fails_even_if_something_is_missing():
    found = part(spec(sites=2), (90.0, at("1")))
    assert found.outcome is Outcome.FAIL
    assert found.missing == ("1 of 2 sites (1 measured)",)


def test_a_spectrum_of_unknown_site_fills_no_place():
    assert part(spec(sites=2), (95.0, at("1")), (95.0, at())).missing == (
        "1 of 2 sites (1 measured)",
    )
    assert part(spec(sites=["1"]), (95.0, at())).outcome is Outcome.INCOMPLETE


def test_the_same_site_twice_is_one_site():
    assert part(spec(sites=2), (95.0, at("1")), (95.0, at("1 "))).missing == (
        "1 of 2 sites (1 measured)",
    )


def test_a_part_without_a_spectrum_is_incomplete():
    found = part(spec())
    assert (found.outcome, found.missing) == (Outcome.INCOMPLETE, ("a spectrum of the part",))


def test_blanks_and_references_do_not_complete_a_part():
    found = part(spec(sites=["1"]), (95.0, at("1", kind=Kind.REFERENCE)))
    assert (found.outcome, found.missing) == (Outcome.INCOMPLETE, ("site 1",))


def test_a_requirement_that_no_spectrum_answers_makes_the_part_incomplete():
    at_45 = MEAN.model_copy(update={"id": "at 45", "angle_deg": 45.0})
    found = part(spec(MEAN, at_45), (95.0, at("1", angle_deg=8.0)))
    assert found.outcome is Outcome.INCOMPLETE
    assert found.missing == ("a verdict on at 45",)


def test_a_requirement_is_asked_for_at_every_site_unless_it_names_its_own():
    at_45 = MEAN.model_copy(update={"id": "at 45", "angle_deg": 45.0})
    scans = [(95.0, at("1", angle_deg=8.0)), (95.0, at("2", angle_deg=8.0))]
    scans.append((95.0, at("1", angle_deg=45.0, polarisation="p")))
    found = part(spec(MEAN, at_45, sites=["1", "2"]), *scans)
    assert found.missing == ("a verdict on at 45 at site 2",)
    counted = part(spec(MEAN, at_45, sites=2), *scans)
    assert counted.missing == ("verdicts on at 45: 1 of 2 sites judged",)
    at_1 = at_45.model_copy(update={"sites": ("1",)})
    assert part(spec(MEAN, at_1, sites=["1", "2"]), *scans).outcome is Outcome.PASS
    assert part(spec(MEAN, at_1, sites=2), *scans).outcome is Outcome.PASS


SEGMENTS = ["uv", "visible"]


def test_a_segment_that_cannot_answer_gives_way_to_one_of_the_same_place_that_can():
    uv = (95.0, at("1", segment="uv"), 200.0, 400.0)
    visible = (95.0, at("1", segment="visible"))
    assert part(spec(segments=SEGMENTS), uv, visible).outcome is Outcome.PASS
    elsewhere = (95.0, at("2", segment="visible"))
    assert part(spec(segments=SEGMENTS), uv, elsewhere).outcome is Outcome.NOT_MEASURABLE


def test_a_segment_that_was_not_measured_is_missing():
    found = part(spec(segments=SEGMENTS), (95.0, at("1", segment="visible")))
    assert (found.outcome, found.missing) == (Outcome.INCOMPLETE, ("segment uv",))


def test_a_repeat_that_could_be_measured_does_not_hide_one_that_could_not():
    found = part(spec(), (None, at("1")), (95.0, at("1")))
    assert found.outcome is Outcome.NOT_MEASURABLE


def test_a_lot_has_the_worst_outcome_of_its_parts_and_counts_them():
    passed, failed = part(spec(), (95.0, at())), part(spec(), (90.0, at()))
    lacking = part(spec(sites=2), (95.0, at("1")))
    lot = lot_outcome([LotPart(str(i), v) for i, v in enumerate([passed, failed, passed, lacking])])
    assert lot.outcome is Outcome.FAIL
    assert lot.parts == {Outcome.PASS: 2, Outcome.FAIL: 1, Outcome.INCOMPLETE: 1}
    assert lot_outcome([LotPart("1", passed), LotPart("2", lacking)]).outcome is Outcome.INCOMPLETE
    assert lot_outcome([]).outcome is None
