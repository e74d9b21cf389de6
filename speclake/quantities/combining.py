"""What two or more measurements of one part say together, spectrum by spectrum.

The spectra must lie on one and the same axis; nothing is interpolated here. That they belong to one
part, site, side and angle is for the caller to know.
"""

from speclake.spectrum import FloatArray, SpectrumSet
from speclake.units import convert_values


def unpolarised(s: SpectrumSet, p: SpectrumSet) -> SpectrumSet:
    """Mean of s and p: what unpolarised light would show; row by row, with the keys of `s`.

    Parameters
    ----------
    s, p : transmittance or reflectance, both in one linear unit.

    Raises
    ------
    ValueError
        The axes, the units or the numbers of spectra differ, or the unit is a logarithm.
    """
    _must_match(s, p)
    if s.unit != p.unit or s.unit in ("A", "log(1/R)"):
        raise ValueError(
            f"found s in {s.unit} and p in {p.unit}; the mean needs one linear unit for both"
        )
    return SpectrumSet(s.axis, (s.values + p.values) / 2, s.unit, s.keys)


def absorptance_and_scatter(transmittance: SpectrumSet, reflectance: SpectrumSet) -> FloatArray:
    """100 - T - R in percent, shape (n, p): what is absorbed and scattered away.

    It is absorptance alone only where T and R are both total, taken with an integrating sphere.
    Values below zero are kept: beyond the uncertainty they show that T or R is wrong.

    Raises
    ------
    ValueError
        The axes or the numbers of spectra differ.
    speclake.errors.UnitError
        The one is no transmittance or the other no reflectance.
    """
    _must_match(transmittance, reflectance)
    t = convert_values(transmittance.values, transmittance.unit, "%T")
    r = convert_values(reflectance.values, reflectance.unit, "%R")
    return 100.0 - t - r


def _must_match(first: SpectrumSet, second: SpectrumSet) -> None:
    if first.axis.id != second.axis.id:
        raise ValueError(
            f"found {len(first.axis)} points in {first.axis.unit} and {len(second.axis)} points in "
            f"{second.axis.unit} that are not the same positions; both must lie on one axis"
        )
    if len(first) != len(second):
        raise ValueError(f"found {len(first)} and {len(second)} spectra; expected one for one")
