"""What two or more measurements of one part say together, spectrum by spectrum.

The spectra must lie on one and the same axis; nothing is interpolated here. That they belong to one
part, site, side and angle is for the caller to know.
"""

from speclake.quantities.tables import shipped
from speclake.quantities.values import Values, blanked
from speclake.quantities.weighted import Weighting, weighted_mean
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


def haze(
    incident: SpectrumSet,
    transmitted: SpectrumSet,
    scattered_by_instrument: SpectrumSet,
    scattered: SpectrumSet,
    *,
    illuminant: str,
    largest_interval: float,
) -> Values:
    """Haze in percent from its four readings, each weighted for the eye.

    T4/T2 - T3/T1, times 100: the part of the transmitted light that the specimen scatters, less
    what the instrument scatters by itself.

    Parameters
    ----------
    incident : T1, without specimen, with the white standard closing the sphere.
    transmitted : T2, with specimen and white standard.
    scattered_by_instrument : T3, without specimen, with the light trap.
    scattered : T4, with specimen and light trap.
    illuminant : CIE illuminant of the weights, ``A`` or ``C``, times V(lambda).
    largest_interval : longest stretch without a point, in nm.

    Raises
    ------
    ValueError
        The axes or the numbers of spectra differ.

    References
    ----------
    ASTM D1003, the calculation from the readings T1 to T4, from memory.
    """
    weighting = Weighting(
        table=shipped(f"CIE illuminant {illuminant} times V(lambda), 5 nm"),
        integration="table grid",
        largest_interval=largest_interval,
    )
    readings = (incident, transmitted, scattered_by_instrument, scattered)
    means: list[FloatArray] = []
    reasons: dict[int, str] = {}
    for reading in readings:
        _must_match(incident, reading)
        fraction = convert_values(reading.values, reading.unit, "T")
        found = weighted_mean(SpectrumSet(reading.axis, fraction, "T", reading.keys), weighting)
        means.append(found.value)
        reasons.update(found.reasons)
    dark = (means[0] <= 0) | (means[1] <= 0)
    for row in dark.nonzero()[0]:
        reasons.setdefault(int(row), "no light without, or through, the specimen")
    t1, t2 = blanked(means[0], reasons), blanked(means[1], reasons)
    return Values(100.0 * (means[3] / t2 - means[2] / t1), None, reasons)


def _must_match(first: SpectrumSet, second: SpectrumSet) -> None:
    if first.axis.id != second.axis.id:
        raise ValueError(
            f"found {len(first.axis)} points in {first.axis.unit} and {len(second.axis)} points in "
            f"{second.axis.unit} that are not the same positions; both must lie on one axis"
        )
    if len(first) != len(second):
        raise ValueError(f"found {len(first)} and {len(second)} spectra; expected one for one")
