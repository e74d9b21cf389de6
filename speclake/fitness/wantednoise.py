"""Where noise alone is more than a requirement asks for, and what could have brought it down."""

from collections.abc import Iterator
from math import ceil, log, log10

import numpy as np
import numpy.typing as npt

from speclake.checks import Check, Severity
from speclake.fitness.circumstances import Circumstances, Wanted
from speclake.fitness.findings import Finding
from speclake.fitness.pointnoise import SPACINGS, point_noise, shared_noise
from speclake.fitness.regions import Rows, in_blocks, places_of, regions_between, rows_by, taken
from speclake.fitness.subject import Subject
from speclake.spectrum import FloatArray
from speclake.units import SpectralUnit

ENOUGH = 40
"""Points for a noise that is known to a quarter."""
AVERAGES_IN_PRACTICE = 1000
WIDEST = 4.0
"""Times that nobody opens slits further."""
LOW = 10.0
"""Level over noise below which a stretch is told to have little light."""
DARK = 3.0
"""Times the noise that a level must reach to be told from none; common practice."""

_FRACTION: dict[str, float] = {"%T": 0.01, "T": 1.0, "%R": 0.01, "R": 1.0, "%A+S": 0.01}
_LOGARITHM_OF = {"T": "A", "R": "log(1/R)"}


def against_wanted(subject: Subject) -> Iterator[tuple[int, Finding]]:
    """What noise does to requirements with a wanted uncertainty U at coverage factor k.

    The noise of the stretch is that of single points, taken over 40 of them or more in one region,
    and in the noisiest of the regions that the stretch touches. Where it exceeds U / k, a number
    taken at one point (a value, an extreme) is decided by noise: a remark. Where that of the mean
    over the stretch does too: a doubt. Noise that neighbouring points share averages out less.
    """
    for (places, wanted_here), rows in rows_by(subject.known, _key):
        for wanted in wanted_here:
            inside = (subject.nm >= wanted.start_nm) & (subject.nm <= wanted.stop_nm)
            points = np.flatnonzero(inside)
            slices = _slices(subject, places, wanted)
            if points.size and slices:
                yield from _one(subject, rows, wanted, points, slices)


def _key(known: Circumstances) -> tuple[tuple[float, ...], tuple[Wanted, ...]]:
    return places_of(known), known.wanted


def _slices(subject: Subject, places: tuple[float, ...], wanted: Wanted) -> list[tuple[int, int]]:
    """Points to take the noise over: the stretch in each region, widened to be enough."""
    found = []
    for region in regions_between(subject.nm, places):
        within = subject.nm[region.start : region.stop]
        touched = np.flatnonzero((within >= wanted.start_nm) & (within <= wanted.stop_nm))
        if touched.size:
            more = (max(0, ENOUGH - touched.size) + 1) // 2
            first, last = region.start + int(touched[0]), region.start + int(touched[-1])
            found.append((max(region.start, first - more), min(region.stop, last + 1 + more)))
    return found


def _one(
    subject: Subject,
    all_rows: Rows,
    wanted: Wanted,
    points: npt.NDArray[np.intp],
    slices: list[tuple[int, int]],
) -> Iterator[tuple[int, Finding]]:
    axis, allowed = subject.spectra.axis.values, wanted.uncertainty / wanted.coverage_factor
    first, last = int(points[0]), int(points[-1]) + 1
    for rows in in_blocks(all_rows, last - first + ENOUGH):
        inside = taken(subject.spectra.values, rows, first, last)
        there = np.maximum((~np.isnan(inside)).sum(axis=1), 1)
        levels = np.nansum(inside, axis=1) / there
        noises = np.stack([
            point_noise(taken(subject.spectra.values, rows, *each), axis[each[0] : each[1]]).noise
            for each in slices
        ])  # fmt: skip
        noises[np.isnan(noises)] = 0.0
        worst = noises.argmax(axis=0)
        seen = _in_wanted(noises.max(axis=0), levels, subject.spectra.unit, wanted.unit)
        if seen is None:
            return
        # neighbours that share their noise show only a part of it
        for index in np.flatnonzero(seen * max(SPACINGS) > allowed).tolist():
            row, place = int(rows[index]), slices[worst[index]]
            finding = _finding(subject, row, wanted, points, place, float(levels[index]))
            if finding is not None:
                yield row, finding


