"""Reflectance and transmittance of a coated plate, by the characteristic matrix of each layer.

Every array is one value a wavelength. Angles are in air, counted from the normal of the plate.

References
----------
.. [1] F. Abelès, Annales de Physique 12 (1950) 596 and 706: the characteristic matrix.
.. [2] M. Born and E. Wolf, Principles of Optics, section 1.6: stratified media (from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]
Polarisation = Literal["s", "p"]


@dataclass(frozen=True)
class Layer:
    """One film: its index at each wavelength (absorbing where the imaginary part is positive)."""

    index: npt.NDArray[np.float64] | npt.NDArray[np.complex128] | float | complex
    thickness_nm: float


@dataclass(frozen=True)
class Face:
    """Fractions of the intensity at one face of the plate.

    `reflectance` is seen from the side of the incoming light, `reflectance_inside` from the other;
    `transmittance` is the same both ways where neither medium absorbs.
    """

    reflectance: FloatArray
    reflectance_inside: FloatArray
    transmittance: FloatArray


def _cosine(index: ComplexArray, sine_in_air: float) -> ComplexArray:
    """Cosine of the angle inside a medium (Snell), on the branch that decays in an absorber."""
    cosine = np.sqrt(1.0 - (sine_in_air / index) ** 2 + 0j)
    grows = (index * cosine).imag < 0
    return np.where(grows, -cosine, cosine)


def _admittance(index: ComplexArray, cosine: ComplexArray, polarised: Polarisation) -> ComplexArray:
    return index * cosine if polarised == "s" else index / cosine


def face(
    wavelength_nm: FloatArray,
    layers: Sequence[Layer],
    substrate: npt.ArrayLike,
    *,
    angle_deg: float = 0.0,
    polarisation: Polarisation = "s",
) -> Face:
    """Reflectance and transmittance of one face between air and a substrate.

    Parameters
    ----------
    wavelength_nm : shape (p,).
    layers : from the air to the substrate.
    substrate : index of the substrate, shape (p,) or one number.

    Examples
    --------
    A quarter wave of index 1.38 on 1.52 reflects ((1.52 - 1.38**2) / (1.52 + 1.38**2))**2:

    >>> film = Layer(1.38, 550 / 4 / 1.38)
    >>> float(face(np.array([550.0]), [film], 1.52).reflectance[0].round(7))
    0.0126008
    """
    sine = float(np.sin(np.radians(angle_deg)))
    one = np.ones(wavelength_nm.shape, np.complex128)
    air = _admittance(one, _cosine(one, sine), polarisation)
    glass_index = one * np.asarray(substrate)
    glass = _admittance(glass_index, _cosine(glass_index, sine), polarisation)
    m11, m12, m21, m22 = one, 0 * one, 0 * one, one
    for layer in layers:
        index = one * layer.index
        cosine = _cosine(index, sine)
        admittance = _admittance(index, cosine, polarisation)
        phase = 2 * np.pi / wavelength_nm * index * cosine * layer.thickness_nm
        c, s = np.cos(phase), -1j * np.sin(phase)
        m11, m12, m21, m22 = (
            m11 * c + m12 * s * admittance,
            m11 * s / admittance + m12 * c,
            m21 * c + m22 * s * admittance,
            m21 * s / admittance + m22 * c,
        )
    b, c = m11 + m12 * glass, m21 + m22 * glass
    # Read from the substrate, the matrix product runs the other way: its diagonal changes places.
    b_inside, c_inside = m22 + m12 * air, m21 + m11 * air
    into = air * b + c
    return Face(
        reflectance=np.abs((air * b - c) / into) ** 2,
        reflectance_inside=np.abs((glass * b_inside - c_inside) / (glass * b_inside + c_inside))
        ** 2,
        transmittance=4 * air.real * glass.real / np.abs(into) ** 2,
    )


def plate_transmittance(front: Face, back: Face, internal: npt.ArrayLike = 1.0) -> FloatArray:
    """Transmittance of a thick plate; light between its faces adds without interference.

    Parameters
    ----------
    front, back : the two faces, each seen from the air.
    internal : transmittance of the bulk along one pass.

    Examples
    --------
    An uncoated plate transmits 2 n / (n**2 + 1):

    >>> bare = face(np.array([550.0]), [], 1.52)
    >>> float(plate_transmittance(bare, bare)[0].round(10)) == round(2 * 1.52 / (1.52**2 + 1), 10)
    True
    """
    once = np.asarray(internal, np.float64)
    between = 1 - front.reflectance_inside * back.reflectance_inside * once**2
    return front.transmittance * back.transmittance * once / between


def plate_reflectance(front: Face, back: Face, internal: npt.ArrayLike = 1.0) -> FloatArray:
    """Reflectance of a thick plate seen from its front; see `plate_transmittance`."""
    once = np.asarray(internal, np.float64)
    between = 1 - front.reflectance_inside * back.reflectance_inside * once**2
    from_back = front.transmittance**2 * back.reflectance_inside * once**2 / between
    return front.reflectance + from_back
