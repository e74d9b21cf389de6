"""Doubts about a scan, and which of them stand between a requirement and a verdict."""

from collections.abc import Collection, Iterable, Sequence
from typing import NamedTuple

from speclake.checks import Check
from speclake.specs.requirements import Requirement
from speclake.units import AxisUnit, convert_positions

ALWAYS_BLOCKING = frozenset({Check.REVIEW})
"""A person has put the measurement aside: no specification can say that this does not matter."""

MOST_TOLD = 3
"""How many doubts the reason of a verdict tells."""

OF_STATE = frozenset({Check.UNFIT, Check.STATE_UNKNOWN})
"""Doubts over the range of a programme: a band that only begins where it ends is not in it."""

AIR_TO_VACUUM = 4e-4
"""Relative distance that is more than air and vacuum differ by."""


class Doubt(NamedTuple):
    """Why the values of a stretch of the axis may be wrong.

    The ends are in the unit of the axis of the spectrum, the lower one first; None for all of it.
    `text` is the finding in words.
    """

    check: Check
    start: float | None
    stop: float | None
    text: str


def blocking_doubts(
    requirement: Requirement,
    doubts: Iterable[Doubt],
    blocked_by: Collection[Check],
    axis_unit: AxisUnit,
) -> str | None:
    """Why no verdict is given for all the doubts about a scan; None where none of them blocks.

    Parameters
    ----------
    blocked_by : checks whose doubts block, where they touch what the number hangs on.
    axis_unit : unit of the axis of the scan, in which the doubts have their ends.
    """
    found = [
        each
        for each in doubts
        if (each.check in blocked_by or each.check in ALWAYS_BLOCKING)
        and _touches(requirement, each, axis_unit)
    ]
    if not found:
        return None
    told = [f"{each.check}: {each.text}" for each in found[:MOST_TOLD]]
    rest = len(found) - len(told)
    more = [f"and {rest} more such findings"] if rest > 1 else ["and one more"] if rest else []
    return f"scan is in doubt; {'; '.join([*told, *more])}"


def within(doubts: Iterable[Doubt], start: float, stop: float) -> tuple[Doubt, ...]:
    """Doubts that touch a stretch of the axis, cut to it; ends in the unit of the axis."""
    return tuple(
        each if each.start is None or each.stop is None
        else each._replace(start=max(each.start, start), stop=min(each.stop, stop))
        for each in doubts
        if each.start is None or each.stop is None
        or (each.start <= stop and start <= each.stop)
    )  # fmt: skip


def _touches(requirement: Requirement, doubt: Doubt, axis_unit: AxisUnit) -> bool:
    """Whether a doubt lies where the number of a requirement is taken."""
    looked_at = requirement.looked_at
    if not looked_at or doubt.start is None or doubt.stop is None:
        return True
    low, high = _in_nm((doubt.start, doubt.stop), axis_unit)
    smoothing = requirement.after_smoothing
    wider = 0.0 if smoothing is None else smoothing.window / 2
    for ends in looked_at:
        start, stop = _in_nm(ends, requirement.axis_unit)
        start, stop = start - wider, stop + wider
        may_meet = doubt.check not in OF_STATE or start == stop
        more = AIR_TO_VACUUM if may_meet else -AIR_TO_VACUUM
        if low <= stop * (1 + more) and high >= start * (1 - more):
            return True
    return False


def _in_nm(ends: Sequence[float], unit: AxisUnit) -> tuple[float, float]:
    """Ends of a stretch in nm, through vacuum, the lower one first."""
    if unit != "nm":
        ends = convert_positions(list(ends), unit, "vacuum", "nm", "vacuum").tolist()
    return min(ends), max(ends)
