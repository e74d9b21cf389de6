"""State of a configuration over time: fit, unfit or unknown, with the reason in words.

A configuration is fit while every check of its programme has passed and none is overdue. It is

- unfit from a check that failed until that check passes again, whatever else happens;
- unknown before every check has passed once; from a check that could not decide until it passes;
  from the moment a check is due; and from an entry of the log that touches its range until every
  check has passed again after it.

Nothing is inferred from what was not measured: a repair ends no failure, only a pass does. The
programme is taken as it reads now, so a check that was added to it makes the time before unknown,
and a pass that was made on other terms counts no longer. A failure outlives a change of the
programme: one of a check that was taken out of it ends when all its checks have passed since, by a
programme without it.

A programme that names no accessory speaks of each by itself: a pass with one ends no failure with
another, while a failure with any counts for all until a pass with that one, or with one's own.
"""

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from speclake.fitness.results import ANY_ACCESSORY as ANY_ACCESSORY
from speclake.fitness.results import PROGRAMME_CHANGE as PROGRAMME_CHANGE
from speclake.fitness.results import Result as Result
from speclake.fitness.results import Touch as Touch
from speclake.fitness.results import runs as runs
from speclake.fitness.results import touches as touches
from speclake.fitness.standing import CheckState as CheckState
from speclake.fitness.standing import State as State
from speclake.fitness.standing import Walk, in_words
from speclake.standards.programmes import Programme


@dataclass(frozen=True, slots=True)
class StateStretch:
    """One state with one reason, from `since` up to, without, `until`; None for no end."""

    since: datetime | None
    until: datetime | None
    state: State
    reason: str


def stretches(
    programme: Programme,
    results: Iterable[Result],
    log: Iterable[Touch],
    now: datetime,
    accessory: str | None = ANY_ACCESSORY,
) -> tuple[StateStretch, ...]:
    """States of a configuration from the first of all times until now, none left out.

    Parameters
    ----------
    results : of any programme; those of others are passed over. Of checks that it names no longer
        only failures count.
    log : entries on the instrument that speak of this accessory and quantity.
    now : what came later is not looked at. To ask for a moment in the future, give that.
    accessory : the one whose state is asked for; of the others only failures count.

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
    walk = Walk(programme, accessory)
    found: list[StateStretch] = []
    _add(found, None, *walk.state(None))
    for moment in walk.moments(results, log, now):
        _add(found, moment, *walk.state(moment))
    return _with_ends(found)


def together(by_accessory: Mapping[str | None, Sequence[StateStretch]]) -> tuple[StateStretch, ...]:
    """States of a configuration over all accessories: at each moment the worst, with what has it.

    Parameters
    ----------
    by_accessory : of `stretches`, at least one.
    """
    if len(by_accessory) == 1:
        return tuple(*by_accessory.values())
    starts = {each.since for of_one in by_accessory.values() for each in of_one if each.since}
    found: list[StateStretch] = []
    for moment in (None, *sorted(starts)):
        at = {
            name: of_one[0] if moment is None else state_at(of_one, moment)
            for name, of_one in by_accessory.items()
        }
        state = min((each.state for each in at.values()), key=_WORST_FIRST.index)
        worst = {name: each.reason for name, each in at.items() if each.state is state}
        told = "; ".join(f"{in_words(name)}: {reason}" for name, reason in worst.items())
        _add(found, moment, state, told)
    return _with_ends(found)


_WORST_FIRST = (State.UNFIT, State.UNKNOWN, State.FIT)


def _with_ends(found: Sequence[StateStretch]) -> tuple[StateStretch, ...]:
    ends = (*(after.since for after in found[1:]), None)
    return tuple(replace(each, until=end) for each, end in zip(found, ends, strict=True))


def spell_at(found: Sequence[StateStretch], when: datetime) -> StateStretch:
    """The stretch of a moment, with when its state began and ends, for whatever reasons."""
    i = _number_at(found, when)
    first = last = i
    while first > 0 and found[first - 1].state is found[i].state:
        first -= 1
    while last + 1 < len(found) and found[last + 1].state is found[i].state:
        last += 1
    return replace(found[i], since=found[first].since, until=found[last].until)


def state_at(found: Sequence[StateStretch], when: datetime) -> StateStretch:
    """The stretch that a moment lies in; a moment at which the state changes is in the later one.

    Parameters
    ----------
    found : of `stretches`, made with a `now` that is not before `when`.
    """
    return found[_number_at(found, when)]


def _number_at(found: Sequence[StateStretch], when: datetime) -> int:
    starts = [each.since for each in found if each.since is not None]
    return bisect_right(starts, when) + len(found) - len(starts) - 1


def standing(
    programme: Programme,
    results: Iterable[Result],
    log: Iterable[Touch],
    now: datetime,
    accessory: str | None = ANY_ACCESSORY,
) -> tuple[CheckState, ...]:
    """Where each check that counts stands, in the order of the programme; as in `stretches`."""
    walk = Walk(programme, accessory)
    for _ in walk.moments(results, log, now):
        pass
    return tuple(each.told(now) for each in walk.checks)


def _add(found: list[StateStretch], since: datetime | None, state: State, reason: str) -> None:
    """Begin another stretch where something is new; a fit one goes on under its latest reason."""
    last = found[-1] if found else None
    if last is not None and last.state == state and (state is State.FIT or last.reason == reason):
        found[-1] = replace(last, reason=reason)
    else:
        found.append(StateStretch(since, None, state, reason))
