"""Numbers of a colour, made of tristimulus values with the library colour-science.

Only the dominant wavelength is computed here, since that library gives it in whole nanometres.
White, illuminant and observer are never assumed.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from speclake.quantities.tristimulus import (
    OBSERVERS,
    Tristimulus,
    Viewing,
    library_of_colour,
    tristimulus,
    weights_of,
)
from speclake.quantities.values import Values, blanked
from speclake.spectrum import FloatArray, SpectrumSet

Formula = Literal["CIE 1976", "CIE 2000"]

NEUTRAL = 1e-6
"""Chroma, or distance in x and y from white, below which a colour has no hue."""

LOCUS_NM = (380.0, 700.0)
"""Ends of the spectral locus: beyond them x and y of single wavelengths do not change any more."""


def colour_number(
    spectra: SpectrumSet,
    viewing: Viewing,
    number: str,
    *,
    reference_lab: tuple[float, float, float] | None = None,
) -> Values:
    """One number of the colour of each spectrum; `NUMBERS` lists them.

    Parameters
    ----------
    reference_lab : L*, a* and b* that a colour difference is taken to.

    Raises
    ------
    ValueError
        There is no such number, or a difference was asked for without a reference.
    speclake.errors.SpeclakeError
        The library colour-science is not installed.
    """
    return number_of(tristimulus(spectra, viewing), viewing, number, reference_lab)


def number_of(
    found: Tristimulus,
    viewing: Viewing,
    number: str,
    reference_lab: tuple[float, float, float] | None = None,
) -> Values:
    """One number of colours whose tristimulus values are known; else as `colour_number`."""
    if number not in NUMBERS:
        raise ValueError(f"a number of {', '.join(NUMBERS)}, found {number!r}")
    if number.startswith("delta E") and reference_lab is None:
        raise ValueError("a reference for a colour difference")
    value, unsaid = NUMBERS[number](_Seen(found, viewing, reference_lab))
    reasons = dict(found.reasons)
    for row in np.flatnonzero(np.isnan(value)):
        reasons.setdefault(int(row), unsaid)
    return Values(blanked(value, reasons), None, reasons)


def lab_of(xyz: tuple[float, float, float], viewing: Viewing) -> tuple[float, float, float]:
    """L*, a* and b* of X, Y and Z under an illuminant, to its white by the same weights."""
    white = weights_of(viewing).factors.sum(axis=0)
    lightness, a, b = _lab(np.array([xyz]), white)[0].tolist()
    return lightness, a, b


def difference(
    reference_lab: tuple[float, float, float], lab: FloatArray, formula: Formula
) -> FloatArray:
    """Colour difference of each L*, a*, b* (shape (n, 3)) to one of them, shape (n,).

    References
    ----------
    ISO/CIE 11664-4 (``CIE 1976``) and ISO/CIE 11664-6 (``CIE 2000``).
    """
    reference = np.broadcast_to(np.array(reference_lab, np.float64), lab.shape)
    found = library_of_colour().delta_E(reference, lab, method=formula)
    return np.asarray(found, dtype=np.float64)


@dataclass(frozen=True, eq=False)
class _Seen:
    """What numbers of a colour are made of."""

    tristimulus: Tristimulus
    viewing: Viewing
    reference: tuple[float, float, float] | None

    @property
    def xyz(self) -> FloatArray:
        return self.tristimulus.xyz

    @property
    def xy(self) -> FloatArray:
        """Shape (n, 2); NaN for black."""
        total = self.xyz.sum(axis=1, keepdims=True)
        found: FloatArray = self.xyz[:, :2] / np.where(total > 0, total, np.nan)
        return found

    @property
    def white_xy(self) -> FloatArray:
        white = self.tristimulus.white
        found: FloatArray = white[:2] / white.sum()
        return found

    @property
    def lab(self) -> FloatArray:
        return _lab(self.xyz, self.tristimulus.white)


def _lab(xyz: FloatArray, white: FloatArray) -> FloatArray:
    library = library_of_colour()
    # the library knows a white by its x and y; Y of white is 100 here, and 1 there
    return np.asarray(library.XYZ_to_Lab(xyz / 100.0, white[:2] / white.sum()), np.float64)


Answer = tuple[FloatArray, str]
"""A number of each row, and why it is NaN where it is."""

_BLACK = "the spectrum is zero or below over the whole range, and black has no chromaticity"
_GREY = "the colour is neutral and has no hue"


def _of_xyz(place: int) -> Callable[[_Seen], Answer]:
    return lambda seen: (seen.xyz[:, place], "")


def _of_xy(place: int) -> Callable[[_Seen], Answer]:
    return lambda seen: (seen.xy[:, place], _BLACK)


def _of_uv(place: int) -> Callable[[_Seen], Answer]:
    def answer(seen: _Seen) -> Answer:
        # the library makes 0 of a division that has no result, and of NaN
        found = library_of_colour().xy_to_Luv_uv(seen.xy)[:, place]
        return np.where(np.isnan(seen.xy[:, 0]), np.nan, found), _BLACK

    return answer


def _of_lab(place: int) -> Callable[[_Seen], Answer]:
    return lambda seen: (seen.lab[:, place], "")


def _chroma(seen: _Seen) -> Answer:
    return library_of_colour().Lab_to_LCHab(seen.lab)[:, 1], ""


def _hue(seen: _Seen) -> Answer:
    found = library_of_colour().Lab_to_LCHab(seen.lab)
    return np.where(found[:, 1] > NEUTRAL, found[:, 2], np.nan), _GREY


def _difference(formula: Formula) -> Callable[[_Seen], Answer]:
    def answer(seen: _Seen) -> Answer:
        assert seen.reference is not None  # asked for beforehand
        return difference(seen.reference, seen.lab, formula), ""

    return answer


def _dominant(seen: _Seen) -> Answer:
    return _on_the_locus(seen)[0], "the colour is a purple, or neutral, and has no such wavelength"


def _purity(seen: _Seen) -> Answer:
    return 100.0 * _on_the_locus(seen)[1], _BLACK


def _on_the_locus(seen: _Seen) -> tuple[FloatArray, FloatArray]:
    """Dominant wavelength in nm, NaN for purples, and how far from white to the locus a colour is.

    The ray from white through the colour meets a straight stretch of the locus between two whole
    nanometres, or the line of purples; both count for the purity.

    References
    ----------
    CIE 15, dominant wavelength and excitation purity.
    """
    observer = library_of_colour().MSDS_CMFS[OBSERVERS[seen.viewing.observer]]
    nm = np.asarray(observer.wavelengths)
    inside = (nm >= LOCUS_NM[0]) & (nm <= LOCUS_NM[1])
    nm, corner = nm[inside], np.asarray(observer.values)[inside]
    corner = corner[:, :2] / corner.sum(axis=1, keepdims=True) - seen.white_xy
    closed = np.concatenate((corner, corner[:1]))
    ray = seen.xy - seen.white_xy
    away = np.hypot(ray[:, 0], ray[:, 1])
    side = ray[:, :1] * closed[:, 1] - ray[:, 1:] * closed[:, 0]
    ahead = ray[:, :1] * closed[:, 0] + ray[:, 1:] * closed[:, 1] > 0
    crosses = ((side[:, :-1] <= 0) != (side[:, 1:] <= 0)) & (ahead[:, :-1] | ahead[:, 1:])
    crosses &= (away > NEUTRAL)[:, np.newaxis]
    rows, stretch = np.arange(away.size), crosses.argmax(axis=1)
    start, stop = side[rows, stretch], side[rows, stretch + 1]
    is_hit = crosses.any(axis=1)
    share = np.divide(start, start - stop, out=np.full(away.size, np.nan), where=is_hit)
    hit = closed[stretch] + share[:, np.newaxis] * (closed[stretch + 1] - closed[stretch])
    neutral = np.where(np.isnan(away), np.nan, 0.0)
    purity = np.where(is_hit, away / np.hypot(hit[:, 0], hit[:, 1]), neutral)
    is_hue = is_hit & (stretch < nm.size - 1)
    wavelength = np.where(is_hue, nm[stretch % nm.size] + share, np.nan)
    return wavelength, purity


def _yellowness(seen: _Seen) -> Answer:
    library = library_of_colour()
    coefficients = library.colorimetry.YELLOWNESS_COEFFICIENTS_ASTME313
    pair = coefficients[OBSERVERS[seen.viewing.observer]][seen.viewing.illuminant]
    bright = seen.xyz[:, 1] > 0
    value = library.colorimetry.yellowness_ASTME313(seen.xyz, pair)
    return np.where(bright, value, np.nan), _BLACK


def _whiteness(place: int) -> Callable[[_Seen], Answer]:
    """Whiteness and tint in the form that ASTM E313 took over from CIE 15, within its limits."""

    def answer(seen: _Seen) -> Answer:
        bright, observer = seen.xyz[:, 1], OBSERVERS[seen.viewing.observer]
        found = library_of_colour().colorimetry.whiteness_CIE2004(
            seen.xy, bright, seen.white_xy, observer
        )
        white, tint = found[:, 0], found[:, 1]
        valid = (white > 40) & (white < 5 * bright - 280) & (tint > -4) & (tint < 2)
        return np.where(valid, found[:, place], np.nan), (
            "the colour is too far from white: the formula holds for a whiteness above 40 and "
            "below 5 Y - 280, and a tint from -4 to 2"
        )

    return answer


NUMBERS: Mapping[str, Callable[[_Seen], Answer]] = {
    **{name: _of_xyz(place) for place, name in enumerate("XYZ")},
    **{name: _of_xy(place) for place, name in enumerate("xy")},
    **{name: _of_uv(place) for place, name in enumerate(("u'", "v'"))},
    **{name: _of_lab(place) for place, name in enumerate(("L*", "a*", "b*"))},
    "C*ab": _chroma,
    "h ab": _hue,
    "delta E ab": _difference("CIE 1976"),
    "delta E 2000": _difference("CIE 2000"),
    "dominant wavelength": _dominant,
    "excitation purity": _purity,
    "yellowness ASTM E313": _yellowness,
    "whiteness ASTM E313": _whiteness(0),
    "tint ASTM E313": _whiteness(1),
}
"""Numbers of a colour, by the name that a specification uses."""
