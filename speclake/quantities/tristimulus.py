"""Tristimulus values X, Y and Z of transmitting and reflecting samples.

A spectrum becomes X, Y and Z by weights on a grid of wavelengths (practice ASTM E308); they are
relative, so that a sample that transmits or reflects everything has Y = 100. White is what these
same weights give for it. Bandpass is not corrected for.
"""

import importlib.util
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import ModuleType
from typing import Literal

import numpy as np

from speclake.errors import SpeclakeError
from speclake.quantities.summing import Counted, Fill, Sum, sums_of
from speclake.quantities.weighted import missing
from speclake.spectrum import Axis, FloatArray, SpectrumSet
from speclake.units import Medium

Observer = Literal["CIE 1931 2 degree", "CIE 1964 10 degree"]
Method = Literal["summation", "ASTM E2022 weighting factors"]
OBSERVERS: Mapping[Observer, str] = {
    "CIE 1931 2 degree": "CIE 1931 2 Degree Standard Observer",
    "CIE 1964 10 degree": "CIE 1964 10 Degree Standard Observer",
}
INTERVALS_NM: Mapping[Method, tuple[int, ...]] = {
    "summation": (1, 5),
    "ASTM E2022 weighting factors": (10, 20),
}
"""Intervals of the grid that each method is made for."""


@dataclass(frozen=True, kw_only=True)
class Viewing:
    """Under what light, by which observer and with which arithmetic a colour is computed.

    Parameters
    ----------
    illuminant : name of a CIE illuminant, such as ``D65`` or ``FL2``.
    observer : which standard observer.
    method : ``summation`` of illuminant times observer on the grid, for intervals of 1 nm and 5 nm;
        or ``ASTM E2022 weighting factors``, for 10 nm and 20 nm, into which the interpolation
        between the points of the grid is worked.
    interval : of the grid, in nm; the spectrum, read between its points, must have none longer.
    low, high : ends of the grid, in nm.
    medium : what the wavelengths of the grid are counted in; None is the scale of the axis.
    fill : what stands in for a missing end; None if nothing does.
    """

    illuminant: str
    observer: Observer
    method: Method
    interval: int
    low: float
    high: float
    medium: Medium | None = None
    fill: Fill | None = None


@dataclass(frozen=True, eq=False)
class Tristimulus:
    """X, Y and Z of many spectra.

    Parameters
    ----------
    xyz : shape (n, 3), Y = 100 for what transmits or reflects everything; NaN where unknown.
    white : shape (3,), of what transmits or reflects everything.
    reasons : by row, why there are none.
    """

    xyz: FloatArray
    white: FloatArray
    reasons: Mapping[int, str]


def tristimulus(spectra: SpectrumSet, viewing: Viewing) -> Tristimulus:
    """Tristimulus values of each spectrum.

    Parameters
    ----------
    spectra : fractions (T, R) or percent (%T, %R).

    References
    ----------
    ASTM E308 (practice), ASTM E2022 (weighting factors), CIE 15.
    """
    weights = weights_of(viewing)
    sums = _sums_on(spectra.axis, viewing)
    white = weights.factors.sum(axis=0)
    if isinstance(sums, str):
        nothing = np.full((len(spectra), 3), np.nan)
        return Tristimulus(nothing, white, dict.fromkeys(range(len(spectra)), sums))
    scale = 0.01 if spectra.unit.startswith("%") else 1.0
    means = np.stack([each.of(spectra.values) for each in sums], axis=1) * scale
    reasons = missing(spectra, means, sums)
    means[list(reasons)] = np.nan
    return Tristimulus(means * white, white, reasons)


@dataclass(frozen=True, eq=False)
class Weights:
    """Weights of X, Y and Z: `grid` in nm, shape (m,), and `factors`, shape (m, 3)."""

    grid: FloatArray
    factors: FloatArray


@lru_cache(maxsize=64)
def weights_of(viewing: Viewing) -> Weights:
    """Weights of X, Y and Z on a grid; those of Y sum to 100.

    An illuminant is tabulated every 5 nm and is read on the straight line between two entries.

    Raises
    ------
    ValueError
        The interval does not belong to the method, the grid does not begin and end on the points of
        the tables, or it leaves the range in which illuminant and observer are tabulated.
    """
    library = library_of_colour()
    observer = library.MSDS_CMFS[OBSERVERS[viewing.observer]]
    light = library.SDS_ILLUMINANTS[viewing.illuminant]
    step, low, high = viewing.interval, viewing.low, viewing.high
    if step not in INTERVALS_NM[viewing.method]:
        raise ValueError("an interval of 1 or 5 nm for a summation, of 10 or 20 nm for factors")
    begin = max(float(light.wavelengths[0]), float(observer.wavelengths[0]))
    end = min(float(light.wavelengths[-1]), float(observer.wavelengths[-1]))
    if not begin <= low < high <= end or low % step or (high - low) % step:
        raise ValueError(
            f"a band in steps of {step} nm from {begin:g} nm to {end:g} nm, where illuminant "
            f"{viewing.illuminant} is tabulated"
        )
    fine = np.arange(low, high + 0.5)
    seen = np.stack([np.interp(fine, observer.wavelengths, each) for each in observer.values.T], 1)
    power = np.interp(fine, light.wavelengths, light.values)
    if viewing.method == "summation":
        factors = (power[:, np.newaxis] * seen)[::step]
        factors = factors * (100.0 / factors[:, 1].sum())
    else:
        shape = library.SpectralShape(low, high, step)
        factors = library.colorimetry.tristimulus_weighting_factors_ASTME2022(
            library.MultiSpectralDistributions(seen, fine),
            library.SpectralDistribution(power, fine),
            shape,
        )
    return Weights(fine[::step], np.asarray(factors, dtype=np.float64))


@lru_cache(maxsize=64)
def _sums_on(axis: Axis, viewing: Viewing) -> tuple[Sum, ...] | str:
    weights = weights_of(viewing)
    counted = Counted("nm", viewing.medium, float(viewing.interval), viewing.fill)
    return sums_of(axis, weights.grid, list(weights.factors.T), counted)


def library_of_colour() -> ModuleType:
    """The library colour-science.

    Raises
    ------
    speclake.errors.SpeclakeError
        It is not installed.
    """
    try:
        # it says which of its own extras are missing, none of which is used here, and changes how
        # NumPy prints numbers everywhere
        with np.printoptions(), warnings.catch_warnings():
            warnings.simplefilter("ignore")
            import colour as library
    except ImportError:
        raise SpeclakeError(
            "a colour needs the library colour-science, which is not installed; next step: "
            'pip install "speclake[colour]"'
        ) from None
    return library


def is_installed() -> bool:
    """Whether the library is there that knows illuminants, observers and formulas of colour."""
    return importlib.util.find_spec("colour") is not None
