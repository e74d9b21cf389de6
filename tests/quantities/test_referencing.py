"""Ratios to a certified reference become absolute."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from speclake.errors import UnitError
from speclake.quantities.referencing import ReferenceTable, referenced
from speclake.spectrum import Axis, SpectrumSet

AT = np.linspace(400.0, 700.0, 31)


def ratios(values, unit="%R", medium=None, axis_unit="nm", at=AT) -> SpectrumSet:
    return SpectrumSet(Axis(at, axis_unit, medium), np.atleast_2d(values), unit, ("a",))


def table(values, uncertainty=0.5, unit="%R", at=AT, **known) -> ReferenceTable:
    return ReferenceTable(at, np.broadcast_to(values, at.shape), np.full(at.shape, uncertainty),
                          unit, **known)  # fmt: skip


levels = st.floats(0.01, 120.0)


@given(levels, levels)
def test_the_reference_itself_reads_its_certificate(level, other):
    """R = ratio x certified value: 100 % of the reference is the reference (definition)."""
    certified = np.linspace(level, other, 31)
    found = referenced(ratios(np.full(31, 100.0)), table(certified))
    np.testing.assert_allclose(found.spectra.values[0], certified, rtol=1e-12)
    np.testing.assert_allclose(found.uncertainty[0], 0.5, rtol=1e-12)


@given(levels, levels)
def test_percent_and_fractions_say_the_same(level, ratio):
    percent = referenced(ratios(np.full(31, ratio)), table(level), 0.2)
    fraction = referenced(ratios(np.full(31, ratio / 100), "R"), table(level), 0.002)
    mixed = referenced(ratios(np.full(31, ratio)), table(level / 100, 0.005, "R"), 0.2)
    np.testing.assert_allclose(percent.spectra.values, fraction.spectra.values * 100, rtol=1e-12)
    np.testing.assert_allclose(percent.uncertainty, fraction.uncertainty * 100, rtol=1e-12)
    np.testing.assert_allclose(percent.spectra.values, mixed.spectra.values, rtol=1e-12)
    np.testing.assert_allclose(percent.uncertainty, mixed.uncertainty, rtol=1e-12)


@given(levels, levels, st.floats(0.001, 2.0), st.floats(0.001, 2.0), st.floats(1.0, 3.0))
def test_relative_uncertainties_add_in_squares(level, ratio, of_value, of_ratio, k):
    """JCGM 100, 5.1.6: for a product the relative standard uncertainties add in squares."""
    found = referenced(ratios(np.full(31, ratio)), table(level, of_value, coverage_factor=k),
                       of_ratio)  # fmt: skip
    relative = np.hypot(of_value / k / level, of_ratio / 2 / ratio)
    np.testing.assert_allclose(found.uncertainty / 2 / found.spectra.values, relative, rtol=1e-9)


def test_the_uncertainty_is_that_of_drawn_errors():
    """20,000 draws of both factors: their scatter within 2 %."""
    random = np.random.default_rng(1)
    drawn = (60 + random.normal(0, 0.3, 20_000)) * (97 + random.normal(0, 0.25, 20_000)) / 100
    found = referenced(ratios(np.full(31, 60.0)), table(97.0, 0.5), 0.6)
    assert found.uncertainty[0, 0] / 2 == pytest.approx(drawn.std(), rel=0.02)


def test_nothing_is_continued_beyond_the_table():
    short = table(97.0, at=np.array([450.0, 500.0]))
    found = referenced(ratios(np.full(31, 50.0)), short)
    inside = (AT >= 450) & (AT <= 500)
    assert (np.isnan(found.spectra.values[0]) == ~inside).all()
    assert (np.isnan(found.uncertainty[0]) == ~inside).all()


def test_missing_values_stay_missing_and_negative_ones_negative():
    values = np.full(31, 50.0)
    values[3], values[5] = np.nan, -0.02
    found = referenced(ratios(values), table(97.0)).spectra.values[0]
    assert np.isnan(found).sum() == 1
    assert found[5] == pytest.approx(-0.0194)


def test_wavelengths_are_counted_as_the_table_counts_them():
    """Air and vacuum differ by 0.15 nm at 550 nm (Ciddor 1996): 0.15 % of a slope of 1 %/nm."""
    steep = table(50 + (AT - 550), medium="air")
    in_vacuum = referenced(ratios(np.full(31, 100.0), medium="vacuum"), steep).spectra.values[0]
    assert in_vacuum[15] == pytest.approx(50 - 0.153, abs=2e-3)
    unknown = referenced(ratios(np.full(31, 100.0)), steep).spectra.values[0]
    assert unknown[15] == pytest.approx(50)
    energies = np.linspace(1.8, 3.0, 31)
    found = referenced(ratios(np.full(31, 100.0), at=energies, axis_unit="eV"), steep)
    at_nm = 1239.841984 / energies / 1.000277
    np.testing.assert_allclose(found.spectra.values[0], 50 + at_nm - 550, atol=0.01)


@pytest.mark.parametrize(
    ("unit", "of_table"), [("log(1/R)", "%R"), ("A", "%T"), ("%R", "%T"), ("%R", "A")]
)
def test_what_is_no_ratio_of_the_same_quantity_is_refused(unit, of_table):
    with pytest.raises(UnitError):
        referenced(ratios(np.full(31, 0.3), unit), table(0.5, unit=of_table))


@pytest.mark.parametrize(
    ("at", "value"),
    [([500.0, 400.0], [1.0, 1.0]), ([400.0, 400.0], [1.0, 1.0]), ([400.0], [1.0, 1.0]), ([], []),
     ([400.0, 500.0], [1.0, np.nan])],
)  # fmt: skip
def test_a_table_without_order_or_numbers_is_none(at, value):
    with pytest.raises(ValueError, match="a table needs"):
        ReferenceTable(np.array(at), np.array(value), np.array(value), "%R")
