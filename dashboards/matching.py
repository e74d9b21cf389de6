"""Spectra of several axes and units brought into one pair of units for a picture, or left out."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from speclake.conversion import convert_set
from speclake.errors import UnitError
from speclake.spectrum import SpectrumSet
from speclake.units import AxisUnit, Medium, SpectralUnit


@dataclass(frozen=True)
class Units:
    """What a picture counts in."""

    axis_unit: AxisUnit
    medium: Medium | None
    unit: SpectralUnit


@dataclass(frozen=True)
class Matched:
    """Sets that can be drawn together, and in words what could not be or was taken as it stood."""

    sets: tuple[SpectrumSet, ...]
    remarks: tuple[str, ...] = ()


def units_of(
    sets: Sequence[SpectrumSet], axis_unit: AxisUnit | None = None, unit: SpectralUnit | None = None
) -> Units:
    """Units asked for, else those of the largest set."""
    largest = max(sets, key=len)
    return Units(
        axis_unit=axis_unit or largest.axis.unit,
        medium=largest.axis.medium if axis_unit in (None, largest.axis.unit) else None,
        unit=unit or largest.unit,
    )


def in_units(sets: Sequence[SpectrumSet], units: Units) -> Matched:
    """Sets in common units; a set that has no conversion is left out and said so."""
    drawn: list[SpectrumSet] = []
    remarks: list[str] = []
    for each in sets:
        try:
            converted = convert_set(each, axis_unit=units.axis_unit, unit=units.unit)
        except UnitError as error:
            remarks.append(f"{_spectra(len(each))} left out: {error}.")
            continue
        counted = _in_medium(converted, units)
        if counted is None:
            remarks.append(_medium_remark(converted, units))
        drawn.append(counted or converted)
    return Matched(tuple(drawn), tuple(dict.fromkeys(remarks)))


def _in_medium(spectra: SpectrumSet, units: Units) -> SpectrumSet | None:
    """Set with wavelengths in the medium of the picture, None where that cannot be known."""
    medium = spectra.axis.medium
    if units.axis_unit not in ("nm", "um") or medium == units.medium:
        return spectra
    if medium is None or units.medium is None:
        return None
    try:
        return convert_set(spectra, medium=units.medium)
    except UnitError:  # below 185 nm there is no scale in air
        return None


def _medium_remark(spectra: SpectrumSet, units: Units) -> str:
    counted = {None: "does not say air or vacuum", "air": "is in air", "vacuum": "is in vacuum"}
    return (
        f"{_spectra(len(spectra))} drawn with the wavelengths as they stand: the axis "
        f"{counted[spectra.axis.medium]}, that of the picture {counted[units.medium]}; "
        "the two scales differ by 0.15 nm at 550 nm, more at longer wavelengths."
    )


def difference(sets: Sequence[SpectrumSet], key: str) -> Matched:
    """Each spectrum less the one of that key, where both stand on the same axis.

    Raises
    ------
    KeyError
        No spectrum has that key.
    """
    home = next((each for each in sets if key in each.keys), None)
    if home is None:
        raise KeyError(key)
    reference = home.values[home.keys.index(key)]
    drawn: list[SpectrumSet] = []
    remarks: list[str] = []
    for each in sets:
        if each.axis.id == home.axis.id:
            values = np.subtract(each.values, reference)
            drawn.append(SpectrumSet(each.axis, values, each.unit, each.keys))
        else:
            remarks.append(
                f"{_spectra(len(each))} left out of the difference: measured at other positions "
                "of the axis than the chosen one, and nothing is interpolated."
            )
    return Matched(tuple(drawn), tuple(remarks))


def _spectra(count: int) -> str:
    return "1 spectrum is" if count == 1 else f"{count:,} spectra are"
