"""Whether values lie where no value can: beyond full scale, or below zero by more than noise."""

from collections.abc import Iterator
from functools import lru_cache
from math import sqrt

import numpy as np

from speclake.checks import Check, Severity
from speclake.fitness.circumstances import Circumstances
from speclake.fitness.falsealarms import share, threshold
from speclake.fitness.findings import Finding
from speclake.fitness.grids import UNIT_WORDS
from speclake.fitness.subject import Subject
from speclake.measurement import Correction, Kind
from speclake.spectrum import FloatArray

BEND_OF_NOISE = sqrt(70.0) / 6.0
"""Standard deviation of `Subject.bends` where that of white noise is 1."""
MEDIAN_OF_NORMAL = 0.6744897501960817
"""Median of the absolute value of a standard normal variable."""

_REACH = 60
_LOGARITHMS = ("A", "log(1/R)")
_REFLECTANCES = ("R", "%R", "log(1/R)")
_LINES = (Kind.BLANK, Kind.ZERO_LINE, Kind.REFERENCE)

_Said = tuple[int, Finding]


def noise_around(subject: Subject, row: int, point: int) -> float:
    """Standard deviation of the noise beside a point, in percent, from the median of the bends.

    The larger of both sides counts, since at a change-over the noise changes too.
    """
    at, found = point - 2, np.abs(subject.bends[row])
    sides = (found[max(at - _REACH, 0) : max(at, 0)], found[max(at + 1, 0) : at + 1 + _REACH])
    medians = [float(np.median(side)) for side in sides if side.size >= 5]
    return max(medians, default=0.0) / MEDIAN_OF_NORMAL / BEND_OF_NOISE


def beyond(subject: Subject) -> Iterator[_Said]:
    """Values above 100 % or below 0 % by more than their full uncertainty.

    That is the uncertainty of the scale and the noise of the point, added: the first is the same
    for all points, so the largest of many points is that of the noise on top of it. Above 100 %
    nothing is said of what was measured against a reference, since it may well exceed 100, nor of
    blanks and lines. Of a raw ratio without a known reference it is a remark: of a transmittance it
    is most likely the ratio to the empty beam, which does not exceed 100. So it is of a reflectance
    whose correction nobody stated, and of an absorbance. A fluorescent part may exceed 100 %
    rightly too; nothing in a measurement says that it is one.
    """
    light, scale = subject.light, subject.limits.scale_uncertainty_percent
    highest, lowest = light.max(axis=1), light.min(axis=1)
    for row in map(int, np.flatnonzero(highest > 100.0 + scale)):
        severity = _above(subject, subject.known[row])
        if severity is not None:
            yield from _beyond(subject, row, 1.0, severity)
    if subject.spectra.unit not in _LOGARITHMS:
        for row in map(int, np.flatnonzero(lowest < -scale)):
            if subject.known[row].kind != Kind.ZERO_LINE:
                yield from _beyond(subject, row, -1.0, Severity.DOUBT)


def _above(subject: Subject, known: Circumstances) -> Severity | None:
    if known.kind in _LINES:
        return None
    if known.correction in (None, Correction.RAW_RATIO):
        if any(each.role == "reference" for each in known.against):
            return None
        if known.correction is not None:
            return None if subject.spectra.unit in _REFLECTANCES else Severity.REMARK
        if subject.spectra.unit in ("R", "%R", *_LOGARITHMS):
            return Severity.REMARK
    return Severity.DOUBT


