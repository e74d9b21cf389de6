"""Noise by region, against what the instrument usually has and what a requirement asks for."""

from collections.abc import Iterator
from math import exp

import numpy as np

from speclake.checks import Check, Severity
from speclake.fitness.circumstances import UsualNoise
from speclake.fitness.falsealarms import threshold
from speclake.fitness.findings import Figure, Finding
from speclake.fitness.pointnoise import STEEPER_ORDER, STRUCTURE_FROM, noise_of, point_noise
from speclake.fitness.regions import (
    Region,
    Rows,
    in_blocks,
    places_of,
    regions_between,
    rows_by,
)
from speclake.fitness.subject import Subject
from speclake.fitness.usual import usual_over
from speclake.fitness.wantednoise import against_wanted

LOGARITHMS = ("A", "log(1/R)")
COMPARED_BELOW = 0.3
"""Level in a logarithmic unit above which its noise is not held against the usual one, because it
rises as the light falls: twofold at 0.3."""


def check(subject: Subject) -> Iterator[tuple[int, Finding | Figure]]:
    """Noise of each region between change-overs: a figure always, a finding where it matters.

    The noise is that of single points (`point_noise`), in the unit of the values; a region needs 16
    points. It is remarked where it exceeds `noise_times_usual` times the median of the instrument's
    earlier scans, and by more than the false-alarm threshold. A requirement with a wanted
    uncertainty U at coverage factor k is told where the noise of one point exceeds U / k (a
    remark), and that of the mean over its stretch does (a doubt).
    """
    for places, rows in rows_by(subject.known, places_of):
        regions = regions_between(subject.nm, places)
        for region in regions:
            yield from _of_region(subject, rows, region, len(regions))
    yield from against_wanted(subject)


def _of_region(
    subject: Subject, all_rows: Rows, region: Region, looks: int
) -> Iterator[tuple[int, Finding | Figure]]:
    positions = subject.spectra.axis.values[region.start : region.stop]
    for rows in in_blocks(all_rows, positions.size):
        found = noise_of(subject.rough(rows, region.start, region.stop))
        uncertainty = 2.0 * found.relative_uncertainty
        for row, noise in zip(rows.tolist(), found.noise.tolist(), strict=True):
            if noise != noise:
                continue
            yield (
                row,
                Figure(
                    name="noise",
                    value=noise,
                    uncertainty=noise * uncertainty,
                    unit=subject.spectra.unit,
                    start=region.first_nm,
                    stop=region.last_nm,
                ),
            )
            usual = usual_over(subject.known[row], region, subject)
            if usual is not None and noise > subject.limits.noise_times_usual * usual.median:
                yield from _against_usual(subject, row, region, noise, usual, looks)


def _against_usual(
    subject: Subject, row: int, region: Region, noise: float, usual: UsualNoise, looks: int
) -> Iterator[tuple[int, Finding]]:
    unit, axis = subject.spectra.unit, subject.spectra.axis
    positions = axis.values[region.start : region.stop]
    values = subject.spectra.values[row : row + 1, region.start : region.stop]
    found = point_noise(values, positions)
    spread = float(np.hypot(found.relative_uncertainty, usual.spread / usual.median))
    if noise <= usual.median * exp(threshold(subject.limits, looks) * spread):
        return
    if unit in LOGARITHMS and float(np.nanmedian(values)) > COMPARED_BELOW:
        return
    steeper = point_noise(values, positions, STEEPER_ORDER).noise[0]
    if not noise <= STRUCTURE_FROM * steeper:
        return  # fringes as narrow as a few points, or a stretch too short to tell
    yield (
        row,
        Finding(
            check=Check.NOISE,
            severity=Severity.REMARK,
            text=(
                f"the noise from {region.first_nm:g} nm to {region.last_nm:g} nm is {noise:.2g} "
                f"{unit}, {noise / usual.median:.1f} times the usual {usual.median:.2g} {unit} of "
                f"{usual.scans} earlier scans"
            ),
            advice=(
                "look for a lamp near its end, a dirty or blocked beam, a shorter response time or "
                "a narrower slit than usual, and scan again"
            ),
            value=noise,
            uncertainty=2.0 * found.relative_uncertainty * noise,
            unit=unit,
            start=float(positions[0]),
            stop=float(positions[-1]),
        ),
    )
