"""States of a configuration over time.

The rules are common practice of laboratories that qualify by a programme (ISO/IEC 17025:2017, 6.4.9
and 6.4.10: what gave doubtful results is taken out of use until it was shown to perform correctly;
from memory).
"""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from speclake.fitness.states import (
    Result,
    State,
    Touch,
    spell_at,
    standing,
    state_at,
    stretches,
    together,
    touches,
)
from speclake.specs.verdicts import Outcome
from speclake.standards.programmes import Programme

START = datetime(2026, 3, 2, 8, tzinfo=UTC)
NOISE = {
    "id": "noise",
    "what": "noise",
    "every_days": 7,
    "band": (500, 520),
    "largest_rms": 0.05,
    "unit": "%T",
}
STRAY = {
    "id": "stray light",
    "what": "stray light",
    "every_days": 30,
    "band": (400, 410),
    "unit": "%T",
    "limit": 0.02,
}
CHART_ONLY = {
    "id": "daily piece",
    "what": "check sample",
    "every_days": 1,
    "at_nm": 550.0,
    "unit": "%T",
}


def programme(*checks: dict) -> Programme:
    return Programme.model_validate(
        {
            "name": "bench A, visible",
            "instrument": "bench A",
            "quantity": "transmittance",
            "range_nm": (350, 700),
            "check": checks or (NOISE, STRAY),
        }
    )


def ran(check: str, day: float, outcome: Outcome = Outcome.PASS, reason: str = "") -> Result:
    return Result("bench A, visible", check, START + timedelta(days=day), outcome, reason)


def at(day: float) -> datetime:
    return START + timedelta(days=day)


def states(results, log=(), now=20.0, of=None):
    found = stretches(of or programme(), results, log, at(now))
    return [(each.since and (each.since - START).total_seconds() / 86400, each.state)
            for each in found]  # fmt: skip


BOTH = [ran("noise", 0), ran("stray light", 1)]


def test_nothing_is_known_before_every_check_has_passed():
    found = stretches(programme(), BOTH, [], at(2))
    assert [each.state for each in found] == [State.UNKNOWN, State.UNKNOWN, State.FIT]
    assert found[0].since is None
    assert found[0].reason == "noise and stray light have not passed yet"
    assert found[1].reason == "stray light has not passed yet"
    assert found[-1].reason == "every check has passed; noise is due first, on 2026-03-09"
    assert found[-1].until is None


def test_without_any_run_there_is_one_stretch_without_ends():
    (only,) = stretches(programme(), [], [], at(2))
    assert (only.since, only.until, only.state) == (None, None, State.UNKNOWN)


def test_a_failure_lasts_until_a_pass_of_that_check():
    failed = ran("noise", 3, Outcome.FAIL, "0.08 %T at most 0.05 %T")
    results = [*BOTH, failed, ran("stray light", 4), ran("noise", 5, Outcome.UNDECIDED, "0.051")]
    assert states(results)[-1] == (3.0, State.UNFIT)
    assert states([*results, ran("noise", 6)], now=6)[-2:] == [(3.0, State.UNFIT), (6.0, State.FIT)]
    last = stretches(programme(), results, [], at(20))[-1]
    assert last.reason == "noise failed on 2026-03-05: 0.08 %T at most 0.05 %T"


def test_a_repair_alone_ends_no_failure():
    results = [*BOTH, ran("noise", 3, Outcome.FAIL)]
    assert states(results, [Touch(at(4), "service")])[-1] == (3.0, State.UNFIT)


def test_what_could_not_decide_makes_the_state_unknown():
    for outcome in (Outcome.UNDECIDED, Outcome.NOT_MEASURABLE, Outcome.INCOMPLETE):
        results = [*BOTH, ran("noise", 3, outcome, "the certificate ended on 2026-02-01")]
        last = stretches(programme(), results, [], at(4))[-1]
        assert last.state is State.UNKNOWN
        assert last.reason == f"noise {outcome} on 2026-03-05: the certificate ended on 2026-02-01"


