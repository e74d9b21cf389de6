"""Whether the points of a spectrum are those asked for: coverage, spacing, missing values.

No threshold here hangs on noise; a spectrum that is whole raises nothing.
"""

from collections.abc import Iterator, Sequence

import numpy as np

from speclake.checks import Check, Severity
from speclake.fitness.findings import Finding
from speclake.fitness.grids import UNIT_WORDS, grid_of
from speclake.fitness.subject import BoolArray, Subject
from speclake.measurement import Range

_UNLIKE = 0.1
"""Share by which the interval found may differ from the one stated; common practice."""

_Said = tuple[int, Finding]


def coverage(subject: Subject) -> Iterator[_Said]:
    """Whether a scan reaches the ends of the ranges that its method or configuration states.

    It may end one interval earlier, since a scan stops at the last whole step.
    """
    for ranges, rows in subject.by_ranges.items():
        for finding in _short_of(subject, ranges):
            yield from ((row, finding) for row in rows)


def _short_of(subject: Subject, ranges: Sequence[Range]) -> Iterator[Finding]:
    nm = subject.nm
    first, last = float(nm.min()), float(nm.max())
    step = float(np.abs(np.diff(nm)).max()) if nm.size > 1 else 0.0
    low = min(ranges, key=lambda r: min(r.start, r.stop))
    high = max(ranges, key=lambda r: max(r.start, r.stop))
    start, stop = min(low.start, low.stop), max(high.start, high.stop)
    for asked, found, of in ((start, first, low), (stop, last, high)):
        short = found - asked if asked == start else asked - found
        if short > 1.001 * max(step, of.interval_nm or 0.0):
            ends = sorted((subject.place(asked), subject.place(found)))
            yield Finding(
                check=Check.COVERAGE,
                severity=Severity.REMARK,
                text=(
                    f"the scan ends at {found:g} nm, {short:g} nm short of {asked:g} nm, where its "
                    "stated range ends"
                ),
                advice="See whether the scan was stopped early, or state the range meant for it.",
                value=short,
                unit="nm",
                at=subject.place(found),
                start=ends[0],
                stop=ends[1],
            )


def spacing(subject: Subject) -> Iterator[_Said]:
    """Whether the points lie evenly, and as far apart as the header or the settings state."""
    axis = subject.spectra.axis
    uneven, unit = grid_of(axis).uneven, UNIT_WORDS[axis.unit]
    if uneven is not None:
        finding = Finding(
            check=Check.SPACING,
            severity=Severity.REMARK,
            text=(
                f"{uneven.count} of {uneven.of} steps of the grid differ from those beside them by "
                f"more than a quarter; worst {uneven.worst:g} {unit} at {uneven.at:g} {unit}, "
                f"where {uneven.usual:g} {unit} is usual"
            ),
            advice="See how the export writes positions, or whether points were dropped.",
            value=uneven.worst,
            unit=axis.unit,
            at=uneven.at,
        )
        yield from ((row, finding) for row in range(len(subject.known)))
    for ranges, rows in subject.by_ranges.items():
        for finding in _unlike(subject, ranges):
            yield from ((row, finding) for row in rows)


def _unlike(subject: Subject, ranges: Sequence[Range]) -> Iterator[Finding]:
    if subject.spectra.axis.unit not in ("nm", "um"):
        return
    nm = subject.nm
    middles, steps = (nm[1:] + nm[:-1]) / 2, np.diff(nm)
    for each in ranges:
        start, stop = sorted((each.start, each.stop))
        inside = steps[(middles > start) & (middles < stop)]
        if each.interval_nm is None or not inside.size:
            continue
        found = float(np.median(inside))
        if abs(found / each.interval_nm - 1) > _UNLIKE:
            yield Finding(
                check=Check.SPACING,
                severity=Severity.REMARK,
                text=(
                    f"from {start:g} to {stop:g} nm the points lie {found:g} nm apart; "
                    f"stated are {each.interval_nm:g} nm"
                ),
                advice="See whether another method was run, or correct the stated interval.",
                value=found,
                unit="nm",
                start=subject.place(start),
                stop=subject.place(stop),
            )


def missing_values(subject: Subject) -> Iterator[_Said]:
    """Points that a regular grid lacks, and values that the export marks as missing."""
    axis = subject.spectra.axis
    unit = UNIT_WORDS[axis.unit]
    gaps = [
        Finding(
            check=Check.MISSING,
            severity=Severity.DOUBT,
            text=(
                f"no points between {gap.start:g} and {gap.stop:g} {unit}, where the grid has "
                f"one every {gap.step:g} {unit}: {gap.points} are missing"
            ),
            advice="What lies in the gap was not seen; scan it again.",
            value=gap.points,
            unit="points",
            start=gap.start,
            stop=gap.stop,
        )
        for gap in grid_of(axis).gaps
    ]
    if gaps:
        for row in range(len(subject.known)):
            yield from ((row, gap) for gap in gaps)
    if subject.missing is not None:
        for row in map(int, np.flatnonzero(subject.missing.any(axis=1))):
            yield row, _missing_of(subject, subject.missing[row])


def _missing_of(subject: Subject, gone: BoolArray) -> Finding:
    x, unit = subject.spectra.axis.values, UNIT_WORDS[subject.spectra.axis.unit]
    where, there = np.flatnonzero(gone), np.flatnonzero(~gone)
    first, last = float(x[where[0]]), float(x[where[-1]])
    amount = f"{where.size} of {x.size} values are missing"
    inner = there.size and bool(((where > there[0]) & (where < there[-1])).any())
    if not there.size:
        text, advice = "all values are missing", "Nothing was measured; scan it again."
    elif inner:
        edges = np.flatnonzero(np.diff(gone.astype(np.int8), prepend=0, append=0))
        starts, stops = edges[::2], edges[1::2]
        longest = int(np.argmax(stops - starts))
        text = (
            f"{amount}, between {first:g} and {last:g} {unit}; the longest run has "
            f"{int((stops - starts)[longest])}, from {float(x[starts[longest]]):g} {unit} on"
        )
        advice = "What lies there was not seen; scan it again."
    else:
        text = (
            f"{amount}, all at the ends: values run from {x[there[0]]:g} to {x[there[-1]]:g} {unit}"
        )
        advice = "See whether the scan was stopped early."
    return Finding(
        check=Check.MISSING,
        severity=Severity.DOUBT if inner or not there.size else Severity.REMARK,
        text=text,
        advice=advice,
        value=float(where.size),
        unit="points",
        start=first,
        stop=last,
    )
