"""Axes, spectra and sets, and their conversion as a whole."""

import numpy as np
import pytest

from speclake.conversion import convert_axis, convert_set
from speclake.errors import UnitError
from speclake.spectrum import Axis, Spectrum, SpectrumSet


def make_set(values, positions=(400.0, 500.0, 700.0), unit="%T", medium="air"):
    rows = np.asarray(values, dtype=float)
    return SpectrumSet(
        axis=Axis(np.asarray(positions), "nm", medium),
        values=rows,
        unit=unit,
        keys=tuple(f"m{i}" for i in range(len(rows))),
    )


@pytest.mark.parametrize("positions", [[2.0, 1.0], [1.0, 1.0], [1.0, np.nan], [1.0, np.inf], []])
def test_an_axis_that_does_not_rise_is_refused(positions):
    with pytest.raises(ValueError, match="an axis needs"):
        Axis(np.asarray(positions), "nm")


def test_an_axis_cannot_be_changed_through_the_array_it_was_made_of():
    positions = np.array([1.0, 2.0])
    axis = Axis(positions, "nm")
    positions[0] = 1.5
    assert axis.values.tolist() == [1.0, 2.0]
    with pytest.raises(ValueError, match="read-only"):
        axis.values[0] = 0.0


def test_grids_differ_by_name_when_their_medium_differs():
    grid = np.array([400.0, 401.0])
    names = {Axis(grid, "nm", medium).id for medium in ("air", "vacuum", None)}
    assert len(names) == 3
    assert Axis(grid, "nm", "air").id == Axis(grid.copy(), "nm", "air").id


def test_a_falling_export_is_turned_and_remembers_its_direction():
    spectrum = Spectrum.as_listed([700, 500, 400], [1, 2, 3], axis_unit="nm", unit="%T")
    assert spectrum.axis.values.tolist() == [400, 500, 700]
    assert spectrum.values.tolist() == [3, 2, 1]
    assert spectrum.scan_direction == "descending"
    assert spectrum.quantity == "transmittance"


def test_values_as_exported_are_kept_negative_and_missing_ones_too():
    spectrum = Spectrum.as_listed(
        [400, 500, 600], [-0.02, np.nan, 101.5], axis_unit="nm", unit="%T"
    )
    assert spectrum.values[0] == -0.02
    assert np.isnan(spectrum.values[1])
    assert spectrum.values[2] == 101.5


def test_an_infinite_value_is_refused():
    with pytest.raises(ValueError, match="infinite"):
        Spectrum.as_listed([400, 500], [1.0, np.inf], axis_unit="nm", unit="A")


def test_spectra_on_different_grids_make_no_set():
    one = Spectrum.as_listed([400, 500], [1, 2], axis_unit="nm", unit="%T")
    other = Spectrum.as_listed([400, 501], [1, 2], axis_unit="nm", unit="%T")
    with pytest.raises(ValueError, match="share one axis"):
        SpectrumSet.of([one, other])


def test_a_set_takes_its_values_along_when_the_axis_turns_round():
    spectra = make_set([[1.0, 2.0, 3.0]], medium="vacuum")
    turned = convert_set(spectra, axis_unit="cm-1")
    assert turned.axis.values.tolist() == pytest.approx([1e7 / 700, 20_000.0, 25_000.0])
    assert turned.values.tolist() == [[3.0, 2.0, 1.0]]
    assert turned.axis.medium == "vacuum"
    back = convert_set(turned, axis_unit="nm")
    assert back.values.tolist() == [[1.0, 2.0, 3.0]]
    assert back.axis.values.tolist() == pytest.approx([400.0, 500.0, 700.0], rel=1e-15)


def test_a_set_changes_medium_and_unit_at_once():
    spectra = convert_set(make_set([[50.0, 100.0, 1.0]]), medium="vacuum", unit="A")
    assert spectra.axis.medium == "vacuum"
    assert spectra.axis.values[1] == pytest.approx(500.1395, abs=1e-4)
    assert spectra.values[0].tolist() == pytest.approx([np.log10(2), 0.0, 2.0])
    assert spectra.keys == ("m0",)


def test_a_set_is_the_same_when_nothing_is_asked_for():
    spectra = make_set([[50.0, 100.0, 1.0]])
    same = convert_set(spectra)
    assert same.axis is spectra.axis
    assert same.values is spectra.values


def test_an_axis_of_unknown_medium_keeps_it_unknown():
    axis = convert_axis(Axis(np.array([400.0, 500.0]), "nm"), "um")
    assert axis.medium is None
    assert axis.values.tolist() == [0.4, 0.5]
    with pytest.raises(UnitError):
        convert_axis(axis, "eV")
