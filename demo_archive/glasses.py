"""The house's reference standards, all invented: what an ideal bench would read on them."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from speclake_demo.scans import FloatArray

HOLMIUM_GLASS, RARE_EARTH_GLASS = "holmium glass 1", "rare-earth glass 1"
GREY_FILTER = "grey filter 1"


@dataclass(frozen=True)
class Glass:
    """Bands at these wavelengths, their half width, and how deep they are in percent."""

    bands_nm: tuple[float, ...]
    fwhm_nm: float
    depths_percent: tuple[float, ...]


GLASSES: Mapping[str, Glass] = {
    HOLMIUM_GLASS: Glass(
        (287.6, 333.8, 361.0, 418.6, 453.3, 536.3, 637.7), 7.0, (20, 15, 40, 35, 55, 25, 30)
    ),
    RARE_EARTH_GLASS: Glass(
        (431.2, 481.1, 529.4, 585.2, 684.7, 740.3, 807.1, 879.2),
        6.0,
        (15, 25, 40, 60, 20, 45, 55, 30),
    ),
}
CLEAR_PERCENT = 90.0


def spectrum(name: str, wavelength_nm: FloatArray, error_nm: float) -> FloatArray:
    """Transmittance of a glass in percent, all bands `error_nm` too far to the red: shape (p,)."""
    glass = GLASSES[name]
    seen = np.full_like(wavelength_nm, CLEAR_PERCENT)
    for band_nm, depth in zip(glass.bands_nm, glass.depths_percent, strict=True):
        off = (wavelength_nm - band_nm - error_nm) / glass.fwhm_nm
        seen -= depth * np.exp(-4 * np.log(2) * off**2)
    return seen


GREY_CERTIFIED_PERCENT = {440.0: 30.52, 465.0: 30.61, 546.1: 30.86, 590.0: 30.98, 635.0: 31.09}


def grey_filter(wavelength_nm: FloatArray) -> FloatArray:
    """Transmittance of the grey filter, straight between its certified values: shape (p,)."""
    at = np.array(list(GREY_CERTIFIED_PERCENT))
    inside: FloatArray = np.interp(
        wavelength_nm, at, np.array(list(GREY_CERTIFIED_PERCENT.values()))
    )
    return inside


COMPARISON_PERCENT = (12.0, 28.0, 45.0, 63.0, 80.0, 91.0)
"""Transmittance of the pieces on which benches are compared, in the green."""


def comparison_piece(wavelength_nm: FloatArray, level_percent: float) -> FloatArray:
    """Transmittance of an invented grey piece: shape (p,)."""
    slope: FloatArray = level_percent * (1 + 0.02 * np.tanh((wavelength_nm - 550) / 300))
    return slope