def _beyond(subject: Subject, row: int, sign: float, severity: Severity) -> Iterator[_Said]:
    axis, light = subject.spectra.axis, subject.light[row]
    limit = 100.0 if sign > 0 else 0.0
    excess = sign * (light - limit)
    if subject.missing is not None:
        excess = np.where(subject.missing[row], -np.inf, excess)
    point = int(np.argmax(excess))
    noise = threshold(subject.limits, len(axis)) * noise_around(subject, row, point)
    allowed = subject.limits.scale_uncertainty_percent + noise
    where = np.flatnonzero(excess > allowed)
    if not where.size:
        return
    x, unit = axis.values, UNIT_WORDS[axis.unit]
    value, in_unit = float(subject.filled[row, point]), subject.spectra.unit
    told = f", which is {light[point]:.4g} %" if in_unit in _LOGARITHMS else ""
    yield (
        row,
        Finding(
            check=Check.BEYOND,
            severity=severity,
            text=(
                f"{value:.6g} {in_unit} at {x[point]:g} {unit}{told}: beyond {limit:g} % by more "
                f"than the {allowed:.2g} % that scale and noise explain, at {where.size} points"
            ),
            advice=(
                "See baseline and reference, and whether the beam was cut; a ratio to a reference, "
                "and a fluorescent part, may rightly exceed 100 %. Where it was measured against a "
                "reference, say against which."
                if sign > 0
                else "Take the zero line again with the beam blocked."
            ),
            value=float(excess[point]),
            uncertainty=float(allowed),
            unit="%",
            at=float(x[point]),
            start=float(x[where[0]]),
            stop=float(x[where[-1]]),
        ),
    )


# below zero, over stretches

_BATCH = 4
_BATCHES = (16, 64)
"""Means of 4 points are looked at over windows of 16 and of 64 of them, a quarter of one apart."""
_FEWEST_BLOCKS = 24
_BLOCKS = (2, 4, 8, 16, 32)
_WHITE = 1.35
"""How far the mean squares of second differences may lie apart where noise is white."""
_GATE = 0.65
"""Of the threshold, at which a closer look begins."""


def offset_below_zero(subject: Subject) -> Iterator[_Said]:
    """Stretches whose mean lies below zero by more than noise.

    Single negative values are normal where nothing is transmitted, and raise nothing. The standard
    error of a mean comes from second differences. Where neighbouring values share their noise it
    is larger: means of blocks of 2, 4 ... 32 points then scatter more than white noise would, and
    the largest excess counts (the method of blocks of H. Flyvbjerg and H. G. Petersen, Error
    estimates on averages of correlated data, J. Chem. Phys. 91 (1989) 461). Noise that is shared
    over more than some 30 points is not seen. Logarithms have no values below zero to look at.
    """
    if subject.spectra.unit in _LOGARITHMS or subject.light.shape[1] < _BATCH * _BATCHES[0]:
        return
    rows = np.flatnonzero(subject.light.min(axis=1) < 0)
    rows = rows[[subject.known[int(row)].kind != Kind.ZERO_LINE for row in rows]]
    if not rows.size:
        return
    light = subject.light[rows]
    points = light.shape[1] // _BATCH * _BATCH
    means = light[:, 0:points:_BATCH] / _BATCH
    for k in range(1, _BATCH):
        means += light[:, k:points:_BATCH] / _BATCH
    low = np.zeros(means.shape, dtype=bool)
    for size in _BATCHES:
        if means.shape[1] >= size:
            _mark(subject, means, size, low)
    for at in np.flatnonzero(low.any(axis=1)):
        edges = np.flatnonzero(np.diff(low[at].astype(np.int8), prepend=0, append=0))
        for start, stop in zip(edges[::2], edges[1::2], strict=True):
            finding = _offset(subject, int(rows[at]), start * _BATCH, stop * _BATCH)
            if finding is not None:
                yield int(rows[at]), finding


def _mark(subject: Subject, means: FloatArray, size: int, low: np.ndarray) -> None:
    """Mark in `low` the batches of windows whose mean lies below zero beyond noise."""
    hop = size // 4
    mean = _sums(means, size)[:, ::hop] / size
    if not (mean < 0).any():
        return
    square = _sums(np.diff(means, 2, axis=1) ** 2, size - 2)[:, ::hop] / (size - 2) / 6.0
    error = np.sqrt(np.maximum(square, 0.0) / size)
    quantile = _GATE * _quantile(share(subject.limits) / mean.shape[1], _freedom(size))
    for row, window in np.argwhere(mean < -quantile * error):
        low[row, window * hop : window * hop + size] = True


def _sums(values: FloatArray, size: int) -> FloatArray:
    """Sums over each `size` neighbours of a row."""
    running = np.cumsum(values, axis=1)
    running[:, size:] -= running[:, :-size].copy()
    return running[:, size - 1 :]


