"""State of a configuration over time: fit, unfit or unknown, with the reason in words.

A configuration is fit while every check of its programme has passed and none is overdue. It is

- unfit from a check that failed until that check passes again, whatever else happens;
- unknown before every check has passed once; from a check that could not decide until it passes;
  from the moment a check is due; and from an entry of the log that touches its range until every
  check has passed again after it.

Nothing is inferred from what was not measured: a repair ends no failure, only a pass does. The
programme is taken as it reads now, so a check that was added to it makes the time before unknown.
"""

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from enum import StrEnum
from itertools import groupby
from math import inf
from operator import attrgetter

from speclake.specs.verdicts import Outcome, worst
from speclake.standards.programmes import AnyCheck, CheckSample, Programme


class State(StrEnum):
    """Whether a configuration measured right."""

    FIT = "fit"
    UNFIT = "unfit"
    UNKNOWN = "unknown"


MOST_TOLD = 3
"""How many numbers of a run its reason tells."""

LEAVES_ALONE = frozenset({"lamp hours"})
"""Kinds of entries of an instrument's log that only read something off."""


@dataclass(frozen=True, slots=True)
class Result:
    """What one run of a check, or one number of it, said.

    Numbers of one run share check and time; the run says the worst that they say.

    Parameters
    ----------
    reason : with the number and its limit, in words; may be empty for a pass.
    due_at : until when a pass counts; by the programme where it is None.
    """

    programme: str
    check: str
    taken_at: datetime
    outcome: Outcome
    reason: str = ""
    due_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Touch:
    """An entry of the instrument's log; None for a stretch that it does not limit.

    Parameters
    ----------
    what : kind of the entry, as ``lamp change``; one of `LEAVES_ALONE` changes no state.
    text : what was noted.
    """

    at: datetime
    what: str
    text: str = ""
    start_nm: float | None = None
    stop_nm: float | None = None


@dataclass(frozen=True, slots=True)
class StateStretch:
    """One state with one reason, from `since` up to, without, `until`; None for no end."""

    since: datetime | None
    until: datetime | None
    state: State
    reason: str


@dataclass(frozen=True, slots=True)
class CheckState:
    """Where one check stands.

    Parameters
    ----------
    last_at, outcome, reason : of its latest run, None and empty before the first.
    passed_at : of its latest pass.
    due_at : until when that pass counts, None where nothing counts.
    is_overdue : whether it passed, and that pass counts no longer for its age alone.
    must_repeat : the entry of the log after which it did not pass yet.
    """

    check: str
    what: str
    last_at: datetime | None
    outcome: Outcome | None
    reason: str
    passed_at: datetime | None
    due_at: datetime | None
    is_overdue: bool
    must_repeat: Touch | None


def touches(programme: Programme, touch: Touch) -> bool:
    """Whether an entry of the log puts the state of a programme's configuration in question."""
    if touch.what in LEAVES_ALONE:
        return False
    low, high = programme.range_nm
    start = -inf if touch.start_nm is None else touch.start_nm
    stop = inf if touch.stop_nm is None else touch.stop_nm
    return min(start, stop) <= high and max(start, stop) >= low


def counting(programme: Programme) -> tuple[AnyCheck, ...]:
    """Checks that the state hangs on: all but a check sample without limits of its own."""
    return tuple(
        check
        for check in programme.check
        if not (isinstance(check, CheckSample) and check.target is None)
    )


