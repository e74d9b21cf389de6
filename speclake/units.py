"""Units of axes and values, and the conversions between them that lose nothing.

Positions: a wavelength is counted in air or in vacuum, and the two differ by 0.15 nm at 550 nm. A
wavenumber (cm⁻¹) and a photon energy (eV) belong to the vacuum wavelength by definition. So a
wavelength whose medium nobody stated converts between nm and µm only; else it is a `UnitError`.

Values: %T and T, %R and R differ by the factor 100; T and A, R and log(1/R) by a logarithm. R and T
never convert through A, and log(1/R) is not an absorbance: it says nothing about how much light was
absorbed. A percent value becomes a fraction by one division, ``x / 100``, which is correctly
rounded; ``x * 0.01`` would round twice, since 0.01 has no exact binary form.
"""

from fractions import Fraction
from typing import Literal

import numpy as np
import numpy.typing as npt

from speclake.errors import UnitError

AxisUnit = Literal["nm", "um", "cm-1", "eV"]
Medium = Literal["air", "vacuum"]
ValueUnit = Literal["%T", "T", "%R", "R", "A", "log(1/R)"]
SpectralUnit = Literal["%T", "T", "%R", "R", "A", "log(1/R)", "%A+S"]
"""Unit of a spectrum: one that an export may have, or ``%A+S``, which is 100 - T - R in percent."""
Quantity = Literal[
    "transmittance", "reflectance", "absorbance", "log inverse reflectance",
    "absorptance plus scatter",
]  # fmt: skip
FloatArray = npt.NDArray[np.float64]

QUANTITY_OF_UNIT: dict[SpectralUnit, Quantity] = {
    "%T": "transmittance",
    "T": "transmittance",
    "%R": "reflectance",
    "R": "reflectance",
    "A": "absorbance",
    "log(1/R)": "log inverse reflectance",
    "%A+S": "absorptance plus scatter",
}

# h c / e from the three defining constants of the SI of 2019; one rounding, to float64
EV_NM = float(Fraction("6.62607015e-34") * 299792458 * 10**9 / Fraction("1.602176634e-19"))
"""Product of photon energy in eV and vacuum wavelength in nm, 1239.84198 (CODATA 2018, exact)."""

CM1_NM = 1e7
"""Product of wavenumber in cm⁻¹ and vacuum wavelength in nm."""

AIR_FORMULA_NM = (185.0, 3500.0)
"""Vacuum wavelengths for which `refractive_index_of_air` answers."""


def refractive_index_of_air(vacuum_nm: npt.ArrayLike) -> FloatArray:
    """Phase refractive index of standard air: dry, 15 °C, 101325 Pa, 450 ppm CO2.

    Parameters
    ----------
    vacuum_nm : wavelength in vacuum, nm.

    Raises
    ------
    speclake.errors.UnitError
        A wavelength lies outside `AIR_FORMULA_NM`. The dispersion formula is fitted from 230 nm to
        1690 nm; between there and the stated ends it runs smoothly and is used as it stands; below
        185 nm air is opaque and no scale in air exists.

    References
    ----------
    P. E. Ciddor, Refractive index of air: new equations for the visible and near infrared,
    Applied Optics 35 (1996) 1566-1573, equation 1.

    Examples
    --------
    >>> print(f"{float(refractive_index_of_air(589.2937) - 1):.6e}")
    2.771474e-04
    """
    wavelength = np.asarray(vacuum_nm, dtype=np.float64)
    low, high = AIR_FORMULA_NM
    outside = ~((wavelength >= low) & (wavelength <= high))
    if outside.any():
        found = float(wavelength[outside].flat[0])
        raise UnitError(
            f"a wavelength of {found:g} nm has no conversion between air and vacuum; "
            f"it is defined from {low:g} nm to {high:g} nm"
        )
    return _index_minus_one(wavelength) + 1.0


def _index_minus_one(vacuum_nm: FloatArray) -> FloatArray:
    per_um = 1000.0 / vacuum_nm
    square = per_um * per_um
    return 0.05792105 / (238.0185 - square) + 0.00167917 / (57.362 - square)


