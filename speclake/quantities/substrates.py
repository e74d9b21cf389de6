"""Index of a substrate, what its faces reflect, and what a plate lets through.

Closed forms of thin-film optics for media without absorption in the index (common practice). They
are functions of numbers; `speclake.quantities.coating` applies them to spectra.
"""

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Literal

import numpy as np
import numpy.typing as npt

from speclake.errors import NotFound
from speclake.spectrum import FloatArray

Polarisation = Literal["s", "p", "unpolarised"]


@dataclass(frozen=True)
class Material:
    """A transparent material with a published Sellmeier formula.

    Parameters
    ----------
    name : how a specification calls it.
    strengths : B1, B2, B3.
    resonances_um2 : C1, C2, C3, in µm².
    low_nm, high_nm : range for which the formula was published, both ends included.
    """

    name: str
    strengths: tuple[float, float, float]
    resonances_um2: tuple[float, float, float]
    low_nm: float
    high_nm: float


@cache
def materials() -> Mapping[str, Material]:
    """Materials that come with the package, by name."""
    text = (resources.files("speclake.quantities") / "data" / "sellmeier.csv").read_text("utf-8")
    return {
        row["name"]: Material(
            row["name"],
            (float(row["b1"]), float(row["b2"]), float(row["b3"])),
            (float(row["c1_um2"]), float(row["c2_um2"]), float(row["c3_um2"])),
            1000 * float(row["low_um"]),
            1000 * float(row["high_um"]),
        )
        for row in csv.DictReader(text.splitlines()[1:])
    }


def material(name: str) -> Material:
    """Material that comes with the package.

    Raises
    ------
    speclake.errors.NotFound
        There is none of this name.
    """
    if name not in materials():
        raise NotFound(f"found no material {name!r}; there are: {', '.join(materials())}")
    return materials()[name]


def refractive_index(of: Material, wavelength_nm: npt.ArrayLike) -> FloatArray:
    """Refractive index by the Sellmeier formula n² = 1 + sum B λ²/(λ² - C).

    Parameters
    ----------
    wavelength_nm : any shape. The formulas are published for wavelengths in air; taking those in
        vacuum changes n by less than 1e-4 above 250 nm.

    Raises
    ------
    ValueError
        A wavelength lies outside the range of the formula.

    References
    ----------
    I. H. Malitson, J. Opt. Soc. Am. 55, 1205 (1965), for fused silica; the first line of
    ``speclake/quantities/data/sellmeier.csv`` names the source of each material.

    Examples
    --------
    >>> round(float(refractive_index(material("fused silica"), 587.561)), 5)  # Malitson's table
    1.45846
    """
    wavelengths = np.asarray(wavelength_nm, dtype=np.float64)
    outside = ~((of.low_nm <= wavelengths) & (wavelengths <= of.high_nm))
    if outside.any():
        raise ValueError(
            f"the index of {of.name} is known from {of.low_nm:g} nm to {of.high_nm:g} nm, "
            f"found {wavelengths[outside].flat[0]:.10g} nm"
        )
    square = (wavelengths / 1000.0) ** 2
    terms = [
        strength * square / (square - resonance)
        for strength, resonance in zip(of.strengths, of.resonances_um2, strict=True)
    ]
    return np.asarray(np.sqrt(1.0 + terms[0] + terms[1] + terms[2]))


def face_reflectance(
    index: npt.ArrayLike,
    *,
    angle_deg: npt.ArrayLike = 0.0,
    polarisation: Polarisation = "unpolarised",
) -> FloatArray:
    """Fraction of the light in air that one face reflects, by the formulas of Fresnel.

    Parameters
    ----------
    index : refractive index of the substrate to that of air, 1 or more.
    angle_deg : angle of incidence in air, 0 to below 90.
    polarisation : ``unpolarised`` is the mean of ``s`` and ``p``.

    Examples
    --------
    >>> round(float(face_reflectance(1.52)), 6)
    0.04258
    """
    n = np.asarray(index, dtype=np.float64)
    sine = np.sin(np.radians(np.asarray(angle_deg, dtype=np.float64)))
    outside, inside = np.sqrt(1.0 - sine * sine), np.sqrt(n * n - sine * sine) / n
    s = ((outside - n * inside) / (outside + n * inside)) ** 2
    p = ((n * outside - inside) / (n * outside + inside)) ** 2
    return np.asarray({"s": s, "p": p, "unpolarised": (s + p) / 2}[polarisation])