def test_overdue_is_unknown_from_the_due_time_itself():
    found = stretches(programme(), BOTH, [], at(20))
    assert found[-1].since == at(7)
    assert found[-1].reason == "noise was due on 2026-03-09 and has not passed since 2026-03-02"
    assert state_at(found, at(7)).state is State.UNKNOWN
    assert state_at(found, at(7) - timedelta(seconds=1)).state is State.FIT


def test_a_pass_renews_its_own_due_time():
    found = stretches(programme(), [*BOTH, ran("noise", 6.5)], [], at(20))
    assert [(each.state, each.until) for each in found][2] == (State.FIT, at(13.5))


def test_the_due_time_of_a_result_goes_before_that_of_the_programme():
    early = Result("bench A, visible", "noise", at(0), Outcome.PASS, "", at(3))
    assert states([early, BOTH[1]])[-1] == (3.0, State.UNKNOWN)


def test_an_interval_that_was_made_shorter_holds_for_earlier_passes():
    late = Result("bench A, visible", "noise", at(0), Outcome.PASS, "", at(90))
    assert states([late, BOTH[1]])[-1] == (7.0, State.UNKNOWN)


def test_work_on_the_instrument_asks_for_every_check_again():
    lamp = Touch(at(2), "lamp change", "deuterium lamp, 3 h")
    results = [*BOTH, ran("noise", 3), ran("stray light", 4)]
    found = stretches(programme(), results, [lamp], at(5))
    assert [each.state for each in found[2:]] == [State.FIT, *[State.UNKNOWN] * 2, State.FIT]
    assert found[3].reason == (
        "lamp change on 2026-03-04 (deuterium lamp, 3 h): noise and stray light not passed again "
        "since"
    )
    assert found[4].reason.endswith("stray light not passed again since")


def test_a_scan_of_the_very_moment_does_not_count_as_after_the_work():
    lamp = Touch(at(3), "lamp change")
    assert states([*BOTH, ran("noise", 3), ran("stray light", 3)], [lamp])[-1][1] is State.UNKNOWN


def test_only_work_within_the_range_touches_it():
    one = programme()
    assert touches(one, Touch(at(0), "lamp change", "", 300.0, 350.1))
    assert not touches(one, Touch(at(0), "lamp change", "", 190.0, 350.0))
    assert not touches(one, Touch(at(0), "lamp change", "", 700.0, 900.0))
    assert touches(one, Touch(at(0), "service"))
    assert touches(one, Touch(at(0), "realignment", "", start_nm=600.0))
    assert not touches(one, Touch(at(0), "realignment", "", start_nm=701.0))
    assert not touches(one, Touch(at(0), "realignment", "", stop_nm=349.0))
    assert not touches(one, Touch(at(0), "lamp hours"))


def with_accessory(accessory: str | None, *results: Result) -> list[Result]:
    return [replace(each, accessory=accessory) for each in results]


def test_a_pass_with_one_accessory_ends_no_failure_with_another():
    failed = with_accessory("sphere", *BOTH, ran("noise", 3, Outcome.FAIL, "0.08 %T"))
    mended = with_accessory("tube", ran("noise", 4), ran("stray light", 4))

    def last(results, accessory):
        found = stretches(programme(), results, [], at(5), accessory)
        return found[-1].state, found[-1].reason

    assert last([*failed, *mended], "sphere")[0] is State.UNFIT
    assert last([*failed, *mended], "tube")[0] is State.FIT
    assert last(failed, "tube") == (
        State.UNFIT, "noise failed on 2026-03-05 with sphere: 0.08 %T",
    )  # fmt: skip
    assert last([*failed, *with_accessory("sphere", ran("noise", 4))], "tube")[0] is State.UNKNOWN
    assert last(BOTH, "tube")[0] is State.UNKNOWN


