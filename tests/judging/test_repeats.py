"""Repeats: which of several spectra of one place count, and what is told of them."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from speclake.judging.repeats import Choice, counted
from speclake.specs import Outcome
from speclake.specs.rollup import Repeats
from tests.judging.pieces import MEAN, at, over, part, spec

NOON = datetime(2026, 5, 4, 12, tzinfo=UTC)
TIMES = {"a": NOON, "b": NOON + timedelta(hours=1), "c": NOON + timedelta(hours=2)}


def word(hours=0):
    return Choice("op 1", "dust on the part", NOON + timedelta(hours=hours))


def rule(count, **more):
    return Repeats(count=count, **more)


def test_every_spectrum_counts_unless_the_specification_says_otherwise():
    found = counted(TIMES, Repeats(), {"c": word()})
    assert found.ids == ("a", "b", "c")
    assert found.by is None
    assert not found.as_mean


@pytest.mark.parametrize("count", ["latest", "chosen"])
def test_without_a_record_of_a_person_each_counts(count):
    found = counted(TIMES, rule(count), {})
    assert found.ids == ("a", "b", "c")
    assert "until a person records why" in found.why_more


def test_the_latest_counts_alone_once_a_person_says_why():
    found = counted(TIMES, rule("latest"), {"c": word()})
    assert (found.ids, found.by, found.why_more) == (("c",), word(), "")


def test_a_later_spectrum_takes_its_force_from_the_choice_of_the_latest():
    found = counted(TIMES, rule("latest"), {"b": word()})
    assert found.ids == ("a", "b", "c")
    assert "not the latest" in found.why_more


def test_of_two_spectra_at_one_time_neither_is_the_latest():
    same = {"a": NOON, "b": NOON}
    assert counted(same, rule("latest"), {"b": word()}).ids == ("a", "b")


def test_the_last_choice_holds():
    assert counted(TIMES, rule("chosen"), {"b": word(3), "a": word(5)}).ids == ("a",)
    clock_set_back = {"a": word(5), "b": word(3)}
    assert counted(TIMES, rule("chosen"), clock_set_back).ids == ("b",)


def test_a_single_spectrum_counts_by_any_rule():
    for count in ("every", "latest", "chosen", "mean"):
        assert counted({"a": NOON}, rule(count), {}).ids == ("a",)


def test_repeats_are_told_beside_a_pass():
    found = part(spec(), (95.0, at("1")), (96.0, at("1")), (96.0, at("2")))
    assert found.outcome is Outcome.PASS
    (told,) = found.repeated
    assert [each.measurement_id for each in told.spectra] == ["m0", "m1"]
    assert found.remarks == ("site 1 was measured 2 times: pass, then pass; each counts",)


def test_measuring_until_it_passes_shows_and_does_not_pass():
    found = part(spec(), (90.0, at("1")), (91.0, at("1")), (95.0, at("1")))
    assert found.outcome is Outcome.FAIL
    assert "fail, then fail, then pass" in found.remarks[0]


def test_a_choice_after_a_fail_is_told_beside_the_outcome():
    found = part(
        spec(repeats=rule("latest")),
        (90.0, at("1")), (95.0, at("1 ")),
        choices=[("m1", "op 1", "dust on the part")],
    )  # fmt: skip
    assert found.outcome is Outcome.PASS
    assert found.remarks == (
        "site 1 was measured 2 times: fail, then pass; number 2 alone counts, says op 1 "
        "(dust on the part); found and not counted: fail",
    )
    assert [each.measurement_id for each in found.repeated[0].passed_over] == ["m0"]


def test_withdrawing_a_fail_and_measuring_again_is_told():
    found = part(spec(), (95.0, at("1")), withdrawn=[(90.0, at("1"))])
    assert found.outcome is Outcome.PASS
    assert "fail (withdrawn by op 1: dust)" in found.remarks[0]
    assert "found and not counted: fail" in found.remarks[0]


def test_a_withdrawn_spectrum_is_none_of_those_that_may_be_chosen():
    found = part(
        spec(repeats=rule("chosen")),
        (90.0, at("1")), (90.5, at("1")),
        withdrawn=[(95.0, at("1"))], choices=[("w0", "op 1", "it passes")],
    )  # fmt: skip
    assert found.outcome is Outcome.FAIL


def test_more_spectra_than_are_enough_are_a_doubt():
    scans = [(95.0, at("1"))] * 4
    told = part(spec(repeats=rule("every", most=3)), *scans).repeated[0]
    assert told.is_doubtful
    assert told.in_words.endswith("the specification holds 3 for enough")
    assert not part(spec(repeats=rule("every", most=4)), *scans).repeated[0].is_doubtful


@pytest.mark.parametrize(
    "other",
    [{"site": "2"}, {"side": "back"}, {"angle_deg": 45.0}, {"polarisation": "p"},
     {"stage": "annealed"}, {"segment": "uv"}, {"geometry": "diffuse"}, {"port": "light trap"}],
)  # fmt: skip
def test_spectra_of_different_places_are_no_repeats(other):
    known = {"site": "1", "side": "front", "angle_deg": 8.0, "polarisation": "s",
             "stage": "as coated", "segment": "visible", "geometry": "total",
             "port": "white standard"}  # fmt: skip
    assert part(spec(), (95.0, at(**known)), (95.0, at(**known))).repeated
    assert not part(spec(), (95.0, at(**known)), (95.0, at(**(known | other)))).repeated


def test_an_angle_within_the_tolerance_is_the_same_place():
    scans = (95.0, at(angle_deg=8.0)), (95.0, at(angle_deg=8.3))
    assert part(spec(angles_deg=[8]), *scans).repeated
    assert not part(spec(angles_deg=[20]), *scans).repeated


def test_the_mean_of_repeats_is_a_number_of_its_own():
    scans = (91.9, at("1")), (92.1, at("1"))
    found = part(spec(repeats=rule("mean")), *scans)
    assert found.outcome is Outcome.PASS, "exactly at the limit: the mean of decimals has no noise"
    (number,) = found.numbers
    assert number.value == 92.0
    assert number.drawn_from == ("m1",)
    assert number.description.endswith("mean of 2 repeats")
    assert part(spec(), *scans).outcome is Outcome.FAIL


def test_a_mean_with_a_spectrum_that_has_no_value_is_not_measurable():
    found = part(spec(repeats=rule("mean")), (95.0, at("1")), (None, at("1")))
    assert found.outcome is Outcome.NOT_MEASURABLE
    assert "1 of 2 have no value" in found.reasons[0]


def test_places_are_told_once_for_all_requirements_with_the_worst_outcome():
    other = MEAN.model_copy(update={"id": "T high", "at_least": "95.5"})
    found = part(spec(MEAN, other), (95.0, at("1")), (96.0, at("1")))
    (told,) = found.repeated
    assert [each.outcome for each in told.spectra] == [Outcome.FAIL, Outcome.PASS]


def test_repeats_of_which_no_requirement_speaks_are_told_too():
    asked = MEAN.model_copy(update={"polarisation": "s"})
    scans = (95.0, at(polarisation="s")), (95.0, at(polarisation="p"))
    found = part(spec(asked), *scans, scans[1])
    assert found.outcome is Outcome.PASS
    assert found.remarks == (
        "polarisation p was measured 2 times: not judged, then not judged; each counts",
    )


@given(st.lists(st.tuples(st.integers(900, 950), st.sampled_from("123")), min_size=1, max_size=8),
       st.sampled_from(["every", "latest", "chosen", "mean"]), st.randoms())  # fmt: skip
def test_the_order_of_verdicts_is_of_no_matter(levels, count, random):
    scans = [(tenths / 10, at(site)) for tenths, site in levels]
    asked = spec(over({"fraction": "0.6"}), repeats=rule(count))
    choices = [("m0", "op 1", "dust")]
    one = part(asked, *scans, choices=choices)
    other = part(asked, *scans, choices=choices, random=random)
    assert (one.outcome, set(one.remarks)) == (other.outcome, set(other.remarks))


def test_none_is_not_enough():
    with pytest.raises(ValidationError):
        Repeats(most=0)