def stretches(
    programme: Programme, results: Iterable[Result], log: Iterable[Touch], now: datetime
) -> tuple[StateStretch, ...]:
    """States of a configuration from the first of all times until now, none left out.

    Parameters
    ----------
    results : of any programme; those of others and of checks it does not name are passed over.
    log : entries on the instrument that speak of this accessory and quantity.
    now : what came later is not looked at. To ask for a moment in the future, give that.

    Examples
    --------
    >>> from datetime import UTC
    >>> programme = Programme.model_validate({
    ...     "name": "bench A", "instrument": "bench A", "quantity": "transmittance",
    ...     "range_nm": (350, 700),
    ...     "check": [{"id": "noise", "what": "noise", "every_days": 7, "band": (500, 520),
    ...                "largest_rms": 0.05, "unit": "%T"}]})
    >>> monday = datetime(2026, 3, 2, 8, tzinfo=UTC)
    >>> passed = Result("bench A", "noise", monday, Outcome.PASS)
    >>> for each in stretches(programme, [passed], [], monday + timedelta(days=8)):
    ...     print(each.state, "|", each.reason)
    unknown | noise has not passed yet
    fit | every check has passed; noise is due first, on 2026-03-09
    unknown | noise was due on 2026-03-09 and has not passed since 2026-03-02
    """
    walk = _Walk(programme)
    found: list[StateStretch] = []
    _add(found, None, *walk.state(None))
    for moment in walk.moments(results, log, now):
        _add(found, moment, *walk.state(moment))
    ends = (*(after.since for after in found[1:]), None)
    return tuple(replace(each, until=end) for each, end in zip(found, ends, strict=True))


def state_at(found: Sequence[StateStretch], when: datetime) -> StateStretch:
    """The stretch that a moment lies in; a moment at which the state changes is in the later one.

    Parameters
    ----------
    found : of `stretches`, made with a `now` that is not before `when`.
    """
    starts = [each.since for each in found if each.since is not None]
    return found[bisect_right(starts, when) + len(found) - len(starts) - 1]


def standing(
    programme: Programme, results: Iterable[Result], log: Iterable[Touch], now: datetime
) -> tuple[CheckState, ...]:
    """Where each check that counts stands, in the order of the programme; as in `stretches`."""
    walk = _Walk(programme)
    for _ in walk.moments(results, log, now):
        pass
    return tuple(each.told(now) for each in walk.checks)


def runs(results: Iterable[Result]) -> list[Result]:
    """One result for each run, oldest first: the worst of its numbers, with their reasons.

    The pass of a run counts until the earliest time that one of its numbers gives.
    """
    key = attrgetter("taken_at", "programme", "check")
    return [_together(tuple(same)) for _, same in groupby(sorted(results, key=key), key)]


def _together(numbers: tuple[Result, ...]) -> Result:
    outcome = worst(n.outcome for n in numbers) or Outcome.LAPSED
    reasons = [*dict.fromkeys(n.reason for n in numbers if n.outcome == outcome and n.reason)]
    rest = len(reasons) - MOST_TOLD
    told = [
        *reasons[:MOST_TOLD],
        *([f"and {rest} more numbers"] if rest > 1 else reasons[MOST_TOLD:]),
    ]
    due = [n.due_at for n in numbers if n.due_at is not None]
    return replace(
        numbers[0], outcome=outcome, reason="; ".join(told), due_at=min(due) if due else None
    )


def _add(found: list[StateStretch], since: datetime | None, state: State, reason: str) -> None:
    """Begin another stretch where something is new; a fit one goes on under its latest reason."""
    last = found[-1] if found else None
    if last is not None and last.state == state and (state is State.FIT or last.reason == reason):
        found[-1] = replace(last, reason=reason)
    else:
        found.append(StateStretch(since, None, state, reason))


@dataclass
class _Standing:
    """Where one check stands while time is walked through."""

    check: AnyCheck
    last: Result | None = None
    passed: Result | None = None
    failed: Result | None = None
    touched: Touch | None = None

    def take(self, result: Result) -> None:
        self.last = result
        if result.outcome is Outcome.PASS:
            self.passed, self.failed, self.touched = result, None, None
        elif result.outcome is Outcome.FAIL:
            self.failed = result

    @property
    def due_at(self) -> datetime | None:
        if self.passed is None or self.last is not self.passed or self.touched is not None:
            return None
        return _due(self.passed, self.check)

    def told(self, now: datetime) -> CheckState:
        return CheckState(
            check=self.check.id,
            what=self.check.what,
            last_at=self.last.taken_at if self.last else None,
            outcome=self.last.outcome if self.last else None,
            reason=self.last.reason if self.last else "",
            passed_at=self.passed.taken_at if self.passed else None,
            due_at=self.due_at,
            is_overdue=self.due_at is not None and self.due_at <= now,
            must_repeat=self.touched,
        )


