"""Refractive indices: two glasses as published, and film materials that are invented.

References
----------
.. [1] I. H. Malitson, J. Opt. Soc. Am. 55 (1965) 1205: fused silica, 20 °C, 0.21 to 3.71 µm.
.. [2] Sellmeier coefficients of borosilicate crown, BK7 type, as its public data sheet prints them.
"""

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

FUSED_SILICA = ((0.6961663, 0.0684043), (0.4079426, 0.1162414), (0.8974794, 9.896161))
"""Strength and resonance (µm) of the three terms of Malitson 1965."""

BOROSILICATE_CROWN = (
    (1.03961212, 0.00600069867**0.5),
    (0.231792344, 0.0200179144**0.5),
    (1.01046945, 103.560653**0.5),
)


def sellmeier(wavelength_nm: FloatArray, terms: tuple[tuple[float, float], ...]) -> FloatArray:
    """Refractive index by a sum of Sellmeier terms.

    Examples
    --------
    >>> float(sellmeier(np.array([587.562]), FUSED_SILICA)[0].round(5))
    1.45846
    """
    square = (wavelength_nm / 1000) ** 2
    total = sum(strength * square / (square - at_um**2) for strength, at_um in terms)
    return np.sqrt(1 + total)


def cauchy(wavelength_nm: FloatArray, a: float, b_um2: float) -> FloatArray:
    """Refractive index a + b / wavelength², the wavelength in µm."""
    return a + b_um2 / (wavelength_nm / 1000) ** 2


def high(wavelength_nm: FloatArray) -> FloatArray:
    """Index of an invented oxide for high layers, 2.06 in the green."""
    return cauchy(wavelength_nm, 2.02, 0.012)


def low(wavelength_nm: FloatArray) -> FloatArray:
    """Index of an invented fluoride for low layers, 1.385 in the green."""
    return cauchy(wavelength_nm, 1.378, 0.002)


def deep_high(wavelength_nm: FloatArray) -> FloatArray:
    """Index of an invented fluoride that is still clear in the deep UV."""
    return cauchy(wavelength_nm, 1.58, 0.0045)


def silica_internal(wavelength_nm: FloatArray, thickness_mm: float) -> FloatArray:
    """Invented bulk transmittance of fused silica: an edge below 200 nm and hydroxyl bands."""
    edge = 0.02 * np.exp((190 - wavelength_nm) / 6)
    bands = sum(
        strength * np.exp(-0.5 * ((wavelength_nm - at_nm) / width_nm) ** 2)
        for at_nm, strength, width_nm in ((1383.0, 0.012, 9.0), (2210.0, 0.03, 22.0))
    )
    return np.exp(-(edge + bands) * thickness_mm)
