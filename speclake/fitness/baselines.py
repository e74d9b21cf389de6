"""What a spectrum was measured against, and whether blanks and zero lines are flat.

Most exports do not say which baseline they used. That is no fault of the scan, so nothing is said
of it unless the laboratory wants it (`baseline_needed`); a blank that merely came last before a
scan is only then taken for its baseline.
"""

from collections.abc import Iterator
from datetime import datetime, timedelta

import numpy as np

from speclake.checks import Check, Severity
from speclake.fitness.circumstances import Against, Circumstances
from speclake.fitness.falsealarms import threshold
from speclake.fitness.findings import Figure, Finding
from speclake.fitness.matching import student
from speclake.fitness.regions import Rows
from speclake.fitness.subject import Subject
from speclake.measurement import Correction, Kind, Range
from speclake.spectrum import FloatArray
from speclake.units import QUANTITY_OF_UNIT

GUESSED = "the latest one before"
"""Evidence that is none but the order in time."""

CLOCK = timedelta(minutes=2)
"""By so much a baseline may seem later than its scan: clocks that show minutes."""

ALIKE = 0.05
"""Relative difference of bandwidths, intervals or responses that is none; common practice."""

STRETCH_POINTS = 20
"""Points of one stretch of a line whose mean is held against its level."""

FREEDOM = 13.0
"""Of the noise of a stretch: the variance from 19 differences has two thirds as many; J. von
Neumann and others, Annals of Mathematical Statistics 12 (1941) 153."""

LOOKS_RAW_PERCENT = 2.0
"""A reflectance line whose correction nobody states counts as a ratio this close to 100 %."""

Said = tuple[int, Finding | Figure]

_RENEW = "Take a new baseline under the conditions of the scan and measure again."


def check_baselines(subject: Subject) -> Iterator[tuple[int, Finding]]:
    """Age of the baseline and reference, and whether they were measured as the spectrum was."""
    needed = subject.limits.baseline_needed
    for row, known in enumerate(subject.known):
        if known.kind in (Kind.BLANK, Kind.ZERO_LINE):
            continue
        against = [a for a in known.against if needed or a.evidence != GUESSED]
        if needed and known.baseline_at is None and not any(_is_base(a) for a in against):
            yield row, _unknown()
        yield from ((row, each) for each in _of_age(subject, known, against))
        for each in against:
            for finding in _mismatch(subject, known, each):
                yield row, finding
        for each in known.against:
            yield from ((row, finding) for finding in _crooked(subject, known, each))


def check_lines(subject: Subject) -> Iterator[Said]:
    """Whether 100 % lines of blanks and 0 % lines of blocked beams are flat and at their level.

    The mean of each stretch of 20 points may lie off by the limit and its own uncertainty at the
    false-alarm threshold. The largest deviation is a figure, whether or not it is within.
    """
    for kind, level in ((Kind.BLANK, 100.0), (Kind.ZERO_LINE, 0.0)):
        rows = np.array([i for i, k in enumerate(subject.known) if k.kind is kind], dtype=np.intp)
        if rows.size and _has_level(subject, kind):
            yield from _off_level(subject, rows, level)


# age


def _is_base(against: Against) -> bool:
    return against.role in ("baseline", "reference")


def _unknown() -> Finding:
    return Finding(
        check=Check.BASELINE,
        severity=Severity.REMARK,
        text="neither header nor run sheet says which baseline this was measured against, and no "
        "blank was taken before",
        advice="Have the export tell the time of its baseline, or file a blank before the scan.",
    )


def _of_age(subject: Subject, known: Circumstances, against: list[Against]) -> Iterator[Finding]:
    if known.taken_at is None:
        return
    if known.baseline_at is not None:
        yield from _aged(
            subject, known.taken_at, known.baseline_at, Check.BASELINE, "the baseline", "header"
        )
    for each in against:
        if each.taken_at is None or (each.role == "baseline" and known.baseline_at is not None):
            continue
        check = Check.REFERENCE if each.role == "reference" else Check.BASELINE
        name = f"the {each.role} {each.name}"
        yield from _aged(subject, known.taken_at, each.taken_at, check, name, each.evidence)


def _aged(
    subject: Subject, taken: datetime, base: datetime, check: Check, name: str, evidence: str
) -> Iterator[Finding]:
    hours = (taken - base) / timedelta(hours=1)
    limit = subject.limits.baseline_hours
    guessed = evidence == GUESSED
    if hours > limit:
        yield Finding(
            check=check,
            severity=Severity.REMARK if guessed else Severity.DOUBT,
            text=f"{name} was {hours:.1f} h old when this was measured, more than {limit:g} h "
            f"({evidence})",
            advice=_RENEW,
            value=hours,
            unit="h",
        )
    elif base > taken + CLOCK:
        yield Finding(
            check=check,
            severity=Severity.DOUBT,
            text=f"{name} was taken {-hours:.1f} h after this was measured ({evidence})",
            advice="See whether the clocks agree and which baseline was in use.",
            value=hours,
            unit="h",
        )


