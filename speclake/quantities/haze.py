"""Haze by ASTM D1003 from the four readings of a spectrophotometer with an integrating sphere.

T1 to T4 are taken without and with the specimen, with the white standard or the light trap at the
port opposite the entrance. Each may lie on an axis of its own: it is weighted for the eye first,
and only the four numbers are put together.
"""

from collections.abc import Sequence
from typing import Literal, get_args

import numpy as np

from speclake.quantities.tables import shipped
from speclake.quantities.values import AT_LEAST, EXACT, Values, blanked
from speclake.quantities.weighted import Weighting, weighted_mean
from speclake.spectrum import FloatArray, SpectrumSet
from speclake.units import convert_values

Illuminant = Literal["A", "C"]
Reading = Literal["T1", "T2", "T3", "T4"]

READINGS: tuple[Reading, ...] = get_args(Reading)
READ_AS: dict[Reading, str] = {
    "T1": "no specimen, white standard",
    "T2": "specimen, white standard",
    "T3": "no specimen, light trap",
    "T4": "specimen, light trap",
}
"""What is in the beam and at the port for each reading."""

DIFFUSING = 30.0
"""Percent of haze above which a specimen counts as diffusing, outside the scope of ASTM D1003."""

IS_DIFFUSING = (
    f"the haze is above {DIFFUSING:g} %: such a specimen is diffusing, and ASTM D1003 gives it no "
    "number"
)


def haze(
    incident: SpectrumSet,
    transmitted: SpectrumSet,
    scattered_by_instrument: SpectrumSet,
    scattered: SpectrumSet,
    *,
    illuminant: Illuminant,
    largest_interval: float,
) -> Values:
    """Haze in percent: the part of the transmitted light that the specimen scatters.

    T4/T2 - T3/T1, times 100: what is scattered with the specimen, less what the instrument scatters
    by itself. Values below zero are kept: beyond the uncertainty they show that a reading is wrong.

    Parameters
    ----------
    incident : T1, without specimen, with the white standard closing the sphere.
    transmitted : T2, with specimen and white standard.
    scattered_by_instrument : T3, without specimen, with the light trap.
    scattered : T4, with specimen and light trap.
    illuminant : CIE illuminant of the weights, times V(lambda) of the 2 degree observer.
    largest_interval : longest stretch without a point, in nm.

    Raises
    ------
    ValueError
        The numbers of spectra differ.
    speclake.errors.UnitError
        A reading is no transmittance.

    References
    ----------
    ASTM D1003: the calculation from T1 to T4 from memory; the scope up to 30 % as in its section
    1.1. ISO 14782 has the same quotients.
    """
    sets = (incident, transmitted, scattered_by_instrument, scattered)
    return haze_of_readings([luminous_reading(each, illuminant, largest_interval) for each in sets])


def luminous_reading(
    spectra: SpectrumSet, illuminant: Illuminant, largest_interval: float
) -> Values:
    """One reading as a fraction, weighted for the eye; trapezoids on the 5 nm grid of the weights.

    Raises
    ------
    speclake.errors.UnitError
        The spectra are no transmittance.
    """
    weighting = Weighting(
        table=shipped(f"CIE illuminant {illuminant} times V(lambda), 5 nm"),
        integration="table grid",
        largest_interval=largest_interval,
    )
    fraction = convert_values(spectra.values, spectra.unit, "T")
    return weighted_mean(SpectrumSet(spectra.axis, fraction, "T", spectra.keys), weighting)


def haze_of_readings(readings: Sequence[Values]) -> Values:
    """Haze in percent from T1, T2, T3 and T4, each already weighted for the eye.

    Above `DIFFUSING` the value is that bound, 'at least', and a reason says why.

    Raises
    ------
    ValueError
        There are not four readings of as many spectra.

    Examples
    --------
    Of 90 % that come through 6 % are scattered, and 1 of 100 by the instrument itself.

    >>> readings = [Values(np.array([fraction])) for fraction in (1.0, 0.90, 0.01, 0.06)]
    >>> haze_of_readings(readings).value.round(6)
    array([5.666667])
    """
    shapes = {each.value.shape for each in readings}
    if len(readings) != len(READINGS) or len(shapes) != 1:
        counts = ", ".join(str(each.value.size) for each in readings)
        raise ValueError(f"found readings of {counts} spectra; expected four of as many spectra")
    reasons: dict[int, str] = {}
    for name, each in zip(READINGS, readings, strict=True):
        for row, why in each.reasons.items():
            reasons.setdefault(row, f"{said(name)}: {why}")
    t1, t2, t3, t4 = (each.value for each in readings)
    bright: tuple[tuple[Reading, FloatArray], ...] = (("T1", t1), ("T2", t2))
    for name, reading in bright:
        for dark in np.flatnonzero(reading <= 0):
            reasons.setdefault(int(dark), f"{said(name)}: no light")
    found = _quotients(blanked(t1, reasons), blanked(t2, reasons), t3, t4)
    is_diffusing = found > DIFFUSING
    reasons |= {int(above): IS_DIFFUSING for above in np.flatnonzero(is_diffusing)}
    bound = np.where(is_diffusing, AT_LEAST, EXACT).astype(np.int8)
    return Values(np.where(is_diffusing, DIFFUSING, found), None, reasons, bound)


def said(reading: Reading) -> str:
    """A reading in words, as ``T4 (specimen, light trap)``."""
    return f"{reading} ({READ_AS[reading]})"


def _quotients(t1: FloatArray, t2: FloatArray, t3: FloatArray, t4: FloatArray) -> FloatArray:
    return 100.0 * (t4 / t2 - t3 / t1)
