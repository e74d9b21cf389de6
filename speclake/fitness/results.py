"""What a configuration's state follows from: runs of its checks, and work on the instrument."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import groupby
from math import inf

from speclake.specs.verdicts import Outcome, worst
from speclake.standards.programmes import AnyCheck, CheckSample, Programme

MOST_TOLD = 1
"""How many numbers of a run its reason tells."""

PROGRAMME_CHANGE = "programme change"
"""Kind of the entry of a log that tells of a change in the folder of programmes or certificates."""

LEAVES_ALONE = frozenset({"lamp hours", PROGRAMME_CHANGE})
"""Kinds of entries of an instrument's log after which nothing has to be shown again."""

ANY_ACCESSORY = "*"
"""In place of an accessory: what was found with any one counts as found with one's own."""


@dataclass(frozen=True, slots=True)
class Result:
    """What one run of a check, or one number of it, said.

    Numbers of one run share check and time; the run says the worst that they say.

    Parameters
    ----------
    reason : with the number and its limit, in words; may be empty for a pass.
    due_at : until when a pass counts, if the programme does not say an earlier time.
    accessory : with which it was taken; None where that is unknown.
    outmoded : why a pass counts no longer by the programme as it reads now; empty for one that
        does.
    beside : checks of the programme as it read then; None where that is unknown.
    """

    programme: str
    check: str
    taken_at: datetime
    outcome: Outcome
    reason: str = ""
    due_at: datetime | None = None
    accessory: str | None = None
    outmoded: str = ""
    beside: frozenset[str] | None = None


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


def touches(programme: Programme, touch: Touch) -> bool:
    """Whether an entry of the log puts the state of a programme's configuration in question.

    Ranges that only meet at one wavelength do not touch.
    """
    if touch.what in LEAVES_ALONE:
        return False
    low, high = programme.range_nm
    start = -inf if touch.start_nm is None else touch.start_nm
    stop = inf if touch.stop_nm is None else touch.stop_nm
    return min(start, stop) < high and max(start, stop) > low


def counting(programme: Programme) -> tuple[AnyCheck, ...]:
    """Checks that the state hangs on: all but a check sample without limits of its own."""
    return tuple(
        check
        for check in programme.check
        if not (isinstance(check, CheckSample) and check.target is None)
    )


def runs(results: Iterable[Result]) -> list[Result]:
    """One result for each run, oldest first: the worst of its numbers, with their reasons.

    The pass of a run counts until the earliest time that one of its numbers gives.
    """
    return [_one_run(tuple(same)) for _, same in groupby(sorted(results, key=_of_run), _of_run)]


def _of_run(number: Result) -> tuple[datetime, str, str, str]:
    return number.taken_at, number.programme, number.check, number.accessory or ""


def _one_run(numbers: tuple[Result, ...]) -> Result:
    outcome = worst(n.outcome for n in numbers) or Outcome.LAPSED
    reasons = [*dict.fromkeys(n.reason for n in numbers if n.outcome == outcome and n.reason)]
    rest = len(reasons) - MOST_TOLD
    told = [
        *reasons[:MOST_TOLD],
        *([f"and {rest} more numbers"] if rest > 1 else reasons[MOST_TOLD:]),
    ]
    due = [n.due_at for n in numbers if n.due_at is not None]
    return replace(
        numbers[0],
        outcome=outcome,
        reason="; ".join(told),
        due_at=min(due) if due else None,
        outmoded=next((n.outmoded for n in numbers if n.outmoded), ""),
    )
