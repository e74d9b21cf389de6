"""Colours of every picture, and what stands along its axes."""

from speclake.units import AxisUnit, SpectralUnit

INK, QUIET_INK, RULE, PAPER, ACCENT = "#1b2530", "#56616e", "#d9dee3", "#ffffff", "#0a6a66"
FORBIDDEN = "#7a3b12"
CURVE = "#1c5d99"

AXIS_WORDS: dict[AxisUnit, str] = {
    "nm": "wavelength (nm)",
    "um": "wavelength (µm)",
    "cm-1": "wavenumber (cm⁻¹)",
    "eV": "photon energy (eV)",
}
VALUE_WORDS: dict[SpectralUnit, str] = {
    "%T": "transmittance (%T)",
    "T": "transmittance (T)",
    "%R": "reflectance (%R)",
    "R": "reflectance (R)",
    "A": "absorbance (A)",
    "log(1/R)": "log(1/R)",
    "%A+S": "absorptance plus scatter (%)",
}
