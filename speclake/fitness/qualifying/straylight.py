"""Stray light: what is left where a cut-off filter or solution lets nothing through.

Light of other wavelengths adds a share s of the full signal to the sample and to the reference
alike: a transmittance T is read as (T + s) / (1 + s). Where the filter's own T is far below s, what
is read is s itself. The mean over the band is taken in transmittance, where noise averages out,
also of a scan in absorbance; its logarithm is the absorbance that is compared.
"""

import math

import numpy as np
import numpy.typing as npt

from speclake.errors import UnitError
from speclake.fitness.qualifying.reading import Reading, combined, compared, not_measurable
from speclake.fitness.qualifying.scan import Scan
from speclake.specs.verdicts import Outcome
from speclake.spectrum import FloatArray
from speclake.standards.programmes import StrayLight
from speclake.units import SpectralUnit, convert_values

SHOWN_ABSORBANCE = 3.0
"""For which it is said what an instrument with this stray light reads."""

_LINEAR: dict[SpectralUnit, SpectralUnit] = {"A": "T", "log(1/R)": "R"}


def apparent_absorbance(absorbance: npt.ArrayLike, stray: float) -> FloatArray:
    """Absorbance that is read with a share of stray light, -log10((T + s) / (1 + s)).

    Parameters
    ----------
    absorbance : true absorbance.
    stray : share s of the full signal, 0 and more.

    Examples
    --------
    >>> print(apparent_absorbance([1.0, 2.0, 3.0, 4.0], 1e-3).round(4))
    [0.9961 1.959  2.6994 2.959 ]
    """
    transmittance = np.power(10.0, -np.asarray(absorbance, dtype=np.float64))
    return np.asarray(-np.log10((transmittance + stray) / (1.0 + stray)))


def stray_light(check: StrayLight, scan: Scan) -> list[Reading]:
    """The mean left over the band of the check, against the most in T or the least in A."""
    linear = _LINEAR.get(check.unit, check.unit)
    try:
        scan = scan.as_unit(linear)
    except UnitError as error:
        return [not_measurable(str(error), check.unit)]
    found = scan.mean_over(*check.band)
    if isinstance(found, str):
        return [not_measurable(found, check.unit)]
    uncertainty = combined(found.standard_uncertainty)
    share = found.value / (100.0 if linear.startswith("%") else 1.0)
    remark = ""
    if share > 0:
        read = float(apparent_absorbance(SHOWN_ABSORBANCE, share))
        remark = f"a true absorbance of {SHOWN_ABSORBANCE:g} would be read as {read:.3f}"
    if linear == check.unit:
        reading = compared(
            found.value, uncertainty, (None, check.limit), check.rule, unit=linear, remark=remark
        )
        return [reading]
    return [_as_absorbance(check, linear, found.value, uncertainty, remark)]


def _as_absorbance(
    check: StrayLight, linear: SpectralUnit, left: float, uncertainty: float, remark: str
) -> Reading:
    """Reading in absorbance. Of a mean that noise hides only the least absorbance is known."""
    least = float(convert_values(left + uncertainty, linear, check.unit))
    most = float(convert_values(left - uncertainty, linear, check.unit))
    value = float(convert_values(left, linear, check.unit))
    if not math.isnan(most):
        # the nearer bound of a logarithm is the narrower one: the wider side is told
        spread = max(most - value, value - least)
        return compared(
            value, spread, (check.limit, None), check.rule, unit=check.unit, remark=remark
        )
    if math.isnan(least):
        return not_measurable(
            f"the mean over the band, {left:.2g} ± {uncertainty:.2g} {linear}, lies below zero by "
            "more than its noise: the zero line is off",
            check.unit,
        )
    passes = least >= check.limit
    words = f"no light above the noise is left; the absorbance is at least {least:.3f} {check.unit}"
    return Reading(
        value=least,
        low=check.limit,
        unit=check.unit,
        outcome=Outcome.PASS if passes else Outcome.UNDECIDED,
        reason=words if passes else f"{words}, and {check.limit:g} {check.unit} is asked for",
    )
