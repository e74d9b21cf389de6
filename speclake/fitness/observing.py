"""Errors that a failed check found, and spectra as they might have been without them.

Each error is taken to either side where it has one: nobody knows how it grew since the last pass.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from speclake.conversion import convert_axis, turns_round
from speclake.fitness.qualifying.reading import Reading
from speclake.quantities.combining import in_unit
from speclake.specs.verdicts import Outcome
from speclake.spectrum import Axis, FloatArray, SpectrumSet
from speclake.standards.programmes import (
    AnyCheck,
    BandPositions,
    CheckSample,
    Drift,
    Flatness,
    Noise,
    Repeatability,
    StrayLight,
    Values,
)
from speclake.units import QUANTITY_OF_UNIT, SpectralUnit, convert_positions, convert_values

ErrorKind = Literal["wavelength shift", "offset", "scale", "stray light"]


@dataclass(frozen=True, slots=True)
class ObservedError:
    """An error as a failed check found it.

    Parameters
    ----------
    size : above zero; in nm for a wavelength shift, in `unit` for an offset, in percent of the
        value for a scale, in percent of full scale for stray light.
    unit : what values an offset or a scale is put onto; those in another are converted.
    words : check, number and place.
    start_nm, stop_nm : the range that it was found for.
    """

    kind: ErrorKind
    size: float
    unit: SpectralUnit
    words: str
    start_nm: float
    stop_nm: float


def observed(
    check: AnyCheck, numbers: Iterable[Reading], range_nm: tuple[float, float]
) -> tuple[ObservedError, ...]:
    """Errors that failed numbers of a run may stand for, the largest of each kind.

    A value of a standard that is wrong may come of an offset or of a scale: both are given. Noise
    and repeatability count as an offset of twice their standard deviation, drift as what it comes
    to within the hours of the check. A resolution that is too coarse has no size that could be put
    onto a spectrum: nothing is given.

    Parameters
    ----------
    range_nm : of the programme.
    """
    failed = [n for n in numbers if n.outcome is Outcome.FAIL and n.value is not None]
    sized = [each for n in failed for each in _errors_of(check, n)]
    largest: dict[tuple[ErrorKind, SpectralUnit], ObservedError] = {}
    for kind, size, unit, n in sized:
        before = largest.get((kind, unit))
        if size > 0 and (before is None or size > before.size):
            place = "" if n.at is None else f" at {n.at:g} nm"
            in_unit_of = {"wavelength shift": "nm", "offset": unit}.get(kind, "%")
            words = f"{check.id}: {kind} of {size:.3g} {in_unit_of}{place}"
            largest[kind, unit] = ObservedError(kind, size, unit, words, *range_nm)
    return tuple(largest.values())


_Sized = tuple[ErrorKind, float, SpectralUnit, Reading]


def _errors_of(check: AnyCheck, n: Reading) -> list[_Sized]:
    value = n.value if n.value is not None else np.nan
    error = abs(n.error) if n.error is not None else np.nan
    match check:
        case BandPositions():
            return [("wavelength shift", error, "%T", n)]
        case Values() | CheckSample():
            unit = check.unit if isinstance(check, CheckSample) else _spectral(n.unit)
            expected = n.expected if n.expected else np.nan
            share = error / abs(expected) * 100
            return [("offset", error, unit, n), ("scale", share, unit, n)]
        case StrayLight():
            return [("stray light", _percent(value, check.unit), check.unit, n)]
        case Flatness():
            kind: ErrorKind = "scale" if check.level_percent else "offset"
            return [(kind, error, _spectral(n.unit), n)]
        case Noise() | Repeatability():
            return [("offset", 2 * abs(value), check.unit, n)]
        case Drift():
            return [("offset", abs(value) * check.within_h, check.unit, n)]
    return []


def _spectral(unit: str) -> SpectralUnit:
    return next((each for each in QUANTITY_OF_UNIT if each == unit), "%T")


def _percent(value: float, unit: SpectralUnit) -> float:
    """Stray light in percent of full scale, from transmittance, reflectance or their logarithm."""
    linear: SpectralUnit = "%R" if unit in ("R", "%R", "log(1/R)") else "%T"
    return float(convert_values(value, unit, linear))


def altered(spectra: SpectrumSet, error: ObservedError) -> list[SpectrumSet]:
    """Spectra as they might have been without an error, one set for each side it may have had.

    A wavelength shift moves the whole axis, values untouched; at the end that it uncovers the
    outermost value is kept. Offset and scale change the values inside the range of the error. Stray
    light s lifts T to (T + s)/(1 + s) (closed form), so it is taken off: T (1 + s) - s.

    Raises
    ------
    speclake.errors.UnitError
        The values are of another quantity than the error.

    Examples
    --------
    >>> spectra = SpectrumSet(Axis(np.array([400.0, 410.0]), "nm"), [[90.0, 80.0]], "%T", ("a",))
    >>> error = ObservedError("offset", 0.5, "%T", "", 400.0, 405.0)
    >>> [each.values.tolist() for each in altered(spectra, error)]
    [[[89.5, 80.0]], [[90.5, 80.0]]]
    """
    if error.kind == "wavelength shift":
        return [_shifted(spectra, sign * error.size) for sign in (-1, 1)]
    inside = _inside(spectra.axis, error)
    if error.kind == "stray light":
        share = error.size / 100
        linear = in_unit(spectra, "%R" if spectra.unit in ("R", "%R", "log(1/R)") else "%T")
        return [_changed(spectra, linear, linear.values * (1 + share) - 100 * share, inside)]
    said = in_unit(spectra, error.unit)
    if error.kind == "offset":
        moved = [said.values - error.size, said.values + error.size]
    else:
        moved = [said.values * (1 - error.size / 100), said.values * (1 + error.size / 100)]
    return [_changed(spectra, said, values, inside) for values in moved]


def _changed(
    spectra: SpectrumSet, said: SpectrumSet, values: FloatArray, inside: npt.NDArray[np.bool_]
) -> SpectrumSet:
    back = convert_values(values, said.unit, spectra.unit)
    return SpectrumSet(
        spectra.axis, np.where(inside, back, spectra.values), spectra.unit, spectra.keys
    )


def _inside(axis: Axis, error: ObservedError) -> npt.NDArray[np.bool_]:
    medium = axis.medium
    nm = convert_positions(axis.values, axis.unit, medium, "nm", medium)
    return (nm >= error.start_nm) & (nm <= error.stop_nm)


def _shifted(spectra: SpectrumSet, by_nm: float) -> SpectrumSet:
    """Spectra with their wavelengths moved, continued to where the axis ended before."""
    axis = spectra.axis
    if axis.unit == "nm":
        in_nm, values = axis, spectra.values
    else:
        in_nm = convert_axis(axis, "nm")
        values = spectra.values[:, ::-1] if turns_round(axis.unit, "nm") else spectra.values
    at = in_nm.values
    step = float(np.median(np.diff(at))) if at.size > 1 else abs(by_nm)
    fill = np.arange(1, max(1, int(np.ceil(abs(by_nm) / step))) + 1) * step
    moved = at + by_nm
    if by_nm > 0:
        filled = moved[0] - fill[::-1]
        moved, values = np.r_[filled, moved], np.pad(values, ((0, 0), (fill.size, 0)), "edge")
    else:
        filled = moved[-1] + fill
        moved, values = np.r_[moved, filled], np.pad(values, ((0, 0), (0, fill.size)), "edge")
    made = Axis(moved, "nm", in_nm.medium)
    if axis.unit != "nm":
        made = convert_axis(made, axis.unit, axis.medium)
        values = values[:, ::-1] if turns_round("nm", axis.unit) else values
    return SpectrumSet(made, np.ascontiguousarray(values), spectra.unit, spectra.keys)
