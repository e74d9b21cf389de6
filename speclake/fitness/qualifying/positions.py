"""Wavelength accuracy: where the bands or lines of a standard are found.

Which bands count follows from the bandwidth of the scan. Positions of absorption bands hold at one
bandwidth: where a table has them at several, they are interpolated; where it has none within 20 %
of the scan's, there is nothing to compare with. A band that a table lacks at the bandwidth, and
lines that lie nearer together than one and a half bandwidths, are merged: they are left out. Where
nobody stated the bandwidth of a scan of lines, the median width of those that stand alone tells it.

A scan whose medium nobody stated is compared with the positions as they are certified: it is its
scale that is checked, and one in vacuum that should be in air shows as an error.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from statistics import median

from speclake.errors import UnitError
from speclake.fitness.qualifying.peaks import Peak, find_band, find_line
from speclake.fitness.qualifying.reading import (
    Reading,
    Setup,
    combined,
    compared,
    not_measurable,
)
from speclake.fitness.qualifying.scan import Scan
from speclake.standards import published
from speclake.standards.certificates import Certificate
from speclake.standards.programmes import BandPositions
from speclake.standards.published import PublishedBand, PublishedBands, Sense
from speclake.units import Medium

LIKE = 1.2
"""Two bandwidths are alike up to this ratio."""
WITHOUT_SHIFT_NM = 0.1
"""Bandwidth below which no band of a solution or glass shifts any more."""
RESOLVED = 1.5
"""Bandwidths that two lines lie apart to be seen as two."""


@dataclass(frozen=True, slots=True)
class Expected:
    """Band of a standard as it should be found; wavelengths in `medium`.

    Parameters
    ----------
    standard_uncertainty : nm.
    problem : why it cannot be expected anywhere, in words.
    """

    nm: float
    standard_uncertainty: float
    medium: Medium
    sense: Sense
    allowance_nm: float | None = None
    problem: str = ""
    remark: str = ""


def band_positions(
    check: BandPositions, scan: Scan, setup: Setup, certificate: Certificate | None
) -> list[Reading]:
    """A reading for each band of the standard that counts, by rising wavelength."""
    asked = check.band or setup.range_nm
    bands = list(_with_neighbours(_expected(check, setup, certificate)))
    told = _width_alone(check, scan, bands)
    readings = [
        _reading(check, scan, each, neighbours)
        for each, neighbours in bands
        if asked[0] <= each.nm <= asked[1]
        and not _is_merged(each, neighbours, setup.bandwidth_at(each.nm) or told)
    ]
    if readings:
        return readings
    found = f"from {asked[0]:g} nm to {asked[1]:g} nm"
    return [not_measurable(f"the standard has no band that can be told apart {found}", "nm")]


def _expected(
    check: BandPositions, setup: Setup, certificate: Certificate | None
) -> list[Expected]:
    if check.published is not None:
        return list(expected_at(published.bands(check.published), setup))
    assert certificate is not None
    found = []
    for band in certificate.band:
        each = Expected(
            band.position_nm,
            band.uncertainty_nm / certificate.coverage_factor,
            certificate.medium,
            certificate.sense,
        )
        wanted, used = certificate.bandwidth_nm, setup.bandwidth_at(band.position_nm)
        if certificate.sense == "minimum" and wanted is not None:
            each = _at_bandwidth(each, wanted, used)
        found.append(each)
    return found


def _at_bandwidth(each: Expected, wanted: float, used: float | None) -> Expected:
    if used is None:
        return replace(each, remark=f"the bandwidth, {wanted:g} nm on the certificate, is unknown")
    if _alike(wanted, used) or max(wanted, used) <= WITHOUT_SHIFT_NM:
        return each
    words = f"the position holds at a bandwidth of {wanted:g} nm, and the scan has {used:g} nm"
    return replace(each, problem=words)


def _alike(one: float, other: float) -> bool:
    return max(one, other) <= LIKE * min(one, other) * (1 + 1e-12)


def expected_at(table: PublishedBands, setup: Setup) -> Iterator[Expected]:
    """Bands of a published table as they should be found at the bandwidth of the scan.

    Between two bandwidths of the table a position is interpolated linearly, and half of their
    difference counts as half-width of a rectangular distribution. Where the bandwidth is unknown
    it is the middle of all, and half of their span counts in the same way.
    """
    rows = sorted(table.bands, key=lambda row: (row.band, row.bandwidth_nm or 0))
    known = sorted({row.bandwidth_nm for row in rows if row.bandwidth_nm is not None})
    for _, group in groupby(rows, key=lambda row: row.band):
        columns = list(group)
        each = _of_rows(table.sense, columns)
        used = setup.bandwidth_at(columns[0].position_nm)
        if not known:
            yield each
        elif used is None:
            yield replace(each, remark="the bandwidth is unknown")
        elif used > LIKE * known[-1] or (used < known[0] / LIKE and known[0] > WITHOUT_SHIFT_NM):
            at = " nm, ".join(f"{b:g}" for b in known)
            words = f"positions are published at {at} nm bandwidth, and the scan has {used:g} nm"
            yield replace(each, problem=words)
        else:
            around = _around(columns, known, min(max(used, known[0]), known[-1]))
            if around is not None:
                yield _of_rows(table.sense, *around)


def _around(
    columns: Sequence[PublishedBand], known: Sequence[float], used: float
) -> tuple[Sequence[PublishedBand], float] | None:
    """Rows of a band at the bandwidths to both sides, and how far between them; None: merged."""
    above = next(b for b in known if b >= used)
    below = max((b for b in known if b <= used), default=above)
    there = {row.bandwidth_nm: row for row in columns}
    if below in there and above in there:
        share = (used - below) / (above - below) if above > below else 0.0
        return (there[below], there[above]), share
    nearest = next((b for b in (below, above) if _alike(b, used) and b in there), None)
    return None if nearest is None else ((there[nearest],), 0.0)


def _of_rows(sense: Sense, rows: Sequence[PublishedBand], share: float = 0.5) -> Expected:
    first, last = rows[0], rows[-1]
    nm = first.position_nm + share * (last.position_nm - first.position_nm)
    spread = abs(last.position_nm - first.position_nm) / 2 if 0 < share < 1 else 0.0
    own = max(row.uncertainty_nm for row in rows) / published.COVERAGE_FACTOR
    uncertainty = math.hypot(own, spread / math.sqrt(3))
    return Expected(nm, uncertainty, first.medium, sense, first.allowance_nm)


def _with_neighbours(bands: Sequence[Expected]) -> Iterator[tuple[Expected, tuple[float, float]]]:
    """Each band with the distances to its neighbours below and above, nm."""
    places = [-math.inf, *(each.nm for each in bands), math.inf]
    for i, each in enumerate(bands, 1):
        yield each, (places[i] - places[i - 1], places[i + 1] - places[i])


def _width_alone(
    check: BandPositions, scan: Scan, bands: Sequence[tuple[Expected, tuple[float, float]]]
) -> float | None:
    """Median width of the lines without a neighbour in reach, nm; None where there are none."""
    widths = []
    for band, neighbours in bands:
        near = None if band.sense == "minimum" else _place(scan, band)
        if isinstance(near, float) and scan.covers(near) and min(neighbours) > check.window_nm:
            found = _found(check, scan, band, near, neighbours)
            widths += [] if isinstance(found, str) else [found.width]
    return median(widths) if widths else None


def _is_merged(band: Expected, neighbours: tuple[float, float], bandwidth: float | None) -> bool:
    if bandwidth is None or band.sense == "minimum":
        return False
    return min(neighbours) < RESOLVED * bandwidth


def _place(scan: Scan, band: Expected) -> float | str:
    """Where a band should lie on the scale of the scan, nm, or why that is not known."""
    try:
        return scan.position(band.nm, band.medium)
    except UnitError as error:
        return str(error)


def _reading(
    check: BandPositions, scan: Scan, band: Expected, neighbours: tuple[float, float]
) -> Reading:
    if band.problem:
        return not_measurable(band.problem, "nm", band.nm, band.nm)
    near = _place(scan, band)
    if isinstance(near, str):
        return not_measurable(near, "nm", band.nm, band.nm)
    if not scan.covers(near):
        return not_measurable(f"the scan does not reach {near:g} nm", "nm", near, near)
    found = _found(check, scan, band, near, neighbours)
    if isinstance(found, str):
        return not_measurable(found, "nm", near, near)
    allowed = _allowed(check, band)
    return compared(
        found.at,
        combined(found.standard_uncertainty, band.standard_uncertainty),
        (-allowed, allowed),
        check.rule,
        unit="nm",
        expected=near,
        at=found.at,
        remark=band.remark,
    )


def _found(
    check: BandPositions,
    scan: Scan,
    band: Expected,
    near: float,
    neighbours: tuple[float, float],
) -> Peak | str:
    """The band where it is, looked for half a window to both sides but not beyond half way."""
    half = check.window_nm / 2
    reach = (near - min(half, neighbours[0] / 2), near + min(half, neighbours[1] / 2))
    if scan.unit in ("A", "log(1/R)"):
        scan = Scan(scan.nm, -scan.values, scan.unit, scan.medium)
    if band.sense == "minimum":
        return find_band(scan, near, reach, check.window_nm)
    return find_line(scan, near, reach)


def _allowed(check: BandPositions, band: Expected) -> float:
    if check.largest_error_nm is not None:
        return check.largest_error_nm
    assert check.tolerance is not None
    if check.tolerance == published.OF_TABLE:
        assert band.allowance_nm is not None
        return band.allowance_nm
    allowance = published.tolerance(check.tolerance).allowance
    assert allowance is not None
    return allowance(band.nm, band.nm)
