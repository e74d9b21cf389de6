"""Spectra with the step at a change-over taken away: a correction that somebody has to ask for."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

from speclake.spectrum import Axis, FloatArray, SpectrumSet

Side = Literal["below", "above"]
By = Literal["offset", "factor"]

FEWEST = 3
"""Points that each side needs: a straight line through two shows no noise."""
LOGARITHMS = ("A", "log(1/R)")


@dataclass(frozen=True, eq=False)
class Levelled:
    """Spectra after the correction, and what it was.

    Parameters
    ----------
    spectra : with the keys of what was given; a row that could not be levelled is NaN.
    amount : shape (n,); what was added to the other side (in the unit of the values), or what it
        was multiplied with.
    below, above : shape (n,); values at the place seen from both sides, before the correction.
    reasons : in words why a row was not levelled, by row.
    """

    spectra: SpectrumSet
    amount: FloatArray
    below: FloatArray
    above: FloatArray
    reasons: Mapping[int, str] = field(default_factory=dict)


def levelled(
    spectra: SpectrumSet,
    at: float,
    side: Side,
    *,
    window: float,
    by: By = "offset",
    arriving: tuple[FloatArray, FloatArray] | None = None,
) -> Levelled:
    """Spectra whose two sides of a place meet there; one side stays as it is, bit for bit.

    On each side a straight line of least squares runs through the points within the window; its
    value at the place is where that side arrives. The other side is moved as a whole, up to the end
    of the spectrum, so that both arrive at one value. The point on the place itself belongs to the
    side of longer wavelength, whatever the axis counts, and is left out of the lines. Common
    practice. It mends what is read, not what was wrong: only a new baseline tells which side was
    right, so the result is a derived spectrum.

    Parameters
    ----------
    at : place of the change-over, in the unit of the axis.
    side : the side that stays, ``below`` or ``above`` the place along the axis.
    window : how far the lines reach to both sides, in the unit of the axis; short enough for the
        spectrum to be straight there.
    arriving : shape (n,) each; where the sides below and above arrive at the place, if something
        better than a straight line tells it. No line is drawn then.
    by : ``offset`` adds a constant, as for a false zero, or in absorbance for a changed gain;
        ``factor`` multiplies, as for a changed gain in transmittance and reflectance.

    Raises
    ------
    ValueError
        The place is not inside the axis, the window holds too few points of a side, or a factor is
        asked for values that are logarithms.

    Examples
    --------
    >>> from speclake.spectrum import Axis
    >>> axis = Axis(np.arange(850.0, 870.0), "nm")
    >>> rows = np.where(axis.values < 860, 90.0, 90.5)[np.newaxis]
    >>> found = levelled(SpectrumSet(axis, rows, "%T", ("a",)), 860.0, "below", window=8.0)
    >>> print(found.amount, np.ptp(found.spectra.values))
    [-0.5] 0.0
    """
    positions = spectra.axis.values
    if not positions[0] < at <= positions[-1]:
        raise ValueError(
            f"the axis runs from {positions[0]:.10g} to {positions[-1]:.10g} {spectra.axis.unit}; "
            f"a place to level at lies inside, found {at:.10g}"
        )
    if by == "factor" and spectra.unit in LOGARITHMS:
        raise ValueError(
            f"found a factor for values in {spectra.unit}; a changed gain is an offset there"
        )
    offsets = positions - at
    reasons: dict[int, str] = {}
    if arriving is None:
        below, reasons_below = _arriving(spectra, offsets, (offsets < 0) & (offsets >= -window))
        above, reasons_above = _arriving(spectra, offsets, (offsets > 0) & (offsets <= window))
        reasons = {**reasons_above, **reasons_below}
    else:
        below, above = arriving
    stays, moves = (below, above) if side == "below" else (above, below)
    with np.errstate(divide="ignore", invalid="ignore"):
        amount = stays - moves if by == "offset" else stays / moves
    if by == "factor":
        for row in np.flatnonzero((stays <= 0) | (moves <= 0)).tolist():
            reasons.setdefault(row, f"a factor needs values above zero on both sides of {at:.10g}")
    values = spectra.values.copy()
    moved = _above(spectra.axis, at)
    if side == "above":
        moved = ~moved
    if by == "offset":
        values[:, moved] += amount[:, np.newaxis]
    else:
        values[:, moved] *= amount[:, np.newaxis]
    failed = sorted(reasons)
    values[failed], amount[failed] = np.nan, np.nan
    result = SpectrumSet(spectra.axis, values, spectra.unit, spectra.keys)
    return Levelled(result, amount, below, above, reasons)


def _above(axis: Axis, at: float) -> npt.NDArray[np.bool_]:
    """Points above a place; one that lies on it, to rounding, is of the longer wavelengths."""
    reach = 1e-9 * abs(at)
    rises = axis.unit in ("nm", "um")
    above: npt.NDArray[np.bool_] = axis.values - at >= (-reach if rises else reach)
    return above


def _arriving(
    spectra: SpectrumSet, offsets: FloatArray, inside: npt.NDArray[np.bool_]
) -> tuple[FloatArray, dict[int, str]]:
    """Value at the place of the line through the points inside, and why there is none, by row."""
    x = offsets[inside]
    if x.size < FEWEST:
        raise ValueError(
            f"found {x.size} points of one side in the window; a line needs at least {FEWEST}"
        )
    values = spectra.values[:, inside]
    centre = x.mean()
    lever = (x - centre) / ((x - centre) ** 2).sum()
    first = values[:, :1]
    rises = values - first
    slope = np.add.reduce(rises * lever, axis=1)
    found: FloatArray = first[:, 0] + np.add.reduce(rises, axis=1) / x.size - slope * centre
    missing = np.isnan(values).any(axis=1)
    places = spectra.axis.values[inside]
    words = f"from {places[0]:.10g} to {places[-1]:.10g} {spectra.axis.unit}"
    return found, {
        int(row): f"a value is missing {words}, where the line is drawn"
        for row in np.flatnonzero(missing)
    }