# lines since


def _crooked(subject: Subject, known: Circumstances, against: Against) -> Iterator[Finding]:
    """A blank or zero line of the same bench that lay off: it shows what the baseline was worth.

    It is in doubt what shared its baseline, as far as that is known; else it is only remarked, and
    of a line that merely came before only within the age at which a baseline is renewed.
    """
    line, taken, limit = against.line, known.taken_at, subject.limits.line_flatness_percent
    if line is None or taken is None or against.taken_at is None:
        return
    hours = (taken - against.taken_at) / timedelta(hours=1)
    near = float(subject.nm.min()) <= line.at_nm <= float(subject.nm.max())
    if not near or abs(line.off) - line.uncertainty <= limit:
        return
    stated = against.evidence != GUESSED
    if not stated and not 0 <= hours <= subject.limits.baseline_hours:
        return
    shared = known.baseline_at is not None and known.baseline_at <= against.taken_at
    at = subject.place(line.at_nm)
    yield Finding(
        check=Check.BASELINE,
        severity=Severity.DOUBT if stated or shared else Severity.REMARK,
        text=f"the {_LINES[against.role]} {against.name}, taken {hours:.1f} h before this, lay "
        f"{line.off:+.2f} % ± {line.uncertainty:.2f} % (k = 2) off at {line.at_nm:g} nm "
        f"({against.evidence})",
        advice=_RENEW,
        value=line.off,
        uncertainty=line.uncertainty,
        unit="%",
        at=at,
    )


_LINES = {"baseline": "blank", "zero line": "zero line", "reference": "reference"}


# sample against reference


def _mismatch(subject: Subject, known: Circumstances, against: Against) -> Iterator[Finding]:
    severity = Severity.REMARK if against.evidence == GUESSED else Severity.DOUBT
    yield from _beyond(subject, against, severity)
    for mine in known.ranges:
        for other in against.ranges:
            low, high = _common(mine, other)
            if low < high:
                yield from _set_otherwise(subject, mine, other, (low, high), against)


def _beyond(subject: Subject, against: Against, severity: Severity) -> Iterator[Finding]:
    """Stretches of the spectrum that the other one did not reach."""
    if against.first_nm is None or against.last_nm is None:
        return
    nm = subject.nm
    spare = 1.5 * float(np.abs(np.diff(nm)).max(initial=0))
    for outside, word in (
        (nm < against.first_nm - spare, f"begins at {against.first_nm:g} nm"),
        (nm > against.last_nm + spare, f"ends at {against.last_nm:g} nm"),
    ):
        if outside.any():
            axis = subject.spectra.axis.values[outside]
            yield Finding(
                check=Check.REFERENCE,
                severity=severity,
                text=f"the {against.role} {against.name} {word}, this spectrum goes further: to "
                f"{nm[outside].min() if 'begins' in word else nm[outside].max():g} nm "
                f"({against.evidence})",
                advice="Measure both over the same range; nothing corrects the rest.",
                start=float(axis.min()),
                stop=float(axis.max()),
            )


def _common(mine: Range, other: Range) -> tuple[float, float]:
    a, b = sorted((mine.start, mine.stop)), sorted((other.start, other.stop))
    return max(a[0], b[0]), min(a[1], b[1])


_SET = (
    ("bandwidth_nm", "bandwidth", "nm", Severity.DOUBT),
    ("interval_nm", "interval", "nm", Severity.REMARK),
    ("response_s", "response", "s", Severity.REMARK),
)
"""A bandwidth changes the value; interval and response change resolution and noise of the line."""


def _set_otherwise(
    subject: Subject, mine: Range, other: Range, stretch: tuple[float, float], against: Against
) -> Iterator[Finding]:
    ends = sorted(subject.place(nm) for nm in stretch)
    for name, word, unit, weight in _SET:
        one, two = getattr(mine, name), getattr(other, name)
        if one is None or two is None or abs(one - two) <= ALIKE * max(abs(one), abs(two)):
            continue
        yield Finding(
            check=Check.REFERENCE,
            severity=Severity.REMARK if against.evidence == GUESSED else weight,
            text=f"{word} of {one:g} {unit} from {stretch[0]:g} to {stretch[1]:g} nm, but "
            f"{two:g} {unit} in the {against.role} {against.name} ({against.evidence})",
            advice="Measure both with the same settings.",
            value=one - two,
            unit=unit,
            start=ends[0],
            stop=ends[1],
        )


# lines


def _has_level(subject: Subject, kind: Kind) -> bool:
    """Whether the values of such a line have a level: an absorbance has no 0 % line."""
    unit = subject.spectra.unit
    return unit != "%A+S" and (kind is Kind.BLANK or subject.percent is not None)