def air_from_vacuum(vacuum_nm: npt.ArrayLike) -> FloatArray:
    """Wavelength in standard air of light with this wavelength in vacuum, both in nm.

    Raises
    ------
    speclake.errors.UnitError
        As for `refractive_index_of_air`.

    Examples
    --------
    >>> print(f"{float(air_from_vacuum(605.78019)):.5f}")  # krypton line, 605.61250 nm in air
    605.61250
    """
    wavelength = np.asarray(vacuum_nm, dtype=np.float64)
    return wavelength / refractive_index_of_air(wavelength)


def vacuum_from_air(air_nm: npt.ArrayLike) -> FloatArray:
    """Wavelength in vacuum of light with this wavelength in standard air, both in nm.

    The index belongs to the vacuum wavelength, so it is found by repetition: each step shrinks the
    error by more than a factor of 1000, and five reach the last bit.

    Raises
    ------
    speclake.errors.UnitError
        As for `refractive_index_of_air`.
    """
    air = np.asarray(air_nm, dtype=np.float64)
    vacuum = air * refractive_index_of_air(air)
    for _ in range(5):
        vacuum = air * refractive_index_of_air(vacuum)
    return vacuum


def medium_of(
    unit: AxisUnit, medium: Medium | None, to_unit: AxisUnit, to_medium: Medium | None = None
) -> Medium | None:
    """Medium of positions after a conversion.

    A wavenumber and an energy always belong to vacuum. A wavelength keeps its medium where none is
    asked for; one made from a wavenumber or an energy is then in vacuum.

    Raises
    ------
    speclake.errors.UnitError
        A wavenumber or an energy was said, or asked, to be counted in air.
    """
    for each, said in ((unit, medium), (to_unit, to_medium)):
        if each in ("cm-1", "eV") and said == "air":
            raise UnitError(f"{each} belongs to the wavelength in vacuum and is not counted in air")
    if to_unit in ("cm-1", "eV"):
        return "vacuum"
    if to_medium is not None:
        return to_medium
    return "vacuum" if unit in ("cm-1", "eV") else medium


def convert_positions(
    positions: npt.ArrayLike,
    unit: AxisUnit,
    medium: Medium | None,
    to_unit: AxisUnit,
    to_medium: Medium | None = None,
) -> FloatArray:
    """Positions on an axis in another unit or medium, in the order given.

    Parameters
    ----------
    positions : in `unit`; greater than zero.
    medium, to_medium : what wavelengths are counted in; see `medium_of` for the default.

    Raises
    ------
    speclake.errors.UnitError
        The medium of a wavelength matters and is unknown, a position is not above zero, or it lies
        where air and vacuum have no conversion.

    Examples
    --------
    >>> print(convert_positions([500.0, 1000.0], "nm", "vacuum", "cm-1"))
    [20000. 10000.]
    >>> print(f"{float(convert_positions(500.0, 'nm', 'air', 'cm-1')):.3f}")
    19994.422
    """
    found = np.asarray(positions, dtype=np.float64)
    target = medium_of(unit, medium, to_unit, to_medium)
    source = medium_of(unit, medium, unit)
    if not (found > 0).all():
        raise UnitError(f"a position in {unit} must lie above zero to be converted")
    if source == target:
        return _rescaled(found, unit, to_unit)
    if source is None:
        raise UnitError(
            f"wavelengths in {unit} cannot become {to_unit} counted in {target}: nobody said "
            "whether they are counted in air or in vacuum"
        )
    in_nm = _rescaled(found, unit, "nm")
    changed = vacuum_from_air(in_nm) if source == "air" else air_from_vacuum(in_nm)
    return _rescaled(changed, "nm", to_unit)


_PRODUCT_WITH_NM: dict[AxisUnit, float] = {"cm-1": CM1_NM, "eV": EV_NM}