def _offset(subject: Subject, row: int, start: int, stop: int) -> Finding | None:
    axis, light = subject.spectra.axis, subject.light[row, start:stop]
    if subject.missing is not None and subject.missing[row, start:stop].mean() > 0.1:
        return None
    digit = float(subject.digits[row]) * (subject.percent or 1.0)
    digit = digit if np.isfinite(digit) else 0.0
    mean = float(light.mean())
    if mean > -max(digit / 2, 1e-9):
        return None
    looks = max(len(axis) // light.size, 1) * 4
    shared = min(_shared(subject.light[row]), _shared_within(light))
    error, block = shared * _error_of_mean(light, 1), 1
    while light.size // block >= _FEWEST_BLOCKS:
        error = max(error, _error_of_mean(light, block))
        freedom = _freedom(light.size // block)
        if mean > -_quantile(share(subject.limits) / looks, freedom) * error:
            return None
        block *= 2
    x, unit = axis.values, UNIT_WORDS[axis.unit]
    factor, in_unit = subject.percent or 1.0, subject.spectra.unit
    return Finding(
        check=Check.OFFSET,
        severity=Severity.DOUBT,
        text=(
            f"from {x[start]:g} to {x[stop - 1]:g} {unit} the mean is {mean / factor:.3g} "
            f"{in_unit} with U = {2 * error / factor:.2g} {in_unit} from noise: below zero by more "
            "than noise explains"
        ),
        advice=(
            "Take the zero line again with the beam blocked; optical densities from this stretch "
            "are too high, or have no value."
        ),
        value=mean / factor,
        uncertainty=2 * error / factor,
        unit=in_unit,
        start=float(x[start]),
        stop=float(x[stop - 1]),
    )


def _error_of_mean(light: FloatArray, block: int) -> float:
    """Standard error of a mean from second differences of the means of blocks."""
    means = _block_means(light, block)
    return sqrt(float((np.diff(means, 2) ** 2).mean()) / 6.0 / means.size)


def _shared(light: FloatArray) -> float:
    """How much larger the error of a mean is than with white noise, 1 or more, by a whole row."""
    sizes = {b: np.abs(np.diff(_block_means(light, b), 2)) for b in (1, *_BLOCKS)}
    typical = {b: float(np.median(size)) for b, size in sizes.items() if size.size >= 8}
    if typical[1] == 0:
        # coarse digits: most second differences are 0
        typical = {b: float(sizes[b].mean()) for b in typical}
    if typical[1] == 0:
        return 1.0
    return max(sqrt(b) * each / typical[1] for b, each in typical.items())


def _shared_within(light: FloatArray) -> float:
    """The same by a stretch alone, where its noise is white; infinite where it is not.

    A row of fringes says nothing of the noise where it is blocked. Second differences over 2, 4
    and 8 points are as large as those over one if neighbours share nothing.
    """
    squares = [
        float(((light[: -2 * k] - 2 * light[k:-k] + light[2 * k :]) ** 2).mean())
        for k in (1, 2, 4, 8)
    ]
    if squares[0] == 0 or max(squares) > _WHITE * squares[0]:
        return float("inf")
    return sqrt(max(squares) / squares[0])


def _block_means(light: FloatArray, block: int) -> FloatArray:
    blocks = light.size // block
    means: FloatArray = light[: blocks * block].reshape(blocks, block).mean(axis=1)
    return means


def _freedom(blocks: int) -> float:
    """Degrees of freedom of the mean square of second differences: 18/35 of their number.

    The squares of neighbouring second differences of white noise correlate by (4/6)² and (1/6)²:
    1 / (1 + 2 (16/36 + 1/36)) = 18/35.
    """
    return (blocks - 2) * 18.0 / 35.0


@lru_cache(maxsize=256)
def _quantile(chance: float, freedom: float) -> float:
    """Upper quantile of Student's distribution, one-sided."""
    from scipy.special import stdtrit  # slow to import

    return -float(stdtrit(freedom, chance))