def _off_level(subject: Subject, rows: Rows, level: float) -> Iterator[Said]:
    light = subject.light[rows]
    if subject.missing is not None:
        light = np.where(subject.missing[rows], np.nan, light)
    if light.shape[1] < STRETCH_POINTS:
        return
    means, errors, starts = _stretches(light)
    normal = threshold(subject.limits, starts.size)
    limit = subject.limits.line_flatness_percent
    for i, row in enumerate(rows):
        off, known = means[i] - level, subject.known[row]
        there = np.isfinite(off)
        if not there.any() or not _is_ratio(subject, known, off[there] + level):
            continue
        worst = int(np.argmax(np.where(there, np.abs(off), -1.0)))
        allowed = limit + float(student(normal, np.array([FREEDOM]))[0]) * errors[i]
        beyond = there & (np.abs(off) > allowed)
        yield int(row), _figure(subject, float(off[worst]), float(errors[i, worst]), starts[worst])
        if beyond.any():
            deepest = int(np.argmax(np.where(beyond, np.abs(off), -1.0)))
            yield (
                int(row),
                _not_flat(subject, level, off, errors[i], starts, np.flatnonzero(beyond), deepest),
            )


def _stretches(light: FloatArray) -> tuple[FloatArray, FloatArray, Rows]:
    """Mean of each stretch, its standard uncertainty, and its first point; (n, b), (n, b), (b,).

    The last stretch ends with the last point, and may share points with the one before.
    """
    p = light.shape[1]
    starts = np.arange(0, p - STRETCH_POINTS + 1, STRETCH_POINTS)
    if starts[-1] + STRETCH_POINTS < p:
        starts = np.append(starts, p - STRETCH_POINTS)
    parts = light[:, starts[:, None] + np.arange(STRETCH_POINTS)]
    here = np.isfinite(parts)
    count = here.sum(axis=2)
    enough = count >= STRETCH_POINTS // 2
    with np.errstate(invalid="ignore", divide="ignore"):
        means = np.where(here, parts, 0).sum(axis=2) / count
        steps = np.diff(parts, axis=2)
        pairs = np.isfinite(steps)
        variance = np.where(pairs, steps, 0) ** 2
        noise = np.sqrt(variance.sum(axis=2) / np.maximum(pairs.sum(axis=2), 1) / 2)
        errors = noise / np.sqrt(count)
    return np.where(enough, means, np.nan), np.where(enough, errors, np.nan), starts


def _is_ratio(subject: Subject, known: Circumstances, percent: FloatArray) -> bool:
    """Whether the line is a plain ratio; one times a certificate shows the standard instead."""
    if QUANTITY_OF_UNIT[subject.spectra.unit] == "transmittance":
        return True
    if known.correction is not None:
        return known.correction is Correction.RAW_RATIO
    if known.kind is Kind.ZERO_LINE or subject.spectra.unit == "A":
        return True
    return abs(float(np.median(percent)) - 100) < LOOKS_RAW_PERCENT


def _figure(subject: Subject, off: float, error: float, start: int) -> Figure:
    nm = np.sort(subject.nm[start : start + STRETCH_POINTS])
    return Figure(
        name="line",
        value=off,
        uncertainty=2 * error,
        unit="%",
        start=float(nm[0]),
        stop=float(nm[-1]),
        at=float(nm.mean()),
    )


def _not_flat(
    subject: Subject,
    level: float,
    off: FloatArray,
    errors: FloatArray,
    starts: Rows,
    beyond: Rows,
    worst: int,
) -> Finding:
    axis, nm = subject.spectra.axis.values, subject.nm
    middle = int(starts[worst]) + STRETCH_POINTS // 2
    first, last = int(starts[beyond[0]]), int(starts[beyond[-1]]) + STRETCH_POINTS - 1
    ends = sorted((float(nm[first]), float(nm[last])))
    name = "100 % line" if level else "0 % line"
    return Finding(
        check=Check.LINE,
        severity=Severity.DOUBT,
        text=(
            f"the {name} lies {off[worst]:+.2f} % ± {2 * errors[worst]:.2f} % (k = 2) off at "
            f"{nm[middle]:g} nm, more than {subject.limits.line_flatness_percent:g} %; "
            f"{beyond.size} of {starts.size} stretches do, from {ends[0]:g} to {ends[1]:g} nm"
        ),
        advice="Let lamps and purge settle, clean windows and cells, take the baseline anew "
        "and the blank again; scans since the last flat line share the error.",
        value=float(off[worst]),
        uncertainty=2 * float(errors[worst]),
        unit="%",
        at=float(axis[middle]),
        start=float(axis[first]),
        stop=float(axis[last]),
    )
