"""What was in the beam path beside the sample: oxygen in the deep UV, water vapour in the NIR.

In a ratio only the change since the baseline shows. Bands that stand upright say that there was
more of the gas than during the baseline, bands upside down that there was less. A spectrum without
bands is no proof of a good purge: the same air may have been in both.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from speclake.checks import Check, Severity
from speclake.errors import UnitError
from speclake.fitness.circumstances import Circumstances
from speclake.fitness.falsealarms import threshold
from speclake.fitness.findings import Finding
from speclake.fitness.gaslines import Lines, oxygen, water
from speclake.fitness.matching import TRIES, Match, matched
from speclake.fitness.regions import Rows
from speclake.fitness.structures import Region, design_for
from speclake.fitness.subject import Subject
from speclake.spectrum import FloatArray
from speclake.units import air_from_vacuum, vacuum_from_air

OXYGEN = Region("Schumann-Runge", 182.5, 212.0, (191.9, 203.5), 8.0, 0.2)
"""Three bands at least, from (4,0) at 192.4 nm on; above 204 nm oxygen has no band."""

WATER = (
    Region("1380 nm", 1300.0, 1470.0, (1345.0, 1420.0), 85.0, 1.0, (9.0, 15.0, 25.0, 40.0, 60.0)),
    Region("1870 nm", 1770.0, 1990.0, (1820.0, 1925.0), 110.0, 1.0, (12.0, 25.0, 50.0, 80.0)),
    Region("2660 nm", 2470.0, 2870.0, (2560.0, 2750.0), 200.0, 1.0, (20.0, 40.0, 80.0, 140.0)),
)

LOOKS = 2 * TRIES
"""Fits in each region: of little gas and of much, alone and beside rivals."""

SPARE_POINTS = 6
"""Points beyond the coefficients of trend and structure that a region needs."""

UNKNOWN_BANDWIDTH_NM = {Check.OXYGEN: 1.0, Check.WATER: 4.0}
"""Taken where nobody says the bandwidth; common practice."""

CAUTION = (
    "Nitrogen displaces the air that one breathes: ventilate, and follow local codes and whoever "
    "is responsible for safety."
)

_FARTHEST_AIR_NM = 185.1
"""Below this no scale in air exists."""

Said = tuple[int, Finding]


@dataclass(frozen=True)
class _Seen:
    """One region of a set: the points in it, in nm in vacuum, in the order of the axis."""

    subject: Subject
    check: Check
    region: Region
    lines: Lines
    looks: int
    first: int
    at_nm: FloatArray
    is_air: bool


def check_oxygen_bands(subject: Subject) -> Iterator[Said]:
    """Oxygen in the beam: its Schumann-Runge bands, of either sign."""
    yield from _bands(subject, Check.OXYGEN, OXYGEN, oxygen(), LOOKS)


def check_water_bands(subject: Subject) -> Iterator[Said]:
    """Water vapour in the beam: its bands near 1380 nm, 1870 nm and 2660 nm, of either sign."""
    for region in WATER:
        if not _may_cover(subject, region):
            continue
        yield from _bands(subject, Check.WATER, region, water(region.name), LOOKS * len(WATER))


def check_purge(subject: Subject) -> Iterator[Said]:
    """Purge time and oxygen sensor, where the header tells them and the spectrum needs a purge."""
    below = float(subject.nm.min())
    if below >= subject.limits.purge_below_nm:
        return
    for row, known in enumerate(subject.known):
        for text, value, unit in _told_of_purge(known, subject):
            start, stop = _stretch(subject, subject.nm < subject.limits.purge_below_nm)
            yield (
                row,
                Finding(
                    check=Check.OXYGEN,
                    severity=Severity.DOUBT,
                    text=text,
                    advice="Purge until the sensor or the blank is steady, take the baseline anew "
                    f"and measure again. {CAUTION}",
                    value=value,
                    unit=unit,
                    start=start,
                    stop=stop,
                ),
            )


def _told_of_purge(known: Circumstances, subject: Subject) -> Iterator[tuple[str, float, str]]:
    limits = subject.limits
    where = f"below {limits.purge_below_nm:g} nm"
    if known.purge_min is not None and known.purge_min < limits.purge_min:
        yield (
            f"purged for {known.purge_min:g} min before a scan that goes {where}; "
            f"{limits.purge_min:g} min are enough",
            known.purge_min,
            "min",
        )
    if known.oxygen_ppm is not None and known.oxygen_ppm > limits.oxygen_ppm:
        yield (
            f"the sensor showed {known.oxygen_ppm:g} ppm of oxygen in a scan that goes {where}; "
            f"{limits.oxygen_ppm:g} ppm are still good",
            known.oxygen_ppm,
            "ppm",
        )


def _may_cover(subject: Subject, region: Region) -> bool:
    low, high = region.core_nm
    # a whole nanometre is more than air and vacuum differ by
    return float(subject.nm.min()) <= low + 1 and float(subject.nm.max()) >= high - 1


def _bands(
    subject: Subject, check: Check, region: Region, lines: Lines, looks: int
) -> Iterator[Said]:
    if subject.spectra.unit == "%A+S" or not _may_cover(subject, region):
        return
    axis = subject.spectra.axis
    if axis.medium is not None or axis.unit not in ("nm", "um"):
        is_air = axis.medium == "air"
        yield from _bands_in(subject, check, region, lines, looks, is_air=is_air)
        return
    # nobody says how the wavelengths are counted, and the two lie a tenth of a band apart
    best: dict[int, Finding] = {}
    for is_air in (True, False):
        for row, said in _bands_in(subject, check, region, lines, 2 * looks, is_air=is_air):
            if row not in best or _sureness(said) > _sureness(best[row]):
                best[row] = said
    yield from sorted(best.items())


def _sureness(said: Finding) -> float:
    return abs(said.value or 0.0) / (said.uncertainty or np.inf)


def _bands_in(
    subject: Subject, check: Check, region: Region, lines: Lines, looks: int, *, is_air: bool
) -> Iterator[Said]:
    vacuum, points = _in_vacuum(subject, region, is_air=is_air)
    if vacuum.size == 0:
        return
    seen = _Seen(subject, check, region, lines, looks, points.start, vacuum, is_air)
    values = np.ascontiguousarray(subject.spectra.values[:, points])
    known = np.isfinite(values)
    whole = known.all(axis=1)
    widths = np.array([_bandwidth(each, seen) for each in subject.known])
    for width in np.unique(widths):
        alike = widths == width
        yield from _found(seen, values, np.flatnonzero(alike & whole), float(width), None)
        for row in np.flatnonzero(alike & ~whole):
            yield from _found(seen, values, np.array([row]), float(width), known[row])


def _in_vacuum(subject: Subject, region: Region, *, is_air: bool) -> tuple[FloatArray, slice]:
    """Wavelengths in vacuum of the points in a region, and where on the axis they stand."""
    nm = subject.nm
    near = (nm > region.low_nm - 1) & (nm < region.high_nm + 1)
    if is_air:
        near &= nm > _FARTHEST_AIR_NM
    index = np.flatnonzero(near)
    if index.size == 0:
        return np.empty(0), slice(0, 0)
    points = slice(int(index[0]), int(index[-1]) + 1)
    try:
        vacuum = vacuum_from_air(nm[points]) if is_air else nm[points]
    except UnitError:
        return np.empty(0), slice(0, 0)
    return vacuum, points


def _bandwidth(known: Circumstances, seen: _Seen) -> float:
    """Bandwidth of the range that covers most of a region; 0 where nobody says it."""
    best, found = 0.0, 0.0
    for each in known.ranges:
        ends = sorted((each.start, each.stop))
        overlap = min(ends[1], seen.region.high_nm) - max(ends[0], seen.region.low_nm)
        if each.bandwidth_nm is not None and overlap > best:
            best, found = overlap, each.bandwidth_nm
    return found


def _found(
    seen: _Seen, values: FloatArray, rows: Rows, width: float, known: FloatArray | None
) -> Iterator[Said]:
    """Findings of some rows that share a bandwidth and the points that are known."""
    at = seen.at_nm if known is None else seen.at_nm[known]
    if rows.size == 0 or not _is_enough(at, seen.region):
        return
    design = design_for(seen.lines, seen.region, at, width or UNKNOWN_BANDWIDTH_NM[seen.check])
    if at.size < design.trend.shape[1] + 1 + SPARE_POINTS:
        return
    taken = values[rows] if known is None else values[rows][:, known]
    is_log = seen.subject.percent is None
    match = matched(taken, design, is_log, threshold(seen.subject.limits, seen.looks))
    for i in np.flatnonzero(match.is_found):
        yield int(rows[i]), _said(seen, match, int(i), at, width)


def _is_enough(at_nm: FloatArray, region: Region) -> bool:
    if at_nm.size < SPARE_POINTS:
        return False
    low, high = region.core_nm
    # a gap only takes points away; it is the ordinary spacing that has to resolve the bands
    spacing = float(np.median(np.abs(np.diff(at_nm))))
    widest = (region.high_nm - region.low_nm) / 25
    return float(at_nm.min()) <= low and float(at_nm.max()) >= high and spacing <= widest


_NAMES = {
    Check.OXYGEN: ("oxygen", "bands of oxygen (Schumann-Runge)"),
    Check.WATER: ("water vapour", "bands of water vapour"),
}
_ADVICE = {
    Check.OXYGEN: "Purge sample and reference path longer or mend the seal, take the baseline "
    "anew, and measure again; the smooth absorption under the bands is not in this number. "
    f"{CAUTION}",
    Check.WATER: "Purge or dry the beam path, let it settle, take the baseline anew and measure "
    f"again. {CAUTION}",
}


def _said(seen: _Seen, match: Match, i: int, at_nm: FloatArray, width: float) -> Finding:
    amount, expanded = float(match.amount[i]), 2 * float(match.uncertainty[i])
    gas, title = _NAMES[seen.check]
    place = float(at_nm[int(match.place[i])])
    nm = float(air_from_vacuum(place)) if seen.is_air else place
    change = 100 * (1 - 10.0 ** -abs(amount))
    percent = seen.subject.percent
    of_scale = change if percent is None else change * abs(float(match.level[i])) * percent / 100
    way = "upright: more" if amount > 0 else "upside down: less"
    usual = UNKNOWN_BANDWIDTH_NM[seen.check]
    unknown = "" if width else f"; bandwidth unknown, taken as {usual:g} nm"
    index = np.flatnonzero(np.isclose(seen.at_nm, place, rtol=0, atol=1e-9))[0]
    start, stop = _ends(seen)
    return Finding(
        check=seen.check,
        severity=(
            Severity.DOUBT
            if of_scale > seen.subject.limits.scale_uncertainty_percent
            else Severity.REMARK
        ),
        text=(
            f"{title} stand {way} {gas} in the beam than during the baseline; {amount:+.2g} A "
            f"± {expanded:.1g} A (k = 2) at {nm:.1f} nm, {change:.2g} % of the value{unknown}"
        ),
        advice=_ADVICE[seen.check],
        value=amount,
        uncertainty=expanded,
        unit="A",
        at=float(seen.subject.spectra.axis.values[seen.first + int(index)]),
        start=start,
        stop=stop,
    )


def _ends(seen: _Seen) -> tuple[float, float]:
    """Stretch of the axis that the bands change by a hundredth or more of their strongest."""
    design = design_for(seen.lines, seen.region, seen.at_nm, UNKNOWN_BANDWIDTH_NM[seen.check])
    touched = np.zeros(seen.subject.nm.size, dtype=bool)
    touched[seen.first : seen.first + seen.at_nm.size] = design.shapes[0] > 0.01
    return _stretch(seen.subject, touched)


def _stretch(subject: Subject, touched: np.ndarray) -> tuple[float, float]:
    axis = subject.spectra.axis.values[touched]
    return float(axis.min()), float(axis.max())
