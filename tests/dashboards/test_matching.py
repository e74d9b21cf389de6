"""Spectra are drawn together only where their units say the same thing."""

import numpy as np
import pytest
from speclake_dashboards.matching import Units, difference, in_units, units_of

from speclake.spectrum import Axis, SpectrumSet


def spectra(unit="%T", axis_unit="nm", medium="air", keys=("a", "b"), value=50.0, start=400.0):
    axis = Axis(np.array([start, start + 100.0, start + 200.0]), axis_unit, medium)
    return SpectrumSet(axis, np.full((len(keys), 3), value), unit, tuple(keys))


def test_the_picture_counts_in_the_units_of_most_spectra():
    many, few = spectra(keys=("a", "b", "c")), spectra("A", keys=("d",))
    assert units_of([few, many]) == Units("nm", "air", "%T")
    assert units_of([few, many], unit="T") == Units("nm", "air", "T")


def test_fractions_and_percents_and_absorbances_meet_in_one_unit():
    matched = in_units(
        [spectra(), spectra("T", value=0.5), spectra("A", value=1.0)], Units("nm", "air", "%T")
    )
    assert [float(each.values[0, 0]) for each in matched.sets] == [50.0, 50.0, 10.0]
    assert {each.unit for each in matched.sets} == {"%T"}
    assert matched.remarks == ()


def test_reflectance_is_left_out_of_a_picture_of_transmittance_and_said_so():
    matched = in_units([spectra(), spectra("%R", keys=("r",))], Units("nm", "air", "%T"))
    assert len(matched.sets) == 1
    assert matched.remarks == (
        "1 spectrum is left out: %R cannot become %T: reflectance and transmittance are "
        "different measurements and do not convert.",
    )


def test_a_wavenumber_axis_turns_round_with_its_values():
    axis = Axis(np.array([10_000.0, 20_000.0]), "cm-1", "vacuum")
    numbers = SpectrumSet(axis, np.array([[1.0, 2.0]]), "%T", ("a",))
    (drawn,) = in_units([numbers], Units("nm", "vacuum", "%T")).sets
    assert drawn.axis.values.tolist() == [500.0, 1000.0]
    assert drawn.values.tolist() == [[2.0, 1.0]]


def test_an_axis_of_unknown_medium_is_drawn_as_it_stands_and_said_so():
    matched = in_units([spectra(), spectra(medium=None)], Units("nm", "air", "%T"))
    assert len(matched.sets) == 2
    assert matched.sets[1].axis.values[0] == 400.0
    assert "does not say air or vacuum" in matched.remarks[0]


def test_wavelengths_in_vacuum_move_to_the_air_scale_of_the_picture():
    matched = in_units([spectra(medium="vacuum", start=656.281)], Units("nm", "air", "%T"))
    # the deuterium alpha line: 656.281 nm in vacuum, 656.100 nm in air (NIST Atomic Spectra
    # Database, D I; as tables of wavelength standards for spectrophotometers print it)
    assert matched.sets[0].axis.values[0] == pytest.approx(656.100, abs=1e-3)


def test_a_difference_is_taken_point_by_point_and_only_on_the_same_axis():
    first, other = spectra(value=50.0), spectra(keys=("c",), start=401.0)
    second = SpectrumSet(first.axis, first.values - 2.0, "%T", ("d", "e"))
    taken = difference([first, second, other], "a")
    assert [float(each.values[0, 0]) for each in taken.sets] == [0.0, -2.0]
    assert len(taken.remarks) == 1
    assert "nothing is interpolated" in taken.remarks[0]


def test_a_difference_to_a_spectrum_that_is_not_drawn_is_an_error():
    with pytest.raises(KeyError):
        difference([spectra()], "z")