def test_over_all_accessories_the_worst_state_counts():
    passed, failed = with_accessory("tube", *BOTH), with_accessory("sphere", *BOTH)
    failed += with_accessory("sphere", ran("noise", 3, Outcome.FAIL))
    by_accessory = {
        name: stretches(programme(), [*passed, *failed, ran("noise", 4)], [], at(5), name)
        for name in ("tube", "sphere")
    }
    found = together(by_accessory)
    assert [each.state for each in found] == [State.UNKNOWN] * 2 + [State.FIT, State.UNFIT]
    assert found[-1].since == at(3)
    assert found[-1].reason.startswith("with tube: noise failed on 2026-03-05 with sphere; with s")
    assert together({"tube": by_accessory["tube"]}) == by_accessory["tube"]


def test_a_failure_of_a_check_that_was_taken_out_stays_until_all_others_have_passed_since():
    before = frozenset({"noise", "stray light", "grey"})
    old = [replace(each, beside=before) for each in (*BOTH, ran("grey", 2, Outcome.FAIL, "33 %T"))]
    still = [replace(ran("noise", 3), beside=before), replace(ran("stray light", 3), beside=before)]
    last = stretches(programme(), [*old, *still], [], at(5))[-1]
    assert last.state is State.UNFIT
    assert last.reason == ("grey, which is in the programme no longer, failed on 2026-03-04: 33 %T")
    assert states([*old, *still, ran("noise", 4)], now=5)[-1] == (2.0, State.UNFIT)
    new = [ran("noise", 4), ran("stray light", 4.5)]
    assert states([*old, *new], now=5)[-1] == (4.5, State.FIT)
    assert states([*old, ran("grey", 3)], now=5)[-1] == (3.0, State.FIT)


def test_a_pass_on_other_terms_counts_no_longer():
    outmoded = replace(ran("noise", 0), outmoded="its limits were others")
    found = stretches(programme(), [outmoded, BOTH[1]], [], at(2))[-1]
    assert found.state is State.UNKNOWN
    assert found.reason == "noise passed on 2026-03-02 on other terms: its limits were others"
    failed = ran("noise", -1, Outcome.FAIL)
    assert states([failed, outmoded, BOTH[1]])[-1][1] is State.UNKNOWN
    assert states([outmoded, BOTH[1], ran("noise", 2)], now=3)[-1] == (2.0, State.FIT)


def test_a_state_began_when_its_first_reason_did():
    log = [Touch(at(2), "lamp change"), Touch(at(3), "service")]
    found = stretches(programme(), BOTH, log, at(5))
    assert state_at(found, at(4)).since == at(3)
    spell = spell_at(found, at(4))
    assert (spell.since, spell.until) == (at(2), None)
    assert spell.reason == state_at(found, at(4)).reason
    assert spell_at(found, at(0.5)).since is None
    assert spell_at(found, at(0.5)).until == at(1)


def test_numbers_of_one_run_say_its_worst():
    numbers = [
        ran("noise", 3, Outcome.PASS),
        ran("noise", 3, Outcome.FAIL, "0.7 nm beyond 0.5 nm at 361 nm"),
        ran("noise", 3, Outcome.FAIL, "0.6 nm beyond 0.5 nm at 416 nm"),
        ran("noise", 3, Outcome.UNDECIDED, "0.5 nm"),
    ]
    for order in (numbers, numbers[::-1]):
        last = stretches(programme(), [*BOTH, *order], [], at(4))[-1]
        assert last.state is State.UNFIT
        assert "361" in last.reason
        assert "416" in last.reason


@pytest.mark.parametrize(
    ("count", "end"), [(1, "no. 0"), (2, "no. 1"), (3, "no. 0; and 2 more numbers")]
)
def test_of_many_numbers_a_few_are_told(count, end):
    numbers = [ran("noise", 3, Outcome.FAIL, f"no. {number}") for number in range(count)]
    assert stretches(programme(), numbers, [], at(4))[-1].reason.endswith(end)


