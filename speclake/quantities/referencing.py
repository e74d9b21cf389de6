"""Absolute values from a ratio to a reference whose values are certified.

A reflectance accessory measures the sample over a reference; where the reference reflects 97 %, a
sample that reflects as much reads 100. Times the certified value it reads 97. The same holds for a
white standard of a sphere, pressed or sintered, by the table of its certificate.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from speclake.errors import UnitError
from speclake.spectrum import Axis, FloatArray, SpectrumSet
from speclake.units import (
    Medium,
    SpectralUnit,
    can_convert,
    convert_positions,
    convert_values,
)

NO_RATIOS = ("A", "log(1/R)", "%A+S")


@dataclass(frozen=True, eq=False)
class ReferenceTable:
    """Certified values of a reference.

    Parameters
    ----------
    at_nm : shape (m,), rising.
    values : shape (m,), in `unit`.
    uncertainties : shape (m,), expanded with `coverage_factor`, in `unit`.
    medium : what the wavelengths are counted in.

    Raises
    ------
    ValueError
        The shapes differ, the wavelengths do not rise, or a number is missing.
    """

    at_nm: FloatArray
    values: FloatArray
    uncertainties: FloatArray
    unit: SpectralUnit
    medium: Medium = "air"
    coverage_factor: float = 2.0

    def __post_init__(self) -> None:
        arrays = [np.asarray(a, np.float64) for a in (self.at_nm, self.values, self.uncertainties)]
        if len({a.shape for a in arrays}) != 1 or arrays[0].ndim != 1 or not arrays[0].size:
            raise ValueError("a table needs wavelengths, values and uncertainties, one for one")
        if not all(np.isfinite(a).all() for a in arrays) or (np.diff(arrays[0]) <= 0).any():
            raise ValueError("a table needs finite numbers and rising wavelengths, each once")
        for name, array in zip(("at_nm", "values", "uncertainties"), arrays, strict=True):
            object.__setattr__(self, name, array)


@dataclass(frozen=True, eq=False)
class Referenced:
    """Spectra times the certified values of their reference.

    Parameters
    ----------
    spectra : in the unit of the ratios; NaN outside the table.
    uncertainty : shape (n, p), expanded with k = 2, in the same unit.
    """

    spectra: SpectrumSet
    uncertainty: FloatArray


def referenced(
    ratios: SpectrumSet, table: ReferenceTable, ratio_uncertainty: npt.ArrayLike = 0.0
) -> Referenced:
    """Ratios to a reference, times its certified values.

    Between two certified wavelengths value and uncertainty lie on a straight line: neighbouring
    values of a certificate go wrong together, so nothing averages out. How the reference bends in
    between is not part of the uncertainty. Outside the table, which is not continued, the result is
    NaN. Whether the certificate holds on the day of the scan is for the caller to ask.

    u² = (value · u(ratio))² + (ratio · u(value))²: both are independent (JCGM 100, 5.1.2).

    Parameters
    ----------
    ratios : %R or R over a reference of reflectance, %T or T over one of transmittance. On an axis
        whose medium nobody stated the wavelengths are taken to be counted as those of the table.
    ratio_uncertainty : expanded (k = 2), in the unit of the ratios; a number, or one for each
        point or value.

    Raises
    ------
    speclake.errors.UnitError
        The ratios are none, or of another quantity than the table, or wavelengths of the table
        cannot be brought to the axis.

    Examples
    --------
    >>> axis = Axis(np.array([450.0, 550.0, 650.0]), "nm")
    >>> ratios = SpectrumSet(axis, [[100.0, 50.0, 50.0]], "%R", ("a",))
    >>> table = ReferenceTable([400.0, 600.0], [98.0, 96.0], [0.5, 0.5], "%R")
    >>> found = referenced(ratios, table)
    >>> print(found.spectra.values, found.uncertainty)
    [[97.5  48.25   nan]] [[0.5  0.25  nan]]
    """
    if ratios.unit in NO_RATIOS or table.unit in NO_RATIOS:
        raise UnitError(
            f"found ratios in {ratios.unit} and a table in {table.unit}; expected %R, R, %T or T"
        )
    if not can_convert(table.unit, ratios.unit):
        raise UnitError(
            f"found ratios in {ratios.unit} and a table in {table.unit}; a reference of one "
            "quantity says nothing of the other"
        )
    full = 100.0 if ratios.unit.startswith("%") else 1.0
    at = _nm_of(ratios.axis, table.medium)
    value = _drawn(at, table, convert_values(table.values, table.unit, ratios.unit)) / full
    expanded = convert_values(table.uncertainties, table.unit, ratios.unit)
    of_value = _drawn(at, table, expanded * (2.0 / table.coverage_factor)) / full
    of_ratio = np.broadcast_to(np.asarray(ratio_uncertainty, np.float64), ratios.values.shape)
    return Referenced(
        SpectrumSet(ratios.axis, ratios.values * value, ratios.unit, ratios.keys),
        np.hypot(value * of_ratio, ratios.values * of_value),
    )


def _nm_of(axis: Axis, medium: Medium) -> FloatArray:
    """Wavelengths of an axis as a table counts them."""
    if axis.medium is None and axis.unit in ("nm", "um"):
        return convert_positions(axis.values, axis.unit, None, "nm")
    return convert_positions(axis.values, axis.unit, axis.medium, "nm", medium)


def _drawn(at: FloatArray, table: ReferenceTable, values: FloatArray) -> FloatArray:
    return np.interp(at, table.at_nm, values, left=np.nan, right=np.nan)