def _rescaled(positions: FloatArray, unit: AxisUnit, to_unit: AxisUnit) -> FloatArray:
    """Positions in another unit, medium unchanged; one rounding on either side of nm."""
    if unit == to_unit:
        return positions
    in_nm = positions
    if unit == "um":
        in_nm = positions * 1000.0
    elif unit != "nm":
        in_nm = _PRODUCT_WITH_NM[unit] / positions
    if to_unit == "um":
        return in_nm / 1000.0
    return in_nm if to_unit == "nm" else _PRODUCT_WITH_NM[to_unit] / in_nm


_PERCENT_OF: dict[SpectralUnit, SpectralUnit] = {"T": "%T", "R": "%R"}
_LOGARITHM_OF: dict[SpectralUnit, SpectralUnit] = {"T": "A", "R": "log(1/R)"}
_FRACTION_OF: dict[SpectralUnit, SpectralUnit] = {
    "%T": "T", "T": "T", "A": "T", "%R": "R", "R": "R", "log(1/R)": "R", "%A+S": "%A+S",
}  # fmt: skip


def can_convert(unit: SpectralUnit, to_unit: SpectralUnit) -> bool:
    """Whether values in one unit say the same thing in another."""
    return _FRACTION_OF[unit] == _FRACTION_OF[to_unit]


def exact_factor(unit: SpectralUnit, to_unit: SpectralUnit) -> Fraction | None:
    """Factor between two units of one quantity: 1, 100 or 1/100; None where a logarithm stands.

    Raises
    ------
    speclake.errors.UnitError
        The units do not say the same thing.
    """
    _must_convert(unit, to_unit)
    if QUANTITY_OF_UNIT[unit] != QUANTITY_OF_UNIT[to_unit]:
        return None
    if unit == to_unit:
        return Fraction(1)
    return Fraction(100) if unit in _PERCENT_OF else Fraction(1, 100)


def convert_values(values: npt.ArrayLike, unit: SpectralUnit, to_unit: SpectralUnit) -> FloatArray:
    """Values in another unit of the same light: %T, T and A, or %R, R and log(1/R).

    NaN stays NaN. Nothing is clipped: a T (or R) that is zero or negative has no logarithm and
    becomes NaN, as does an absorbance below -308, whose T no float64 holds.

    Raises
    ------
    speclake.errors.UnitError
        The units do not say the same thing.

    Examples
    --------
    >>> print(convert_values([100.0, 1.0, 0.0], "%T", "A"))
    [ 0.  2. nan]
    """
    found = np.asarray(values, dtype=np.float64)
    _must_convert(unit, to_unit)
    if unit == to_unit:
        return found
    fraction = _FRACTION_OF[unit]
    if unit == _PERCENT_OF[fraction]:
        found = found / 100.0
    elif unit == _LOGARITHM_OF[fraction]:
        found = _from_logarithm(found)
    if to_unit == _PERCENT_OF[fraction]:
        return found * 100.0
    if to_unit == _LOGARITHM_OF[fraction]:
        return _to_logarithm(found)
    return found


def _to_logarithm(fraction: FloatArray) -> FloatArray:
    # 0 - log instead of -log: a transmittance of one is 0, not -0
    return 0.0 - np.log10(np.where(fraction > 0, fraction, np.nan))


def _from_logarithm(values: FloatArray) -> FloatArray:
    with np.errstate(over="ignore"):
        fraction = np.power(10.0, 0.0 - np.asarray(values, order="C"))
    return np.where(np.isinf(fraction), np.nan, fraction)


def _must_convert(unit: SpectralUnit, to_unit: SpectralUnit) -> None:
    if can_convert(unit, to_unit):
        return
    if {unit, to_unit} == {"A", "log(1/R)"}:
        raise UnitError(f"{unit} cannot become {to_unit}: log(1/R) is not an absorbance")
    raise UnitError(
        f"{unit} cannot become {to_unit}: {QUANTITY_OF_UNIT[unit]} and "
        f"{QUANTITY_OF_UNIT[to_unit]} are different measurements and do not convert"
    )
