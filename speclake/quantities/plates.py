"""Internal transmittance and absorption coefficient of an uncoated plate from its transmittance.

Both faces are polished and bare, the plate is plane-parallel, thick against the coherence of the
light, in air and met at normal incidence; the absorption is too weak to alter what a face reflects
(common practice).
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from speclake.quantities.bands import holes_in, reduced
from speclake.quantities.places import Place, Spot
from speclake.quantities.substrates import (
    Material,
    face_reflectance,
    internal_of_plate,
    plate_transmittance,
    refractive_index,
)
from speclake.quantities.values import Values, blanked
from speclake.quantities.windows import Window, counted_in
from speclake.spectrum import FloatArray, SpectrumSet
from speclake.units import convert_values

Index = float | Material
"""Refractive index: one number for all wavelengths, or a material with a formula."""


@dataclass(frozen=True, kw_only=True)
class Plate:
    """An uncoated plate.

    Parameters
    ----------
    index : of the plate to air.
    thickness_mm : above zero.
    largest_excess : by how much a reading may lie above what a plate without absorption lets
        through, as a fraction; beyond it the scale of the reading cannot be right.
    """

    index: Index
    thickness_mm: float
    largest_excess: float


def indices(index: Index, wavelengths_nm: FloatArray) -> FloatArray | str:
    """Index at each wavelength; in words, why a formula cannot give one."""
    if not isinstance(index, Material):
        return np.full(wavelengths_nm.shape, float(index))
    try:
        return refractive_index(index, wavelengths_nm)
    except ValueError as error:
        return str(error)


def internal_transmittance(
    spectra: SpectrumSet, where: Place | Spot, plate: Plate, thickness_mm: float
) -> Values:
    """Internal transmittance at a position, or its minimum over a band, as a fraction.

    Parameters
    ----------
    spectra : transmittance, in %T, T or A.
    thickness_mm : of the plate that the number is for: τ₂ = τ₁ to the power of d₂/d₁. Where τ₁ is
        not above zero it can be given for the thickness of the plate itself only.

    Notes
    -----
    τ is taken at the points of the spectrum and lies on the straight line between them. A reading
    above that of a plate without absorption gives a number above 1, up to `Plate.largest_excess`;
    beyond that it gives none.

    Examples
    --------
    A plate of index 1.5 without absorption lets 2n/(n² + 1) = 12/13 through.

    >>> from speclake.spectrum import Axis
    >>> clear = SpectrumSet(Axis([500.0, 600.0], "nm"), [[12 / 13, 12 / 13]], "T", ("a",))
    >>> plate = Plate(index=1.5, thickness_mm=2, largest_excess=0.002)
    >>> found = internal_transmittance(clear, Spot(at=550, largest_interval=100), plate, 10)
    >>> round(float(found.value[0]), 12)
    1.0
    """
    found = _internal(spectra, where, plate)
    power = thickness_mm / plate.thickness_mm
    if power == 1.0:
        return found
    return _converted(found, lambda tau: tau**power, "cannot go over to another thickness")


def absorption_coefficient(
    spectra: SpectrumSet,
    where: Place | Spot,
    plate: Plate,
    unit: Literal["1/mm", "1/cm"],
) -> Values:
    """Absorption coefficient -ln(τ)/d at a position, or its maximum over a band.

    Other parameters as for `internal_transmittance`.
    """
    thickness = plate.thickness_mm / (10.0 if unit == "1/cm" else 1.0)
    return _converted(
        _internal(spectra, where, plate),
        lambda tau: 0.0 - math.log(tau) / thickness,
        "has no logarithm",
    )


def _converted(found: Values, convert: Callable[[float], float], else_: str) -> Values:
    # one number at a time: a logarithm of a whole array may round by the place of a number in it
    reasons, value = dict(found.reasons), np.full(found.value.shape, np.nan)
    for row, tau in enumerate(found.value.tolist()):
        if tau > 0:
            value[row] = convert(tau)
        elif row not in reasons:
            reasons[row] = f"an internal transmittance of {tau:.4g}, not above zero, {else_}"
    at = None if found.at is None else blanked(found.at, reasons)
    return Values(value, at, reasons)


def _internal(spectra: SpectrumSet, where: Place | Spot, plate: Plate) -> Values:
    window = where.on(spectra)
    if window.problem is not None:
        return Values.of_none(len(spectra), window.problem)
    needed = window.needed
    positions = counted_in(spectra.axis, spectra.axis.values[needed], "nm", None)
    index = indices(plate.index, positions)
    if isinstance(index, str):
        return Values.of_none(len(spectra), index)
    face = face_reflectance(index)
    read = convert_values(np.ascontiguousarray(spectra.values[:, needed]), spectra.unit, "T")
    reasons = _holes(read, window) | _impossible(read, face, positions, plate.largest_excess)
    tau = internal_of_plate(read, face)
    what: Literal["value", "minimum"] = "value" if isinstance(where, Spot) else "minimum"
    found = reduced(what, tau, window.narrowed())
    assert found.at is not None  # a minimum or a value lies somewhere
    return Values(blanked(found.value, reasons), blanked(found.at, reasons), reasons)


def _holes(read: FloatArray, window: Window) -> dict[int, str]:
    narrowed = window.narrowed()
    holes = holes_in(read, narrowed)
    return {
        int(row): f"no transmittance at {holes[row]:.10g} {window.axis.unit}"
        for row in np.flatnonzero(~np.isnan(holes))
    }


def _impossible(
    read: FloatArray, face: FloatArray, positions: FloatArray, largest_excess: float
) -> dict[int, str]:
    clear = plate_transmittance(face)
    excess = np.where(np.isnan(read), -np.inf, read - clear)
    worst = excess.argmax(axis=1)
    rows = np.flatnonzero(excess[np.arange(len(read)), worst] > largest_excess)
    return {
        int(row): (
            f"{100 * read[row, at]:.6g} %T at {positions[at]:.10g} nm is impossible: an uncoated "
            f"plate lets {100 * clear[at]:.6g} %T through at most, and the excess may be "
            f"{100 * largest_excess:g} %T"
        )
        for row, at in zip(rows, worst[rows], strict=True)
    }
