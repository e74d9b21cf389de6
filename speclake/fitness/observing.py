"""Errors that a failed check found, and spectra as they might have been without them.

An error whose sign is known is taken off; any other is put on to either side. Its uncertainty is
added to its size.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from speclake.conversion import convert_axis, turns_round
from speclake.fitness.qualifying.reading import Reading
from speclake.quantities.combining import LOGARITHMS, in_unit
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
Sign = Literal[-1, 1]
EITHER: tuple[Sign, ...] = (-1, 1)
_PUT_ON: Mapping[tuple[Sign, ...], str] = {
    EITHER: "put on to either side",
    (-1,): "taken off",
    (1,): "added, since it read too little",
}


@dataclass(frozen=True, slots=True)
class ObservedError:
    """An error as a failed check found it.

    Parameters
    ----------
    size : above zero, with its uncertainty; in nm for a wavelength shift, in `unit` for an offset,
        in percent of the value for a scale, in percent of full scale for stray light.
    unit : what values an offset or a scale is put onto; those in another are converted.
    words : check, number and place.
    start_nm, stop_nm : the range that it was found for.
    sides : with which sign it is put on; one where it is known which way the values read wrong.
    steps : in how many equal parts it is put on, one after the other: how far a value moves need
        not grow with a shift of the wavelengths.
    an_hour : size of a drift in an hour.
    sizes : sizes that some spectra have in place of `size`, by key.
    """

    kind: ErrorKind
    size: float
    unit: SpectralUnit
    words: str
    start_nm: float
    stop_nm: float
    sides: tuple[Sign, ...] = EITHER
    steps: int = 1
    an_hour: float | None = None
    sizes: Mapping[str, float] = field(default_factory=dict, hash=False)

    @property
    def shares(self) -> tuple[float, ...]:
        """Parts of the size, with their sign, that are put on."""
        parts = range(1, self.steps + 1)
        return tuple(side * part / self.steps for side in self.sides for part in parts)


def observed(
    check: AnyCheck, numbers: Iterable[Reading], range_nm: tuple[float, float]
) -> tuple[ObservedError, ...]:
    """Errors that failed numbers of a run may stand for, the largest of each kind.

    A value of a standard that is wrong may come of an offset or of a scale: both are given. Noise
    and repeatability count as an offset of twice their standard deviation, drift as what it comes
    to within the hours of the check. A resolution that is too coarse has no size that could be put
    onto a spectrum: nothing is given.

    The sign of a shift, or of the error of a value, is known where every number of the run that
    exceeds its uncertainty has one sign, and all that failed do exceed it.

    Parameters
    ----------
    range_nm : of the programme.
    """
    known = [n for n in numbers if n.value is not None]
    failed = [n for n in known if n.outcome is Outcome.FAIL]
    sides = _sides(check, known, failed)
    found = []
    for each in (each for n in failed for each in _errors_of(check, n)):
        if not each.size > 0:
            continue
        n, shown = each.of, {"wavelength shift": "nm", "offset": each.unit}.get(each.kind, "%")
        place = "" if n.at is None else f" at {n.at:g} nm"
        beside = f" ± {each.uncertainty:.2g}" if each.uncertainty else ""
        taken: tuple[Sign, ...] = (-1,) if each.kind == "stray light" else sides
        found.append(ObservedError(
            kind=each.kind,
            size=each.size + each.uncertainty,
            unit=each.unit,
            words=f"{check.id}: {each.kind} of {each.size:.3g}{beside} {shown}{place}, "
            f"{_PUT_ON[taken]}",
            start_nm=range_nm[0],
            stop_nm=range_nm[1],
            sides=taken,
            an_hour=(each.size + each.uncertainty) / check.within_h
            if isinstance(check, Drift) else None,
        ))  # fmt: skip
    return largest(found)


def largest(errors: Iterable[ObservedError]) -> tuple[ObservedError, ...]:
    """The largest error of each kind and unit, to every side that one of its kind has."""
    found: dict[tuple[ErrorKind, SpectralUnit], ObservedError] = {}
    for each in errors:
        before = found.get((each.kind, each.unit), each)
        sides: tuple[Sign, ...] = before.sides if before.sides == each.sides else EITHER
        found[each.kind, each.unit] = replace(max(before, each, key=lambda e: e.size), sides=sides)
    return tuple(found.values())


@dataclass(frozen=True, slots=True)
class _Sized:
    kind: ErrorKind
    size: float
    uncertainty: float
    unit: SpectralUnit
    of: Reading


def _sides(
    check: AnyCheck, known: Iterable[Reading], failed: Iterable[Reading]
) -> tuple[Sign, ...]:
    """With which signs an error is put on: against its own, where that is known."""
    if not isinstance(check, BandPositions | Values | CheckSample):
        return EITHER
    signs = {np.sign(n.error) for n in known if n.error is not None and _is_seen(n)}
    if len(signs) != 1 or not all(map(_is_seen, failed)):
        return EITHER
    return (-1,) if signs == {1.0} else (1,)


def _is_seen(n: Reading) -> bool:
    return n.error is not None and abs(n.error) > (n.uncertainty or 0.0)


def _errors_of(check: AnyCheck, n: Reading) -> list[_Sized]:
    value = n.value if n.value is not None else np.nan
    error = abs(n.error) if n.error is not None else np.nan
    beside = n.uncertainty if n.uncertainty is not None and np.isfinite(n.uncertainty) else 0.0
    match check:
        case BandPositions():
            return [_Sized("wavelength shift", error, beside, "%T", n)]
        case Values() | CheckSample():
            unit = check.unit if isinstance(check, CheckSample) else _spectral(n.unit)
            share = 100 / abs(n.expected) if n.expected else np.nan
            return [
                _Sized("offset", error, beside, unit, n),
                _Sized("scale", error * share, beside * share, unit, n),
            ]
        case StrayLight():
            size = _percent(value, check.unit)
            most = _percent(value - beside, check.unit) - size
            if check.unit not in LOGARITHMS:
                most = _percent(value + beside, check.unit) - size
            return [_Sized("stray light", size, most, check.unit, n)]
        case Flatness():
            kind: ErrorKind = "scale" if check.level_percent else "offset"
            return [_Sized(kind, error, beside, _spectral(n.unit), n)]
        case Noise() | Repeatability():
            return [_Sized("offset", 2 * abs(value), 2 * beside, check.unit, n)]
        case Drift():
            hours = check.within_h
            return [_Sized("offset", abs(value) * hours, beside * hours, check.unit, n)]
    return []


def _spectral(unit: str) -> SpectralUnit:
    return next((each for each in QUANTITY_OF_UNIT if each == unit), "%T")


def _percent(value: float, unit: SpectralUnit) -> float:
    """Stray light in percent of full scale, from transmittance, reflectance or their logarithm."""
    linear: SpectralUnit = "%R" if unit in ("R", "%R", "log(1/R)") else "%T"
    return float(convert_values(value, unit, linear))


def altered(spectra: SpectrumSet, error: ObservedError) -> list[SpectrumSet]:
    """Spectra as they might have been without an error, one set for each of its shares.

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
    return [put_on(spectra, error, share) for share in error.shares]


def put_on(spectra: SpectrumSet, error: ObservedError, share: float) -> SpectrumSet:
    """Spectra with a share of an error, as `altered` says; below zero it is taken off.

    Raises
    ------
    speclake.errors.UnitError
        The values are of another quantity than the error.
    """
    if error.kind == "wavelength shift":
        return _shifted(spectra, share * error.size)
    inside = _inside(spectra.axis, error)
    sizes = [[share * error.sizes.get(key, error.size)] for key in spectra.keys]
    by = np.array(sizes, dtype=np.float64)
    if error.kind == "stray light":
        off = -by / 100
        linear = in_unit(spectra, "%R" if spectra.unit in ("R", "%R", "log(1/R)") else "%T")
        return _changed(spectra, linear, linear.values * (1 + off) - 100 * off, inside)
    said = in_unit(spectra, error.unit)
    if error.kind == "offset":
        return _changed(spectra, said, said.values + by, inside)
    return _changed(spectra, said, said.values * (1 + by / 100), inside)


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
