"""Conversions of positions and values."""

import doctest
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from speclake import units
from speclake.errors import UnitError
from speclake.units import (
    air_from_vacuum,
    can_convert,
    convert_positions,
    convert_values,
    exact_factor,
    medium_of,
    refractive_index_of_air,
    vacuum_from_air,
)

wavelengths = st.floats(186.0, 3400.0)
fractions_above_zero = st.floats(1e-12, 1.5)


def test_examples_in_the_docstrings_hold():
    assert doctest.testmod(units).failed == 0


@settings(deadline=None)
@given(wavelengths)
def test_air_and_vacuum_give_each_other_back(wavelength):
    assert float(vacuum_from_air(air_from_vacuum(wavelength))) == pytest.approx(
        wavelength, rel=1e-15
    )


@settings(deadline=None)
@given(wavelengths, st.sampled_from(["nm", "um", "cm-1", "eV"]), st.sampled_from(["air", "vacuum"]))
def test_positions_come_back_from_any_unit(wavelength, unit, medium):
    there = convert_positions(wavelength, "nm", medium, unit)
    back = convert_positions(there, unit, medium_of("nm", medium, unit), "nm", medium)
    assert float(back) == pytest.approx(wavelength, rel=1e-14)


@settings(deadline=None)
@given(st.lists(wavelengths, min_size=1, max_size=20))
def test_a_position_converts_the_same_alone_and_among_others(positions):
    together = convert_positions(positions, "nm", "air", "cm-1")
    alone = [float(convert_positions(each, "nm", "air", "cm-1")) for each in positions]
    assert together.tolist() == alone


@pytest.mark.parametrize("to_unit", ["cm-1", "eV"])
def test_a_wavelength_of_unknown_medium_has_no_wavenumber_and_no_energy(to_unit):
    with pytest.raises(UnitError, match="nobody said whether they are counted in air or in vacuum"):
        convert_positions([500.0], "nm", None, to_unit)


def test_a_wavelength_of_unknown_medium_still_changes_from_nm_to_um():
    assert convert_positions([550.0], "nm", None, "um").tolist() == [0.55]
    assert medium_of("nm", None, "um") is None


def test_a_wavelength_of_unknown_medium_becomes_neither_air_nor_vacuum():
    with pytest.raises(UnitError, match="nobody said"):
        convert_positions([500.0], "nm", None, "nm", "vacuum")


def test_a_wavenumber_is_never_counted_in_air():
    with pytest.raises(UnitError, match="cm-1 belongs to the wavelength in vacuum"):
        convert_positions([20_000.0], "cm-1", "air", "nm")
    with pytest.raises(UnitError, match="eV belongs to the wavelength in vacuum"):
        convert_positions([500.0], "nm", "vacuum", "eV", "air")


def test_a_wavelength_from_a_wavenumber_is_in_vacuum_unless_air_is_asked_for():
    assert medium_of("cm-1", None, "nm") == "vacuum"
    assert float(convert_positions(20_000.0, "cm-1", None, "nm")) == 500.0
    in_air = float(convert_positions(20_000.0, "cm-1", None, "nm", "air"))
    assert in_air == pytest.approx(499.8605, abs=1e-4)


@pytest.mark.parametrize("wavelength", [184.9, 3500.1, float("nan")])
def test_air_ends_where_its_formula_ends(wavelength):
    with pytest.raises(UnitError, match="it is defined from 185 nm to 3500 nm"):
        refractive_index_of_air([500.0, wavelength])


@pytest.mark.parametrize("position", [0.0, -5.0, float("nan")])
def test_a_position_that_is_not_above_zero_is_refused(position):
    with pytest.raises(UnitError, match="above zero"):
        convert_positions([position], "cm-1", None, "nm")


def test_percent_becomes_a_fraction_by_one_rounding():
    # 0.07 * 100 is 7.000000000000001, and 57 * 0.01 is 0.5700000000000001
    percent = np.arange(0, 100_001) / 1000
    fraction = convert_values(percent, "%T", "T")
    exact = [float(Fraction(repr(float(each))) / 100) for each in percent]
    wrong = int((fraction != exact).sum())
    worse = int((percent * 0.01 != exact).sum())
    assert np.abs(fraction - exact).max() <= np.spacing(1.0)
    assert wrong < worse


def test_a_transmittance_of_zero_or_less_has_no_absorbance_and_is_not_clipped():
    out = convert_values([0.01, 0.0, -0.002, np.nan], "T", "A")
    assert out[0] == 2.0
    assert np.isnan(out[1:]).all()


def test_negative_percent_values_stay_negative():
    assert convert_values([-0.25], "%T", "T").tolist() == [-0.0025]
    assert convert_values([-0.0025], "R", "%R").tolist() == [-0.25]


def test_full_transmittance_has_absorbance_zero_without_a_sign():
    out = float(convert_values(100.0, "%T", "A"))
    assert out == 0.0
    assert not np.signbit(out)


def test_an_absorbance_that_no_float_can_undo_becomes_missing_not_infinite():
    assert np.isnan(convert_values([-400.0], "A", "%T")).all()


@settings(deadline=None)
@given(fractions_above_zero)
def test_transmittance_and_absorbance_give_each_other_back(fraction):
    back = convert_values(convert_values(fraction, "T", "A"), "A", "T")
    assert float(back) == pytest.approx(fraction, rel=1e-13)
    back = convert_values(convert_values(fraction, "R", "log(1/R)"), "log(1/R)", "R")
    assert float(back) == pytest.approx(fraction, rel=1e-13)


@settings(deadline=None)
@given(st.lists(st.floats(-0.1, 1.5), min_size=1, max_size=40), st.integers(1, 7))
def test_values_convert_the_same_in_any_piece(values, size):
    whole = convert_values(values, "T", "A")
    pieces = [
        convert_values(values[begin : begin + size], "T", "A")
        for begin in range(0, len(values), size)
    ]
    assert np.array_equal(whole, np.concatenate(pieces), equal_nan=True)


@pytest.mark.parametrize(
    ("unit", "to_unit"), [("%T", "%R"), ("R", "T"), ("R", "A"), ("A", "%R"), ("T", "log(1/R)")]
)
def test_reflectance_and_transmittance_never_convert(unit, to_unit):
    assert not can_convert(unit, to_unit)
    with pytest.raises(UnitError, match="are different measurements and do not convert"):
        convert_values([0.5], unit, to_unit)
    with pytest.raises(UnitError):
        exact_factor(unit, to_unit)


@pytest.mark.parametrize(("unit", "to_unit"), [("A", "log(1/R)"), ("log(1/R)", "A")])
def test_log_inverse_reflectance_is_not_an_absorbance(unit, to_unit):
    with pytest.raises(UnitError, match="is not an absorbance"):
        convert_values([0.5], unit, to_unit)


def test_factors_between_units_of_one_quantity_are_exact():
    assert exact_factor("T", "%T") == 100
    assert exact_factor("%R", "R") == Fraction(1, 100)
    assert exact_factor("A", "A") == 1
    assert exact_factor("A", "%T") is None