def brewster_angle_deg(index: float) -> float:
    """Angle of incidence at which one face reflects no p-polarised light."""
    return float(np.degrees(np.arctan(index)))


def plate_transmittance(face: npt.ArrayLike, internal: npt.ArrayLike = 1.0) -> FloatArray:
    """Fraction that a plate lets through: T = (1 - R)² τ / (1 - R² τ²).

    All reflections between the two faces are added by their power, not by their phase: for a plate
    much thicker than the coherence length of the light.

    Parameters
    ----------
    face : R, fraction reflected by one face.
    internal : τ, internal transmittance over one pass.
    """
    r, tau = np.asarray(face, dtype=np.float64), np.asarray(internal, dtype=np.float64)
    return np.asarray((1 - r) * (1 - r) * tau / (1 - r * r * tau * tau))


def plate_reflectance(face: npt.ArrayLike, internal: npt.ArrayLike = 1.0) -> FloatArray:
    """Fraction that a plate reflects from both faces; parameters as for `plate_transmittance`."""
    r, tau = np.asarray(face, dtype=np.float64), np.asarray(internal, dtype=np.float64)
    return np.asarray(r * (1.0 + tau * plate_transmittance(r, tau)))


def internal_of_plate(transmittance: npt.ArrayLike, face: npt.ArrayLike) -> FloatArray:
    """Internal transmittance τ of a plate from the T that it lets through.

    The root of R² T τ² + (1 - R)² τ - T = 0, in the form that loses no digits where R is small.
    Above 1, or below 0, where T is; nothing is clipped.

    Parameters
    ----------
    transmittance : T as a fraction.
    face : R, fraction reflected by one face.
    """
    t, r = np.asarray(transmittance, dtype=np.float64), np.asarray(face, dtype=np.float64)
    through = (1 - r) * (1 - r)
    return np.asarray(2 * t / (through + np.sqrt(through * through + 4 * r * r * t * t)))


def layer_reflectance(
    layer_index: npt.ArrayLike,
    substrate_index: npt.ArrayLike,
    thickness_nm: npt.ArrayLike,
    wavelength_nm: npt.ArrayLike,
) -> FloatArray:
    """Fraction reflected by one face with a single layer on it, at normal incidence from air.

    Examples
    --------
    A quarter wave of index 1.38 on 1.52: ((ns - n²)/(ns + n²))².

    >>> round(float(layer_reflectance(1.38, 1.52, 550 / (4 * 1.38), 550)), 7)
    0.0126008
    """
    n, ns = np.asarray(layer_index, np.float64), np.asarray(substrate_index, np.float64)
    first, second = (1 - n) / (1 + n), (n - ns) / (n + ns)
    phase = 4 * np.pi * n * np.asarray(thickness_nm) / np.asarray(wavelength_nm)
    both = 2 * first * second * np.cos(phase)
    squares = first * first + second * second
    return np.asarray((squares + both) / (1 + (first * second) ** 2 + both))


def stack_reflectance(pairs: int, high: float, low: float, substrate: float) -> float:
    """Fraction reflected by a quarter-wave stack (HL)ⁿH at its wavelength, normal incidence in air.

    R = ((1 - Y)/(1 + Y))² with Y = (nH/nL)²ⁿ nH²/ns.

    Parameters
    ----------
    pairs : number of pairs of layers before the last one, 0 or more.
    high, low, substrate : indices of the layers and of what they stand on.
    """
    admittance = (high / low) ** (2 * pairs) * high * high / substrate
    return ((1 - admittance) / (1 + admittance)) ** 2


def stop_band(centre_nm: float, high: float, low: float) -> tuple[float, float]:
    """Ends in nm of the band that a quarter-wave stack of very many pairs reflects.

    centre/(1 + g) and centre/(1 - g) with g = (2/π) asin((nH - nL)/(nH + nL)).
    """
    half = 2 / np.pi * np.arcsin((high - low) / (high + low))
    return float(centre_nm / (1 + half)), float(centre_nm / (1 - half))
