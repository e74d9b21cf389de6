"""What was found of the scans of a run, held against the numbers that were taken of them.

Findings fall into three kinds. Some say that the values are none that a detector read: no number of
a run comes from those. Some say that the scan was not made as it ought to be: then nothing passes,
while a failure stays one, since parts are measured the same way. The rest, as noise, a step or a
line that is not flat, is what runs themselves measure against their own limits.
"""

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from speclake.checks import Check, Severity
from speclake.fitness.qualifying.reading import Reading, not_measurable
from speclake.specs.verdicts import Outcome
from speclake.standards.programmes import (
    AnyCheck,
    BandPositions,
    CheckSample,
    Flatness,
    Noise,
    Resolution,
    StrayLight,
)

Stretch = tuple[float, float]

NOT_READ = frozenset({Check.IDENTICAL, Check.HELD, Check.SATURATION, Check.CLIPPING, Check.SPIKE})
"""The values are not what the detector saw: no number may come from them."""

NOT_AS_MEANT = frozenset({Check.BASELINE, Check.REFERENCE, Check.FAILED})
"""The scan was not made as it ought to be: nothing passes by it."""

HIDES_LIGHT = frozenset({Check.CLIPPING, Check.OFFSET, Check.BEYOND})
"""Values that were cut off at zero, or lie below it, look like little stray light."""

LINE_WIDTHS = 2.0
"""A line is looked at over so many of its largest widths to each side."""


class Against(NamedTuple):
    """A finding on a scan of a run; the ends in nm, the lower one first, None for all of it."""

    check: Check
    severity: Severity
    low: float | None
    high: float | None
    text: str


def weighed(
    check: AnyCheck, readings: Sequence[Reading], found: Sequence[Against]
) -> list[Reading]:
    """Readings of a check, those that findings on the scans stand against as not measurable."""
    return [_weighed(check, each, found) for each in readings]


def _weighed(check: AnyCheck, reading: Reading, found: Sequence[Against]) -> Reading:
    if reading.outcome is Outcome.NOT_MEASURABLE:
        return reading
    looked_at = list(_looked_at(check, reading))
    against = next(
        (
            each
            for each in found
            if _weighs(check, each, reading.outcome) and _touches(each, looked_at)
        ),
        None,
    )
    if against is None:
        return reading
    reason = f"the scan is in doubt; {against.check}: {against.text}"
    return not_measurable(reason, reading.unit, reading.at, reading.expected)


def _weighs(check: AnyCheck, each: Against, outcome: Outcome) -> bool:
    fails = outcome is Outcome.FAIL
    if isinstance(check, StrayLight) and each.check in HIDES_LIGHT and not fails:
        return True
    if each.severity is not Severity.DOUBT:
        return False
    if each.check is Check.SPIKE and isinstance(check, Noise | Flatness):
        return not fails  # it belongs to what these measure
    return each.check in NOT_READ or (each.check in NOT_AS_MEANT and not fails)


def _touches(each: Against, looked_at: Sequence[Stretch]) -> bool:
    if each.low is None or each.high is None or not looked_at:
        return True
    return any(each.low <= high and low <= each.high for low, high in looked_at)


def _looked_at(check: AnyCheck, reading: Reading) -> Iterator[Stretch]:
    """Stretches in nm that a number hangs on; none where that is all of the scan."""
    if isinstance(check, Resolution):
        yield from _of_resolution(check)
    elif isinstance(check, StrayLight | Flatness | Noise | CheckSample) and check.band is not None:
        yield check.band
    else:
        nm = reading.at if reading.at is not None else getattr(check, "at_nm", None)
        if nm is not None:
            yield _around(nm, check.window_nm if isinstance(check, BandPositions) else 0.0)


def _of_resolution(check: Resolution) -> Iterator[Stretch]:
    if check.line_nm is not None and check.largest_width_nm is not None:
        yield _around(check.line_nm, LINE_WIDTHS * check.largest_width_nm)
    for nm in (check.maximum_nm, check.minimum_nm):
        if nm is not None:
            yield _around(nm)


def _around(nm: float, reach: float = 0.0) -> Stretch:
    return nm - reach, nm + reach
