"""Spikes and dropouts: values that no spectrum can show, since its band pass is wider.

A slit shows an infinitely narrow line as a triangle as wide at half height as the bandwidth, and a
sudden change as a slope of one over the bandwidth. What is narrower or steeper did not pass it.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from speclake.checks import Check, Severity
from speclake.fitness.bandwidths import points_of_bandwidth
from speclake.fitness.falsealarms import threshold
from speclake.fitness.findings import Finding
from speclake.fitness.grids import UNIT_WORDS
from speclake.fitness.physical import BEND_OF_NOISE, MEDIAN_OF_NORMAL
from speclake.fitness.spikerivals import at_its_place, like_a_line
from speclake.fitness.subject import Subject
from speclake.spectrum import FloatArray

_STRETCH = 150
_EVERY = 3
"""The scale of a stretch comes from every third point of it."""
_GATE = 0.85
"""Of the threshold, at which a closer look begins."""
_AROUND, _CALM = 45, 14
"""Points to either side that the noise is taken from, and that must be calm."""
_LOW, _LOW_BY_NOISE = 0.3, 1.5
"""Share of the height that the points beside a spike may have, and times the noise in addition."""
_NARROW = 0.6
"""Share of the bandwidth within which nothing real can be as narrow."""
_WIDE_FROM = 10.0 / 3.0
"""Points in a bandwidth from which spikes of two and three points can be told."""
_CLIFF = 0.75
"""Share of the height that a wider spike must gain from one point to the next."""
_STEEP = 1.5
_MOST_TOLD = 5

_Indices = npt.NDArray[np.intp]
_Said = tuple[int, Finding]


@dataclass(frozen=True)
class _Pulses:
    """Narrow pulses: row, point, height in percent, width in points."""

    rows: _Indices
    points: _Indices
    heights: FloatArray
    widths: _Indices


def spikes(subject: Subject) -> Iterator[_Said]:
    """Pulses of one point, and of two or three where the bandwidth spans five or more.

    The height over a cubic through the points beside it must exceed the local noise by the
    threshold of the budget, and the points beside it must be low and calm. A line as narrow as the
    stated slit shows any must not explain it as well. Where nobody stated the bandwidth, or it
    spans less than two points, a real line looks the same: then it is a remark. Within five points
    of an end nothing is seen.
    """
    if subject.light.shape[1] < 2 * _CALM:
        return
    wide = _bandwidths(subject)
    found = _pulses(subject, subject.bends, 1)
    spans = _at(wide, found)
    real = (found.widths == 1) & ~(spans < 2.0)
    real &= at_its_place(subject.light, found.rows, found.points)
    real &= ~_lines(subject, found, spans, real)
    told = {(int(r), int(p)): w for r, p, w in zip(*_only(found, real), strict=True)}
    rows = _rows_of(subject, _WIDE_FROM)
    if rows.size:
        light = subject.light if rows.size == len(subject.light) else subject.light[rows]
        more = _pulses(subject, _broad_bends(light), 2, rows)
        spans = np.nan_to_num(_at(wide, more))
        narrow = more.widths <= _NARROW * spans * (1 + 1e-9)
        narrow &= ~_lines(subject, more, spans, narrow)
        for row, point, width in zip(*_only(more, narrow), strict=True):
            if not any((int(row), int(point) + k) in told for k in range(-3, 4)):
                told[int(row), int(point)] = width
    by_row: dict[int, list[tuple[int, int]]] = {}
    for (row, point), width in sorted(told.items()):
        by_row.setdefault(row, []).append((point, int(width)))
    for row, places in by_row.items():
        yield from _told(subject, row, places, wide.get(row))


def _lines(
    subject: Subject, found: _Pulses, spans: FloatArray, asked: npt.NDArray[np.bool_]
) -> npt.NDArray[np.bool_]:
    """Which of the pulses that are asked for are as well lines of the stated bandwidth."""
    lines = np.zeros(asked.size, dtype=bool)
    for k in np.flatnonzero(asked & (spans >= 2.0)):
        row, point, width = (int(each[k]) for each in (found.rows, found.points, found.widths))
        lines[k] = like_a_line(subject.light[row], point, width, float(spans[k]))
    return lines


def _bandwidths(subject: Subject) -> dict[int, FloatArray]:
    """Bandwidth in points by row, where somebody stated one."""
    found: dict[int, FloatArray] = {}
    for ranges, rows in subject.by_ranges.items():
        if any(each.bandwidth_nm is not None for each in ranges):
            found.update(dict.fromkeys(rows, points_of_bandwidth(subject, ranges)))
    return found


def _rows_of(subject: Subject, points: float) -> _Indices:
    """Rows whose bandwidth spans so many points somewhere."""
    found: list[int] = []
    for ranges, rows in subject.by_ranges.items():
        if (points_of_bandwidth(subject, ranges) >= points).any():
            found += rows
    return np.array(sorted(found), dtype=np.intp)


def _at(wide: dict[int, FloatArray], found: _Pulses) -> FloatArray:
    pairs = zip(found.rows, found.points, strict=True)
    return np.array([wide[int(r)][p] if int(r) in wide else np.nan for r, p in pairs], dtype=float)


def _only(found: _Pulses, those: npt.NDArray[np.bool_]) -> tuple[_Indices, _Indices, _Indices]:
    return found.rows[those], found.points[those], found.widths[those]


def _broad_bends(light: FloatArray) -> FloatArray:
    """As `Subject.bends`, from every second point: a pulse of up to three points stands out."""
    found = light[:, 2:-6] + light[:, 6:-2]
    found *= -2.0 / 3.0
    found += light[:, 4:-4]
    far = light[:, :-8] + light[:, 8:]
    far *= 1.0 / 6.0
    found += far
    return found


def _pulses(
    subject: Subject, bends: FloatArray, stride: int, of_rows: _Indices | None = None
) -> _Pulses:
    """Isolated pulses among the bends of some rows; `stride` is the distance of their points."""
    digits = np.zeros(len(bends))
    if subject.percent is not None:
        known = subject.digits if of_rows is None else subject.digits[of_rows]
        digits = np.where(np.isfinite(known), known, 0.0) * subject.percent
    limit = threshold(subject.limits, bends.shape[1])
    rows, at, coarse = _candidates(bends, limit, 2.0 * digits)
    alone = _stand_alone(bends, rows, at, stride)
    rows, at, coarse = rows[alone], at[alone], coarse[alone]
    noise = np.maximum(_noise_beside(bends, rows, at, stride), coarse)
    loud = np.abs(bends[rows, at]) > limit * noise
    rows, at, noise = rows[loud], at[loud], noise[loud] / BEND_OF_NOISE
    points = at + 2 * stride
    rows = rows if of_rows is None else of_rows[rows]
    height, inner, digit = _shape(subject.light, rows, points, stride)
    size = np.abs(height)
    excess = np.sign(height)[:, None] * inner
    width = np.count_nonzero(excess > size[:, None] / 2, axis=1)
    ends = excess[:, [0, -1]].max(axis=1, initial=-np.inf)
    # a step of s stands s/2 off the cubic, and its neighbours 0.4 s apart
    apart = np.abs(inner[:, 0] - inner[:, -1]) if stride == 1 else size
    step = np.abs(_step_across(subject.light, rows, points, stride))
    good = (apart < 0.25 * size) | (step < size)
    good &= (size > 3.0 * digit) & (width >= 1) & (ends < _LOW * size + _LOW_BY_NOISE * noise)
    if stride > 1:
        # the summit of a triangle is a bend too, but its flanks are no cliffs
        good &= np.abs(np.diff(inner, axis=1)).max(axis=1, initial=0.0) > _CLIFF * size
    if subject.missing is not None:
        near = np.clip(points[:, None] + np.arange(-3, 4), 0, subject.light.shape[1] - 1)
        good &= ~subject.missing[rows[:, None], near].any(axis=1)
    return _Pulses(rows[good], points[good], height[good], width[good])


def _sizes(bends: FloatArray, rows: _Indices, at: _Indices, offsets: _Indices) -> FloatArray:
    """Sizes of the bends at some distances; what repeats at the ends does no harm here."""
    index = np.clip(at[:, None] + offsets, 0, bends.shape[1] - 1)
    sizes: FloatArray = np.abs(bends[rows[:, None], index])
    return sizes


def _stand_alone(
    bends: FloatArray, rows: _Indices, at: _Indices, stride: int
) -> npt.NDArray[np.bool_]:
    """Whether bends are twice as large as any beside them that the same pulse does not touch."""
    away = np.arange(2 * stride + 2, _CALM + 1)
    beside = _sizes(bends, rows, at, np.r_[-away, away]).max(axis=1, initial=0.0)
    alone: npt.NDArray[np.bool_] = beside < np.abs(bends[rows, at]) / 2
    return alone


def _noise_beside(bends: FloatArray, rows: _Indices, at: _Indices, stride: int) -> FloatArray:
    """Standard deviation of the bends beside: the larger of both sides, as at a change-over."""
    away = np.arange(2 * stride + 2, _AROUND + 1)
    sides = _sizes(bends, rows, at, np.r_[-away, away]).reshape(len(rows), 2, away.size)
    found: FloatArray = np.median(sides, axis=2).max(axis=1, initial=0.0) / MEDIAN_OF_NORMAL
    return found


def _candidates(
    bends: FloatArray, limit: float, floor: FloatArray
) -> tuple[_Indices, _Indices, FloatArray]:
    """Row and place of bends that are the largest around and large for their stretch.

    The scale beside them is the largest of their stretch and its neighbours, since at a change-over
    the noise changes within one.
    """
    n, m = bends.shape
    size = np.abs(bends)
    length = min(_STRETCH, m)
    whole = m // length * length
    stretches = size[:, :whole].reshape(n, -1, length)
    some = stretches[:, :, ::_EVERY]
    middle = some.shape[2] // 2
    scale = np.partition(some, middle, axis=2)[:, :, middle] / MEDIAN_OF_NORMAL
    lowest = np.maximum(_GATE * limit * scale, floor[:, None])
    large = stretches > lowest[:, :, None]
    rows, at = np.divmod(np.flatnonzero(large), whole)
    if whole < m:
        tail_rows, tail = np.nonzero(size[:, whole:] > lowest[:, -1:])
        rows, at = np.r_[rows, tail_rows], np.r_[at, tail + whole]
    if rows.size:
        index = np.clip(at[:, None] + np.arange(-2, 3), 0, m - 1)
        peak = size[rows, at] >= size[rows[:, None], index].max(axis=1)
        rows, at = rows[peak], at[peak]
    own, end = np.minimum(at // length, scale.shape[1] - 1), scale.shape[1] - 1
    beside = scale[rows, np.minimum(own + 1, end)], scale[rows, np.maximum(own - 1, 0)]
    return rows, at, np.maximum(np.maximum(*beside), scale[rows, own])


def _shape(
    light: FloatArray, rows: _Indices, points: _Indices, stride: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Heights over the cubic through the points 2 and 3 strides to both sides.

    Returns
    -------
    Height at the point, shape (m,); heights from the first neighbour, or the third for a stride of
    two, on the one side to that on the other, shape (m, 3) or (m, 7); least step of the values
    around, shape (m,).
    """
    last = light.shape[1] - 1
    nodes = np.array([-3, -2, 2, 3]) * stride
    inner = np.arange(1 - 2 * stride, 2 * stride)
    powers = np.vander(nodes.astype(float), 4)
    weights = np.vander(inner.astype(float), 4) @ np.linalg.inv(powers)
    ends = light[rows[:, None], np.clip(points[:, None] + nodes, 0, last)]
    middle = light[rows[:, None], np.clip(points[:, None] + inner, 0, last)]
    heights = middle - ends @ weights.T
    around = np.clip(points[:, None] + np.arange(-_CALM, _CALM + 1), 0, last)
    steps = np.abs(np.diff(light[rows[:, None], around], axis=1))
    # coarse digits make steps of whole digits
    digit = np.where(steps > 1e-12, steps, np.inf).min(axis=1, initial=np.inf)
    return heights[:, inner.size // 2], heights, np.where(np.isfinite(digit), digit, 0.0)


def _step_across(light: FloatArray, rows: _Indices, points: _Indices, stride: int) -> FloatArray:
    """Step in level between five points on either side, less what their slopes make of it."""
    away = 2 * stride + np.arange(5)
    index = np.clip(points[:, None] + np.r_[-away[::-1], away], 0, light.shape[1] - 1)
    sides = light[rows[:, None], index].reshape(len(rows), 2, 5)
    centred = np.arange(5) - 2.0
    slopes = sides @ centred / (centred @ centred)
    levels = sides.mean(axis=2)
    distance = 2.0 * (2 * stride + 2)
    step: FloatArray = levels[:, 1] - levels[:, 0] - slopes.mean(axis=1) * distance
    return step


def _told(
    subject: Subject, row: int, places: list[tuple[int, int]], wide: FloatArray | None
) -> Iterator[_Said]:
    axis, y, in_unit = subject.spectra.axis, subject.filled[row], subject.spectra.unit
    unit = UNIT_WORDS[axis.unit]
    heights = [float(y[p] - (y[p - 2] + y[p + 2]) / 2) for p, _ in places]
    order = sorted(range(len(places)), key=lambda k: -abs(heights[k]))
    x = axis.values
    for k in sorted(order[:_MOST_TOLD]):
        point, width = places[k]
        span = np.nan if wide is None else float(wide[point])
        sure = span >= 2.0
        why = (
            f"narrower than the bandwidth of {span:.2g} points lets anything be"
            if sure
            else "a real line as narrow as the interval would look the same"
        )
        first, last = x[max(point - width, 0)], x[min(point + width, x.size - 1)]
        more = f"; {len(places)} such in all" if len(places) > _MOST_TOLD else ""
        yield (
            row,
            Finding(
                check=Check.SPIKE,
                severity=Severity.DOUBT if sure else Severity.REMARK,
                text=(
                    f"{y[point]:.6g} {in_unit} at {x[point]:g} {unit} stands {heights[k]:+.3g} "
                    f"{in_unit} off its neighbours, {width} point{'s' * (width > 1)} wide: {why}"
                    f"{more}"
                ),
                advice="Scan this stretch again; a real line comes back, a spike does not.",
                value=heights[k],
                unit=in_unit,
                at=float(x[point]),
                start=float(first),
                stop=float(last),
            ),
        )


def dropouts(subject: Subject) -> Iterator[_Said]:
    """Steps from one point to the next that are steeper than the bandwidth lets any edge be.

    An edge from 0 to 100 % becomes a slope of at most 100 % over one bandwidth; half as much again
    is allowed for. It takes a stated bandwidth of two points or more.
    """
    if not subject.by_ranges or subject.light.shape[1] < 2:
        return
    logarithms = subject.spectra.unit in ("A", "log(1/R)")
    steps = np.diff(subject.light, axis=1) if logarithms else subject.steps
    factor = 1.0 if logarithms else subject.percent or 1.0
    steepest = factor * np.maximum(steps.max(axis=1), -steps.min(axis=1))
    for ranges, rows in subject.by_ranges.items():
        span = points_of_bandwidth(subject, ranges)
        span = np.minimum(span[1:], span[:-1])
        allowed = np.where(span >= 2.0, _STEEP * 100.0 / span, np.inf)
        for row in rows:
            if steepest[row] > allowed.min():
                steep = np.flatnonzero(factor * np.abs(steps[row]) > allowed)
                if steep.size:
                    yield row, _steep(subject, row, steep, span)


def _steep(subject: Subject, row: int, steep: _Indices, span: FloatArray) -> Finding:
    axis, y, in_unit = subject.spectra.axis, subject.filled[row], subject.spectra.unit
    x, unit = axis.values, UNIT_WORDS[axis.unit]
    first, last = int(steep[0]), int(steep[-1])
    more = f", and {steep.size - 1} more such steps up to {x[last + 1]:g} {unit}"
    return Finding(
        check=Check.SPIKE,
        severity=Severity.DOUBT,
        text=(
            f"from {y[first]:.5g} to {y[first + 1]:.5g} {in_unit} between {x[first]:g} and "
            f"{x[first + 1]:g} {unit}{more if steep.size > 1 else ''}: a bandwidth of "
            f"{span[first]:.2g} points lets no edge be steeper than {100 / span[first]:.3g} % "
            "a point"
        ),
        advice="See whether the beam was cut or the reading dropped out, and scan it again.",
        value=float(y[first + 1] - y[first]),
        unit=in_unit,
        at=float(x[first]),
        start=float(x[first]),
        stop=float(x[last + 1]),
    )
