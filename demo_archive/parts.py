"""The five invented products: what an ideal bench would read on each of their parts.

Thicknesses were found by least squares for these invented film materials; no real design is
behind them. Each function returns percent, shape (p,).
"""

from functools import lru_cache

import numpy as np
from speclake_demo import materials
from speclake_demo.film import Face, Layer, Polarisation, face, plate_transmittance
from speclake_demo.scans import FloatArray

WINDOW_LOW_HIGH_NM = (93.4, 132.4, 35.3, 14.5)
"""Camera window, from the air: low, high, low, high on fused silica, both faces."""

PANEL_LOW_HIGH_NM = (95.2, 135.7, 32.4, 15.2)
"""Cover panel, from the air: low, high, low, high on borosilicate crown, front face."""

WAFER_LOW_HIGH_NM = (43.0, 35.1, 66.1)
"""Deep-UV wafer, from the air: low, deep-UV high, low on fused silica, both faces."""

WAFER_RADIUS_MM = 72.0

FILTER_CENTRE_NM = 479.5
FILTER_PERIODS = 22
"""Edge filter: quarter waves of this wavelength, and how often high and low follow each other."""

SPLITTER_HIGH_LOW_NM = (78.0, 112.0, 78.0)
"""Beam splitter, from the air: high, low, high on fused silica."""

POLARISATIONS: tuple[Polarisation, ...] = ("s", "p")


def camera_window(
    wavelength_nm: FloatArray, low_factor: float, high_factor: float, thickness_mm: float
) -> FloatArray:
    """Transmittance of a window with both faces coated in one run.

    Parameters
    ----------
    low_factor, high_factor : thickness of the low and the high layers over the design.
    """
    low, high = materials.low(wavelength_nm), materials.high(wavelength_nm)
    layers = [
        Layer(low, thickness * low_factor) if i % 2 == 0 else Layer(high, thickness * high_factor)
        for i, thickness in enumerate(WINDOW_LOW_HIGH_NM)
    ]
    silica = materials.sellmeier(wavelength_nm, materials.FUSED_SILICA)
    coated = face(wavelength_nm, layers, silica)
    internal = materials.silica_internal(wavelength_nm, thickness_mm)
    return 100 * plate_transmittance(coated, coated, internal)


def cover_panel(wavelength_nm: FloatArray, factor: float) -> FloatArray:
    """Reflectance of the coated front face at 8 degrees, unpolarised, its back face blackened."""
    low, high = materials.low(wavelength_nm), materials.high(wavelength_nm)
    layers = [
        Layer(high if i % 2 else low, thickness * factor)
        for i, thickness in enumerate(PANEL_LOW_HIGH_NM)
    ]
    crown = materials.sellmeier(wavelength_nm, materials.BOROSILICATE_CROWN)
    s = face(wavelength_nm, layers, crown, angle_deg=8.0, polarisation="s")
    p = face(wavelength_nm, layers, crown, angle_deg=8.0, polarisation="p")
    return 50 * (s.reflectance + p.reflectance)


def deep_uv_wafer(wavelength_nm: FloatArray, factor: float) -> FloatArray:
    """Transmittance of a fused silica wafer of 0.7 mm with both faces coated."""
    low, high = materials.low(wavelength_nm), materials.deep_high(wavelength_nm)
    layers = [
        Layer(high if i % 2 else low, thickness * factor)
        for i, thickness in enumerate(WAFER_LOW_HIGH_NM)
    ]
    silica = materials.sellmeier(wavelength_nm, materials.FUSED_SILICA)
    coated: Face = face(wavelength_nm, layers, silica)
    return 100 * plate_transmittance(coated, coated, materials.silica_internal(wavelength_nm, 0.7))


def edge_filter(wavelength_nm: FloatArray, factor: float) -> FloatArray:
    """Transmittance of a long-pass filter: a quarter-wave stack on fused silica, its back bare.

    The stack (H/2 L H/2) repeated passes what lies beyond its stop band, and its half layers at
    both ends flatten that; textbook design, from memory.
    """
    high, low = materials.high(wavelength_nm), materials.low(wavelength_nm)
    centre = np.array([FILTER_CENTRE_NM])
    quarter_high = FILTER_CENTRE_NM / 4 / float(materials.high(centre)[0]) * factor
    quarter_low = FILTER_CENTRE_NM / 4 / float(materials.low(centre)[0]) * factor
    outer, inner = Layer(high, quarter_high / 2), Layer(high, quarter_high)
    between = Layer(low, quarter_low)
    layers = [outer, *[between, inner] * (FILTER_PERIODS - 1), between, outer]
    silica = materials.sellmeier(wavelength_nm, materials.FUSED_SILICA)
    coated, bare = face(wavelength_nm, layers, silica), face(wavelength_nm, [], silica)
    return 100 * plate_transmittance(coated, bare)


def beam_splitter(
    wavelength_nm: FloatArray, factor: float, absorption: float, angle_deg: float
) -> dict[Polarisation, Face]:
    """Fractions reflected and transmitted by the coated face, by polarisation.

    The other face is taken as perfect.

    Parameters
    ----------
    absorption : imaginary part of the index of the high layers.
    """
    high = (materials.high(wavelength_nm) + 1j * absorption).astype(np.complex128)
    low = materials.low(wavelength_nm)
    layers = [
        Layer(low if i % 2 else high, thickness * factor)
        for i, thickness in enumerate(SPLITTER_HIGH_LOW_NM)
    ]
    silica = materials.sellmeier(wavelength_nm, materials.FUSED_SILICA)
    return {
        p: face(wavelength_nm, layers, silica, angle_deg=angle_deg, polarisation=p)
        for p in POLARISATIONS
    }


def grey_check_piece(wavelength_nm: FloatArray) -> FloatArray:
    """Transmittance of an invented grey glass that is scanned to see the bench hold still."""
    return 30 + 1.5 * np.tanh((wavelength_nm - 550) / 400)


def reference_mirror(wavelength_nm: FloatArray) -> FloatArray:
    """Reflectance of an invented metal mirror."""
    return 91 - 2.5 * ((wavelength_nm - 550) / 400) ** 2


@lru_cache(1)
def panel_sites_mm() -> dict[str, tuple[float, float]]:
    """Nine sites at 10, 50 and 90 % of the sides of a panel of 600 mm by 400 mm, row by row.

    Common practice for displays: nine points on a 3 by 3 grid.
    """
    places = [(x, y) for y in (160.0, 0.0, -160.0) for x in (-240.0, 0.0, 240.0)]
    return {str(number): place for number, place in enumerate(places, 1)}


@lru_cache(1)
def wafer_sites_mm() -> dict[str, tuple[float, float]]:
    """Thirteen sites of a wafer of 150 mm: the centre, four at half and eight at full radius.

    Common practice: concentric rings inside an edge exclusion of 3 mm.
    """
    rings = [(0.0, 1), (WAFER_RADIUS_MM / 2, 4), (WAFER_RADIUS_MM, 8)]
    places = [
        (radius * np.cos(turn), radius * np.sin(turn))
        for radius, count in rings
        for turn in 2 * np.pi * np.arange(count) / count
    ]
    rounded = [(round(float(x), 1) + 0.0, round(float(y), 1) + 0.0) for x, y in places]
    return {str(number): place for number, place in enumerate(rounded, 1)}
