"""Band edge of a semiconductor or a glass: where its absorption starts, in photon energy.

The three definitions give different numbers for one curve, and each depends on the window it is
taken in, which therefore belongs to the result (common practice).
"""

from typing import Literal

import numpy as np

from speclake.quantities.parabolas import vertices
from speclake.quantities.places import Place
from speclake.quantities.stretches import stretch_of
from speclake.quantities.values import Values, blanked
from speclake.spectrum import FloatArray, SpectrumSet
from speclake.units import convert_positions, convert_values

Definition = Literal["tauc direct", "tauc indirect", "derivative"]

FEWEST_POINTS = 5
"""Points that the window must hold, its ends included."""


def band_edge(
    spectra: SpectrumSet, window: Place, definition: Definition, unit: Literal["eV", "nm"]
) -> Values:
    """Band edge in eV, or as the wavelength in vacuum that belongs to it.

    Parameters
    ----------
    spectra : transmittance, in A, %T or T.
    window : in eV.
    definition : ``tauc direct`` is where the straight line of least squares through (α hν)² over
        the window meets zero, ``tauc indirect`` the same for the square root of α hν;
        ``derivative`` is where the transmittance falls most steeply against the photon energy.

    Notes
    -----
    α is taken in proportion to the absorbance as measured. The thickness of the sample scales it
    and does not move the crossing; a background in it, such as the reflection of the faces, does,
    and is not corrected. The points of the window weigh the same. The standard uncertainty of
    a Tauc edge comes from the scatter about its line.

    References
    ----------
    J. Tauc, R. Grigorovici and A. Vancu, Phys. Status Solidi 15, 627 (1966), from memory.

    Raises
    ------
    ValueError
        The window is not in eV.

    Examples
    --------
    An indirect edge made at 3.20 eV.

    >>> from speclake.spectrum import Axis
    >>> energies = np.linspace(3.3, 3.6, 31)
    >>> absorbance = (energies - 3.20) ** 2 / energies
    >>> spectra = SpectrumSet(Axis(energies, "eV"), absorbance[np.newaxis], "A", ("a",))
    >>> window = Place(low=3.3, high=3.6, unit="eV")
    >>> round(float(band_edge(spectra, window, "tauc indirect", "eV").value[0]), 6)
    3.2
    """
    if window.unit != "eV":
        raise ValueError(f"a window in eV, found {window.unit}")
    stretch = stretch_of(spectra, window)
    if isinstance(stretch, str):
        return Values.of_none(len(spectra), stretch)
    energies = stretch.counted(stretch.positions)
    if energies.size < FEWEST_POINTS:
        words = f"{energies.size} points in the window; it needs {FEWEST_POINTS}"
        return Values.of_none(len(spectra), words)
    if definition == "derivative":
        found = _steepest(energies, convert_values(stretch.values, spectra.unit, "T"))
    else:
        absorbance = convert_values(stretch.values, spectra.unit, "A")
        found = _crossing(energies, absorbance, definition)
    reasons = dict(found.reasons) | dict(stretch.reasons)
    return _in_unit(Values(blanked(found.value, reasons), None, reasons), found, unit)


def _in_unit(kept: Values, found: Values, unit: Literal["eV", "nm"]) -> Values:
    uncertainty = found.standard_uncertainty
    if uncertainty is not None:
        uncertainty = blanked(uncertainty, kept.reasons)
    if unit == "eV":
        return Values(kept.value, None, kept.reasons, standard_uncertainty=uncertainty)
    known = ~np.isnan(kept.value)
    in_nm = np.full(kept.value.shape, np.nan)
    in_nm[known] = convert_positions(kept.value[known], "eV", "vacuum", "nm", "vacuum")
    if uncertainty is not None:
        uncertainty = uncertainty * in_nm / kept.value
    return Values(in_nm, None, kept.reasons, standard_uncertainty=uncertainty)


def _crossing(energies: FloatArray, absorbance: FloatArray, definition: Definition) -> Values:
    reasons = {
        int(row): f"no absorbance at {energies[_first(np.isnan(absorbance[row]))]:.6g} eV"
        for row in np.flatnonzero(np.isnan(absorbance).any(axis=1))
    }
    product = absorbance * energies
    if definition == "tauc direct":
        y = product * product
    else:
        y = np.sqrt(np.where(product < 0, np.nan, product))
        for row in np.flatnonzero((product < 0).any(axis=1)):
            at = energies[_first(product[row] < 0)]
            reasons.setdefault(int(row), f"the absorbance at {at:.6g} eV is below zero")
    middle = energies.mean()
    x = energies - middle
    spread = float(np.add.reduce(x * x))
    level = np.add.reduce(y, axis=1) / x.size
    slope = np.add.reduce(np.ascontiguousarray((y - level[:, np.newaxis]) * x), axis=1) / spread
    for row in np.flatnonzero(~(slope > 0)):
        reasons.setdefault(int(row), "the line through the window does not rise with the energy")
    slope = blanked(slope, reasons)
    back = level / slope
    misfits = y - (level[:, np.newaxis] + slope[:, np.newaxis] * x)
    scatter = np.add.reduce(np.ascontiguousarray(misfits * misfits), axis=1) / (x.size - 2)
    uncertainty = np.sqrt(scatter * (1 / x.size + back * back / spread)) / slope
    value = middle - back
    for row in np.flatnonzero(value <= 0):
        reasons.setdefault(int(row), "the line through the window meets zero below 0 eV")
    return Values(blanked(value, reasons), None, reasons, standard_uncertainty=uncertainty)


def _steepest(energies: FloatArray, transmittance: FloatArray) -> Values:
    widths = np.diff(energies)
    middles = energies[:-1] + widths / 2
    slopes = np.diff(transmittance, axis=1) / widths
    at, rows = slopes.argmin(axis=1), np.arange(len(slopes))
    steepest = slopes[rows, at]
    reasons = {
        int(row): f"no transmittance at {energies[_first(np.isnan(transmittance[row]))]:.6g} eV"
        for row in np.flatnonzero(np.isnan(steepest))
    }
    for row in np.flatnonzero(steepest >= 0):
        reasons[int(row)] = "the transmittance does not fall in the window"
    for row in np.flatnonzero((at == 0) | (at == middles.size - 1)):
        words = f"the steepest fall lies at an end of the window, {middles[at[row]]:.6g} eV"
        reasons.setdefault(int(row), words)
    _, value = vertices(middles, slopes, rows, np.clip(at, 1, middles.size - 2))
    return Values(blanked(value, reasons), None, reasons)


def _first(where: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]) -> int:
    return int(where.argmax())
