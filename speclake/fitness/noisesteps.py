"""Changes of noise where one detector, grating, lamp or filter takes over from another.

A detector has its own noise, so a change there is nothing wrong in itself. It is told where it
differs from what the instrument usually has on both sides, or, as long as that is not known, where
one side is much noisier than the other.
"""

from collections.abc import Iterator
from itertools import pairwise
from math import log

import numpy as np

from speclake.checks import Check, Severity
from speclake.fitness.circumstances import ChangeOver, Circumstances
from speclake.fitness.falsealarms import threshold
from speclake.fitness.findings import Finding
from speclake.fitness.pointnoise import (
    ORDER,
    STEEPER_ORDER,
    STRUCTURE_FROM,
    noise_of,
    point_noise,
    squared_differences,
)
from speclake.fitness.regions import (
    Region,
    Rows,
    changeovers_of,
    in_blocks,
    regions_between,
    rows_by,
)
from speclake.fitness.subject import Subject
from speclake.fitness.usual import usual_over
from speclake.spectrum import FloatArray

LOGARITHMS = ("A", "log(1/R)")
LN_10 = log(10.0)
WINDOWS = 5.0
"""Windows of the settings to either side over which the noise is taken."""
LAST_DIGIT_RMS = 12.0**-0.5
"""Standard deviation of rounding, in steps of the last digit."""


def check(subject: Subject) -> Iterator[tuple[int, Finding]]:
    """Remark where noise changes at a change-over more than `noise_times_usual` times.

    Where the usual noise is known it is the ratio of both sides over the usual ratio, which has to
    exceed the false-alarm threshold too. Where it is not, it is the ratio itself, by more than
    the threshold beyond `noise_times_usual`, because detectors differ with nothing wrong.
    Noise of a logarithmic unit rises as the light falls, so the noise of the light itself is taken.
    Structure as narrow as a few points is seen by differences of a higher order and left out.
    """
    for changeovers, rows in rows_by(subject.known, changeovers_of):
        regions = regions_between(subject.nm, [each.at_nm for each in changeovers])
        for below, above in pairwise(regions):
            between = [each for each in changeovers if below.last_nm < each.at_nm <= above.first_nm]
            yield from _between(subject, rows, below, above, between[0], len(changeovers))


def _between(
    subject: Subject,
    all_rows: Rows,
    below: Region,
    above: Region,
    changeover: ChangeOver,
    looks: int,
) -> Iterator[tuple[int, Finding]]:
    sides = [_near(subject, region, changeover.at_nm) for region in (below, above)]
    limits = subject.limits
    least_ratio = log(limits.noise_times_usual)
    for rows in in_blocks(all_rows, sum(stop - start for start, stop in sides)):
        both = [noise_of(_rough(subject, rows, *side)) for side in sides]
        spread = float(np.hypot(both[0].relative_uncertainty, both[1].relative_uncertainty))
        noises = [
            np.maximum(each.noise, _digits(subject, rows, side) * LAST_DIGIT_RMS)
            for each, side in zip(both, sides, strict=True)
        ]
        with np.errstate(divide="ignore", invalid="ignore"):
            ratios = np.log(noises[1] / noises[0])
        for index in np.flatnonzero(np.isfinite(ratios)).tolist():
            row, ratio = int(rows[index]), float(ratios[index])
            usual, usual_spread = _usual_ratio(subject, row, below, above)
            if usual is None and abs(ratio) <= least_ratio:
                continue
            wide = float(np.hypot(spread, usual_spread))
            off = abs(ratio - (usual or 0.0))
            chance = threshold(limits, looks) * wide
            if off <= (max(least_ratio, chance) if usual is not None else least_ratio + chance):
                continue
            if not all(_is_noise(subject, row, *side) for side in sides):
                continue
            pair = (float(noises[0][index]), float(noises[1][index]))
            yield row, _told(subject, sides, pair, float(np.exp(ratio)), usual, changeover, wide)