def _finding(
    subject: Subject,
    row: int,
    wanted: Wanted,
    points: npt.NDArray[np.intp],
    place: tuple[int, int],
    level: float,
) -> Finding | None:
    axis, unit, known = subject.spectra.axis.values, subject.spectra.unit, subject.known[row]
    values, positions = subject.spectra.values[row : row + 1, slice(*place)], axis[slice(*place)]
    spread = point_noise(values, positions).relative_uncertainty
    shared = shared_noise(values, positions)
    noise, alike = float(shared.noise[0]), float(shared.points[0])
    of_point = _in_wanted(np.array([noise]), np.array([level]), unit, wanted.unit)
    allowed = wanted.uncertainty / wanted.coverage_factor
    if of_point is None or not of_point[0] > allowed * (1 + 2 * spread):
        return None
    seen = float(of_point[0])
    of_mean = seen * min(1.0, (alike / points.size) ** 0.5)
    limits = (
        f"where {allowed:.2g} {wanted.unit} is wanted (U = {wanted.uncertainty:g} at k = "
        f"{wanted.coverage_factor:g})"
    )
    stretch = f"from {wanted.start_nm:g} nm to {wanted.stop_nm:g} nm"
    if wanted.start_nm == wanted.stop_nm:
        stretch = f"at {wanted.start_nm:g} nm"
    one, mean = f"{seen:.2g} {wanted.unit}", f"{of_mean:.2g} {wanted.unit}"
    if of_mean > allowed:
        words = (
            f"noise is more than {wanted.requirement} allows {stretch}: by it alone a point is "
            f"uncertain by {one} and the mean of the stretch by {mean} (k = 1), {limits}"
        )
    else:
        words = (
            f"noise is more than {wanted.requirement} allows {stretch} if it hangs on single "
            f"points: by it alone a point is uncertain by {one} (k = 1), {limits}; a mean of the "
            f"stretch is so by {mean} only"
        )
    if alike > 1:
        words += f"; about {alike:g} neighbouring points share their noise"
    return Finding(
        check=Check.NOISE,
        severity=Severity.DOUBT if of_mean > allowed else Severity.REMARK,
        text=words + _of_little_light(level, noise, unit),
        advice=gained(seen / allowed, _bandwidth(known, wanted), known.averages),
        value=noise,
        uncertainty=2.0 * spread * noise,
        unit=unit,
        start=float(axis[points[0]]),
        stop=float(axis[points[-1]]),
    )


def _of_little_light(level: float, noise: float, unit: SpectralUnit) -> str:
    """What noise means for a stretch with little light, in words; empty where there is enough."""
    fraction = _FRACTION.get(unit)
    if fraction is None or unit == "%A+S" or level >= LOW * noise:
        return ""
    return (
        f"; the mean is {level:.2g} {unit} and the noise of a point {noise:.2g} {unit}, which "
        "hardly falls with the light: at one point no density above "
        f"{-log10(DARK * noise * fraction):.1f} can be told from darkness (at {DARK:g} times the "
        "noise)"
    )


def _in_wanted(
    noise: FloatArray, level: FloatArray, unit: SpectralUnit, wanted: str
) -> FloatArray | None:
    """Noise in the unit of a requirement; infinite where no light is left, None where none fits."""
    if wanted == unit:
        return noise
    own, other = _FRACTION.get(unit), _FRACTION.get(wanted)
    if own is not None and other is not None and unit.strip("%") == wanted.strip("%"):
        return noise * (own / other)
    if own is not None and _LOGARITHM_OF.get(unit.strip("%")) == wanted:
        lit = np.where(level > 0, level, np.nan)
        return np.where(level > 0, noise / (lit * log(10.0)), np.inf)
    if other is not None and _LOGARITHM_OF.get(wanted.strip("%")) == unit:
        return np.asarray(noise * (log(10.0) / other) * 10.0**-level)
    return None


def _bandwidth(known: Circumstances, wanted: Wanted) -> float | None:
    for each in known.ranges:
        low, high = sorted((each.start, each.stop))
        if low <= wanted.stop_nm and high >= wanted.start_nm and each.bandwidth_nm is not None:
            return each.bandwidth_nm
    return None


def gained(ratio: float, bandwidth_nm: float | None, averages: float | None = None) -> str:
    """What could have brought the noise down by a factor, in words.

    Averaging and time go with the square root. Opening both slits raises the signal with the square
    of the bandwidth. Where the noise is that of the detector, constant, noise over signal falls as
    the square of the bandwidth; where it is that of the light, which goes with the root of the
    signal, it falls as the bandwidth. Common practice. Resolution is lost either way.

    Parameters
    ----------
    ratio : noise over the noise wanted, above 1.

    Examples
    --------
    >>> print(gained(3.0, 2.0).split("; ")[0])
    averaging 9 scans, or 9 times the time a point, would have given it
    """
    if not np.isfinite(ratio):
        return (
            "no light is left over the noise, so no averaging will sharpen its logarithm; measure "
            "with more light or an attenuated reference beam, or ask for a smaller density"
        )
    count = ceil(ratio * ratio * (1 - 1e-9))
    each = f" of {averages:g} each, as this one is" if averages and averages > 1 else ""
    words = f"averaging {count} scans{each}, or {count} times the time a point, would have given it"
    if count > AVERAGES_IN_PRACTICE:
        words += ", which is more than anybody has"
    least, most = ratio**0.5, ratio
    if least > WIDEST:
        return f"{words}; opening both slits so far would leave no spectrum"
    opened = "" if bandwidth_nm is None else (
        f" (a bandwidth of {bandwidth_nm * least:.3g} nm and {bandwidth_nm * most:.3g} nm instead "
        f"of {bandwidth_nm:g} nm)"
    )  # fmt: skip
    return (
        f"{words}; so would opening both slits {least:.2g} times where the detector's noise "
        f"decides and {most:.2g} times where that of the light does{opened}, because the signal "
        "rises with the square of the bandwidth, but as much resolution is lost: bands and edges "
        "not much wider than the bandwidth come out flatter"
    )