def test_a_check_sample_without_limits_leaves_the_state_alone():
    assert states(BOTH, of=programme(NOISE, STRAY, CHART_ONLY), now=2)[-1][1] is State.FIT
    (only,) = stretches(programme(CHART_ONLY), [ran("daily piece", 0)], [], at(1))
    assert only.state is State.UNKNOWN
    assert only.reason == "no check of the programme has limits"


def test_results_of_others_and_of_later_do_not_count():
    other = Result("bench B", "noise", at(1.5), Outcome.FAIL)
    removed = ran("flatness", 1.5, Outcome.UNDECIDED)
    later = ran("noise", 5, Outcome.FAIL)
    assert states([*BOTH, other, removed, later], now=2)[-1] == (1.0, State.FIT)


def test_standing_tells_what_is_due_and_what_must_be_repeated():
    noise, stray = standing(programme(), BOTH, [], at(8))
    assert (noise.due_at, noise.is_overdue) == (at(7), True)
    assert (stray.due_at, stray.is_overdue) == (at(31), False)
    lamp = Touch(at(2), "lamp change")
    noise, stray = standing(programme(), [*BOTH, ran("noise", 3)], [lamp], at(4))
    assert (noise.must_repeat, noise.due_at) == (None, at(10))
    assert (stray.must_repeat, stray.due_at, stray.passed_at) == (lamp, None, at(1))


happenings = st.lists(
    st.one_of(
        st.builds(
            ran,
            st.sampled_from(["noise", "stray light"]),
            st.integers(0, 40).map(float),
            st.sampled_from([Outcome.PASS, Outcome.PASS, Outcome.FAIL, Outcome.UNDECIDED]),
        ),
        st.builds(Touch, st.integers(0, 40).map(lambda d: at(d)), st.just("service")),
    ),
    max_size=12,
)


@given(happenings, st.integers(0, 50), st.randoms())
def test_states_leave_no_time_out_and_agree_with_the_rules_at_every_moment(what, day, random):
    """Against the rules asked anew at one moment, from the latest that each check says."""
    results = [each for each in what if isinstance(each, Result)]
    log = [each for each in what if isinstance(each, Touch)]
    found = stretches(programme(), results, log, at(50))
    shuffled = random.sample(results, len(results))
    assert stretches(programme(), shuffled, log, at(50)) == found
    assert found[0].since is None
    assert found[-1].until is None
    for before, after in pairwise(found):
        assert before.until == after.since
        assert (before.state, before.reason) != (after.state, after.reason)
    when = at(day)
    state = state_at(found, when).state
    assert state is expected_state(results, log, when)


def expected_state(results: list[Result], log: list[Touch], when: datetime) -> State:
    unknown = False
    worked = max((t.at for t in log if t.at <= when), default=None)
    for check, days in (("noise", 7), ("stray light", 30)):
        runs: dict[datetime, set[Outcome]] = {}
        for r in results:
            if r.check == check and r.taken_at <= when:
                runs.setdefault(r.taken_at, set()).add(r.outcome)
        passes = [t for t, said in runs.items() if said == {Outcome.PASS}]
        passed = max(passes, default=None)
        fails = [t for t, said in runs.items() if Outcome.FAIL in said]
        if fails and (passed is None or max(fails) > passed):
            return State.UNFIT
        unknown |= (
            passed is None
            or max(runs) > passed
            or when >= passed + timedelta(days=days)
            or (worked is not None and worked >= passed)
        )
    return State.UNKNOWN if unknown else State.FIT


@pytest.mark.parametrize("n", [3000])
def test_years_of_daily_runs_are_walked_through_once(n):
    """Each moment is looked at once: a fit stretch of years is one stretch."""
    results = [ran(check, 0.5 * i) for i in range(n) for check in ("noise", "stray light")]
    found = stretches(programme(), results, [], at(0.5 * n))
    assert [each.state for each in found] == [State.UNKNOWN, State.FIT]