def _near(subject: Subject, region: Region, at_nm: float) -> tuple[int, int]:
    """Points of a region that are not too far from the change-over."""
    reach = WINDOWS * subject.limits.changeover_window_nm
    near = np.flatnonzero(np.abs(subject.nm[region.start : region.stop] - at_nm) <= reach)
    if not near.size:
        return region.start, region.start + 1
    return region.start + int(near[0]), region.start + int(near[-1]) + 1


def _rough(subject: Subject, rows: Rows, start: int, stop: int) -> FloatArray:
    """Squared differences of some points, of logarithms those of the light itself."""
    if subject.spectra.unit not in LOGARITHMS:
        return subject.rough(rows, start, stop)
    count = max(stop - start - ORDER, 0)
    if not count:
        return np.empty((rows.size, 0))
    light = subject.light[rows, start:stop]
    if subject.missing is not None:
        light[subject.missing[rows, start:stop]] = np.nan
    return squared_differences(light, subject.spectra.axis.values[start:stop])


def _digits(subject: Subject, rows: Rows, side: tuple[int, int]) -> FloatArray:
    """Step of the last digit on one side, of logarithms as light in percent."""
    digits = np.array([subject.known[row].last_digit or 0.0 for row in rows])
    if subject.spectra.unit not in LOGARITHMS:
        return digits
    return np.asarray(digits * LN_10 * np.median(subject.light[rows, side[0] : side[1]], axis=1))


def _usual_ratio(
    subject: Subject, row: int, below: Region, above: Region
) -> tuple[float | None, float]:
    """Logarithm of the usual ratio of both sides and its spread; None where it is not known."""
    known: Circumstances = subject.known[row]
    low, high = (usual_over(known, each, subject) for each in (below, above))
    if low is None or high is None or subject.spectra.unit in LOGARITHMS:
        return None, 0.0
    spread = float(np.hypot(low.spread / low.median, high.spread / high.median))
    return log(high.median / low.median), spread


def _is_noise(subject: Subject, row: int, start: int, stop: int) -> bool:
    positions = subject.spectra.axis.values[start:stop]
    values = subject.spectra.values[row : row + 1, start:stop]
    if subject.spectra.unit in LOGARITHMS:
        values = np.where(np.isnan(values), np.nan, subject.light[row : row + 1, start:stop])
    own = point_noise(values, positions).noise[0]
    steeper = point_noise(values, positions, STEEPER_ORDER).noise[0]
    return bool(own <= STRUCTURE_FROM * steeper)


def _told(
    subject: Subject,
    sides: list[tuple[int, int]],
    noise: tuple[float, float],
    ratio: float,
    usual: float | None,
    changeover: ChangeOver,
    spread: float,
) -> Finding:
    axis, unit = subject.spectra.axis.values, str(subject.spectra.unit)
    if unit in LOGARITHMS:
        unit = "% of full scale as light"
    beside = "the usual noise of the instrument is not known yet"
    if usual is not None:
        beside = f"usually it is {np.exp(usual):.2g} times there"
    return Finding(
        check=Check.NOISE,
        severity=Severity.REMARK,
        text=(
            f"at the change-over at {changeover.at_nm:g} nm ({changeover.evidence}) the noise goes "
            f"from {noise[0]:.2g} {unit} below to {noise[1]:.2g} {unit} above, {ratio:.2g} "
            f"times; {beside}"
        ),
        advice=(
            "look at the settings of the noisier side (slit, response, gain) and at its lamp and "
            "detector; where the detector is just noisier there, average longer"
        ),
        value=ratio,
        uncertainty=2.0 * spread * ratio,
        unit="1",
        at=subject.place(changeover.at_nm),
        start=float(min(axis[start] for start, _ in sides)),
        stop=float(max(axis[stop - 1] for _, stop in sides)),
    )
