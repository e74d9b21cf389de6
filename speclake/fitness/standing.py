"""Checks of a programme led through time; `speclake.fitness.states` tells by which rules."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum
from operator import attrgetter

from speclake.fitness.results import ANY_ACCESSORY, Result, Touch, counting, runs, touches
from speclake.specs.verdicts import Outcome
from speclake.standards.programmes import AnyCheck, Programme


class State(StrEnum):
    """Whether a configuration measured right."""

    FIT = "fit"
    UNFIT = "unfit"
    UNKNOWN = "unknown"


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
    accessory : with which, where a programme speaks of several by themselves.
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
    accessory: str | None = None


@dataclass
class Standing:
    """Where one check stands while time is walked through.

    Parameters
    ----------
    failed : failures that count, by accessory.
    """

    check: AnyCheck
    accessory: str | None
    last: Result | None = None
    passed: Result | None = None
    failed: dict[str | None, Result] = field(default_factory=dict)
    touched: Touch | None = None

    def take(self, result: Result) -> None:
        """Let a run count."""
        is_own = self.accessory in (ANY_ACCESSORY, result.accessory)
        if result.outcome is Outcome.FAIL:
            self.failed[result.accessory] = result
        elif result.outcome is Outcome.PASS and not is_own:
            self.failed.pop(result.accessory, None)
        if not is_own:
            return
        self.last = result
        if result.outcome is Outcome.PASS:
            self.failed.clear()
            if not result.outmoded:
                self.passed, self.touched = result, None

    @property
    def due_at(self) -> datetime | None:
        """Until when the pass that counts does; None where none does."""
        if self.passed is None or self.last is not self.passed or self.touched is not None:
            return None
        return _due(self.passed, self.check)

    def told(self, now: datetime) -> CheckState:
        """Where it stands at a moment."""
        return CheckState(
            check=self.check.id,
            what=self.check.what,
            last_at=self.last.taken_at if self.last else None,
            outcome=self.last.outcome if self.last else None,
            reason=(self.last.reason or self.last.outmoded) if self.last else "",
            passed_at=self.passed.taken_at if self.passed else None,
            due_at=self.due_at,
            is_overdue=self.due_at is not None and self.due_at <= now,
            must_repeat=self.touched,
            accessory=None if self.accessory == ANY_ACCESSORY else self.accessory,
        )


@dataclass
class _Removed:
    """Failure of a check that is in the programme no longer, with what has not passed since."""

    failed: Result
    waits_for: set[str]


def _due(passed: Result, check: AnyCheck) -> datetime:
    due = passed.taken_at + timedelta(days=check.every_days)
    return due if passed.due_at is None else min(due, passed.due_at)


@dataclass
class Walk:
    """All checks of a programme, led through time."""

    programme: Programme
    accessory: str | None
    checks: tuple[Standing, ...] = field(init=False)
    removed: dict[tuple[str, str | None], _Removed] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.checks = tuple(Standing(check, self.accessory) for check in counting(self.programme))

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
            if r.taken_at <= now and r.outcome is not Outcome.LAPSED
        ]
        works = sorted(
            (t for t in log if t.at <= now and touches(self.programme, t)), key=attrgetter("at")
        )
        dues = (
            _due(r, by_name[r.check].check)
            for r in said
            if r.outcome is Outcome.PASS and r.check in by_name
        )
        moments = {r.taken_at for r in said} | {t.at for t in works} | {d for d in dues if d <= now}
        r, t = 0, 0
        for moment in sorted(moments):
            while r < len(said) and said[r].taken_at <= moment:
                self._take(said[r], by_name.get(said[r].check))
                r += 1
            while t < len(works) and works[t].at <= moment:
                for each in self.checks:
                    each.touched = works[t]
                t += 1
            yield moment

    def _take(self, result: Result, of_check: Standing | None) -> None:
        is_pass = result.outcome is Outcome.PASS
        if of_check is None:
            name = result.check, result.accessory
            if is_pass:
                self.removed.pop(name, None)
            elif result.outcome is Outcome.FAIL:
                self.removed[name] = _Removed(result, {each.check.id for each in self.checks})
            return
        of_check.take(result)
        if not is_pass or of_check.passed is not result:
            return
        for name, each in list(self.removed.items()):
            if result.beside is None or name[0] not in result.beside:
                each.waits_for.discard(result.check)
                if not each.waits_for:
                    del self.removed[name]

    def state(self, at: datetime | None) -> tuple[State, str]:
        """State at a moment, the latest one that was walked to, and its reason."""
        failed = [
            *(self._failure(r) for each in self.checks for r in each.failed.values()),
            *(
                self._failure(each.failed, ", which is in the programme no longer,")
                for each in self.removed.values()
            ),
        ]
        if failed:
            return State.UNFIT, "; ".join(failed)
        if not self.checks:
            return State.UNKNOWN, "no check of the programme has limits"
        unknown = [*self._touched(), *self._not_passed(), *self._overdue(at)]
        if unknown:
            return State.UNKNOWN, "; ".join(unknown)
        due_at, first = min((each.due_at, each.check.id) for each in self.checks if each.due_at)
        return State.FIT, f"every check has passed; {first} is due first, on {_day(due_at)}"

    def _failure(self, failed: Result, told: str = "") -> str:
        of_other = self.accessory not in (ANY_ACCESSORY, failed.accessory)
        other = f" {in_words(failed.accessory)}" if of_other else ""
        because = f": {failed.reason}" if failed.reason else ""
        return f"{failed.check}{told} failed on {_day(failed.taken_at)}{other}{because}"

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
                if each.last.outcome is Outcome.PASS:
                    day = _day(each.last.taken_at)
                    yield f"{each.check.id} passed on {day} on other terms: {each.last.outmoded}"
                    continue
                because = f": {each.last.reason}" if each.last.reason else ""
                yield f"{each.check.id} {each.last.outcome} on {_day(each.last.taken_at)}{because}"

    def _overdue(self, at: datetime | None) -> Iterable[str]:
        for each in self.checks:
            if at is not None and each.due_at is not None and each.due_at <= at and each.passed:
                yield (
                    f"{each.check.id} was due on {_day(each.due_at)} and has not passed since "
                    f"{_day(each.passed.taken_at)}"
                )


def in_words(accessory: str | None) -> str:
    """With which accessory, as the end of a sentence."""
    return "with an unknown accessory" if accessory is None else f"with {accessory}"


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _day(when: datetime) -> str:
    return f"{when:%Y-%m-%d}"
