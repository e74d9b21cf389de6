"""Axes and whole sets of spectra in other units; the values as exported stay where they are."""

import numpy as np

from speclake.spectrum import Axis, SpectrumSet
from speclake.units import (
    AxisUnit,
    Medium,
    SpectralUnit,
    convert_positions,
    convert_values,
    medium_of,
)


def convert_axis(axis: Axis, unit: AxisUnit, medium: Medium | None = None) -> Axis:
    """Axis in another unit or medium, ascending again.

    Between a wavelength and a wavenumber or an energy the order turns round: point 0 of the new
    axis is then the last point of the old one; `turns_round` tells. `convert_set` takes the values
    along.

    Parameters
    ----------
    medium : what the new wavelengths are counted in; None keeps the axis's own, and a wavelength
        made from a wavenumber or an energy is in vacuum.

    Raises
    ------
    speclake.errors.UnitError
        As for `speclake.units.convert_positions`.
    """
    positions = convert_positions(axis.values, axis.unit, axis.medium, unit, medium)
    if turns_round(axis.unit, unit):
        positions = positions[::-1]
    return Axis(positions, unit, medium_of(axis.unit, axis.medium, unit, medium))


def turns_round(unit: AxisUnit, to_unit: AxisUnit) -> bool:
    """Whether what rises in one unit falls in the other."""
    return (unit in ("nm", "um")) != (to_unit in ("nm", "um"))


def convert_set(
    spectra: SpectrumSet,
    *,
    axis_unit: AxisUnit | None = None,
    unit: SpectralUnit | None = None,
    medium: Medium | None = None,
) -> SpectrumSet:
    """Set of the same spectra with the axis, the values or both in another unit.

    Parameters
    ----------
    axis_unit, unit : None leaves them as they are.
    medium : as for `convert_axis`.

    Raises
    ------
    speclake.errors.UnitError
        A conversion does not exist or lacks a fact.
    """
    axis, values = spectra.axis, spectra.values
    if axis_unit is not None or medium is not None:
        to_unit = axis_unit or axis.unit
        if turns_round(axis.unit, to_unit):
            values = np.ascontiguousarray(values[:, ::-1])
        axis = convert_axis(axis, to_unit, medium)
    to_value_unit = unit or spectra.unit
    return SpectrumSet(
        axis=axis,
        values=convert_values(values, spectra.unit, to_value_unit),
        unit=to_value_unit,
        keys=spectra.keys,
    )