def _due(passed: Result, check: AnyCheck) -> datetime:
    return passed.due_at or passed.taken_at + timedelta(days=check.every_days)


@dataclass
class _Walk:
    """All checks of a programme, led through time."""

    programme: Programme
    checks: tuple[_Standing, ...] = field(init=False)

    def __post_init__(self) -> None:
        self.checks = tuple(_Standing(check) for check in counting(self.programme))

    def moments(
        self, results: Iterable[Result], log: Iterable[Touch], now: datetime
    ) -> Iterable[datetime]:
        """Each moment at which something happens, oldest first, after it was taken in.

        Of one moment the entries of the log come last: a scan of that minute may have been taken
        before the work.
        """
        by_name = {each.check.id: each for each in self.checks}
        said = [
            r
            for r in runs(r for r in results if r.programme == self.programme.name)
            if r.check in by_name and r.taken_at <= now and r.outcome is not Outcome.LAPSED
        ]
        works = sorted(
            (t for t in log if t.at <= now and touches(self.programme, t)), key=attrgetter("at")
        )
        dues = (_due(r, by_name[r.check].check) for r in said if r.outcome is Outcome.PASS)
        moments = {r.taken_at for r in said} | {t.at for t in works} | {d for d in dues if d <= now}
        r, t = 0, 0
        for moment in sorted(moments):
            while r < len(said) and said[r].taken_at <= moment:
                by_name[said[r].check].take(said[r])
                r += 1
            while t < len(works) and works[t].at <= moment:
                for each in self.checks:
                    each.touched = works[t]
                t += 1
            yield moment

    def state(self, at: datetime | None) -> tuple[State, str]:
        if not self.checks:
            return State.UNKNOWN, "no check of the programme has limits"
        failed = [_failure(each) for each in self.checks if each.failed]
        if failed:
            return State.UNFIT, "; ".join(failed)
        unknown = [*self._touched(), *self._not_passed(), *self._overdue(at)]
        if unknown:
            return State.UNKNOWN, "; ".join(unknown)
        due_at, first = min((each.due_at, each.check.id) for each in self.checks if each.due_at)
        return State.FIT, f"every check has passed; {first} is due first, on {_day(due_at)}"

    def _touched(self) -> Iterable[str]:
        waiting = [each for each in self.checks if each.touched and each.passed]
        for touch in dict.fromkeys(each.touched for each in waiting):
            names = [each.check.id for each in waiting if each.touched == touch]
            if touch is not None:
                noted = f" ({touch.text})" if touch.text else ""
                yield (
                    f"{touch.what} on {_day(touch.at)}{noted}: {_listed(names)} "
                    "not passed again since"
                )

    def _not_passed(self) -> Iterable[str]:
        never = [each.check.id for each in self.checks if each.last is None]
        if never:
            yield f"{_listed(never)} {'has' if len(never) == 1 else 'have'} not passed yet"
        for each in self.checks:
            if each.last is not None and each.last is not each.passed:
                because = f": {each.last.reason}" if each.last.reason else ""
                yield f"{each.check.id} {each.last.outcome} on {_day(each.last.taken_at)}{because}"

    def _overdue(self, at: datetime | None) -> Iterable[str]:
        for each in self.checks:
            if at is not None and each.due_at is not None and each.due_at <= at and each.passed:
                yield (
                    f"{each.check.id} was due on {_day(each.due_at)} and has not passed since "
                    f"{_day(each.passed.taken_at)}"
                )


def _failure(each: _Standing) -> str:
    failed = each.failed
    if failed is None:
        return ""
    because = f": {failed.reason}" if failed.reason else ""
    return f"{each.check.id} failed on {_day(failed.taken_at)}{because}"


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _day(when: datetime) -> str:
    return f"{when:%Y-%m-%d}"
