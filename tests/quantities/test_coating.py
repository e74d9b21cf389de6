"""Plates, films and band edges: company changes nothing, and what cannot be is said."""

import doctest

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import speclake.quantities.bandedge
import speclake.quantities.fringes
import speclake.quantities.plates
from speclake.quantities import (
    Fringes,
    Place,
    Plate,
    Spot,
    absorption_coefficient,
    band_edge,
    film_thickness,
    internal_transmittance,
    material,
)
from speclake.quantities.fringes import turning_points
from speclake.spectrum import Axis, SpectrumSet
from speclake.units import convert_positions, convert_values

GRID = np.arange(400.0, 801.0)
BAND = Place(low=420.5, high=780, medium="vacuum", largest_interval=2)
PLATE = Plate(index=1.5, thickness_mm=2, largest_excess=0.002)
CLEAR = 2 * 1.5 / (1.5**2 + 1)
NOISE = np.random.default_rng(5)
FRINGES = Fringes(smallest_swing=0.05)


def spectra_of(rows, unit="T", grid=GRID, axis_unit="nm", medium="vacuum"):
    values = np.atleast_2d(np.asarray(rows, float))
    keys = tuple(f"m{i}" for i in range(len(values)))
    return SpectrumSet(Axis(grid, axis_unit, medium), values, unit, keys)


def fringed(thickness_nm, index=1.46):
    return 0.7 + 0.1 * np.cos(2 * np.pi * 2 * index * thickness_nm / GRID)


ROWS = np.array([fringed(each) for each in NOISE.uniform(1500, 4000, 12)])
ROWS += NOISE.normal(0, 1e-4, ROWS.shape)
ENERGY_WINDOW = Place(low=1.6, high=3.0, unit="eV", largest_interval=0.1)
TAKEN = {
    "internal": lambda s: internal_transmittance(s, BAND, PLATE, 3),
    "internal at": lambda s: internal_transmittance(s, Spot(at=550.5), PLATE, 2),
    "absorption": lambda s: absorption_coefficient(s, BAND, PLATE, "1/cm"),
    "film": lambda s: film_thickness(s, BAND, 1.46, 8, FRINGES),
    "direct": lambda s: band_edge(s, ENERGY_WINDOW, "tauc direct", "eV"),
    "indirect": lambda s: band_edge(s, ENERGY_WINDOW, "tauc indirect", "nm"),
    "derivative": lambda s: band_edge(s, ENERGY_WINDOW, "derivative", "eV"),
}


@pytest.mark.parametrize("taken", TAKEN.values(), ids=TAKEN)
def test_a_number_depends_on_its_own_spectrum_only(taken):
    rows = ROWS.copy()
    rows[3, 150] = np.nan  # 550 nm
    rows[4] += 0.5  # more than any plate lets through
    rows[5] -= 0.75  # in part below zero
    together = taken(spectra_of(rows))
    for row in range(len(rows)):
        alone = taken(spectra_of(rows[row]))
        assert alone.value.tobytes() == together.value[row : row + 1].tobytes()
        assert alone.reasons.get(0) == together.reasons.get(row)
        assert np.isnan(together.value[row]) == (row in together.reasons)
    assert np.isnan(together.value[3])


@pytest.mark.parametrize("taken", TAKEN.values(), ids=TAKEN)
def test_an_axis_that_does_not_reach_gives_no_number(taken):
    found = taken(spectra_of(ROWS[:, :50], grid=GRID[:50]))
    assert np.isnan(found.value).all()
    assert "does not cover" in found.reasons[0]


@pytest.mark.parametrize("name", ["internal", "film", "absorption"])
@pytest.mark.parametrize("unit", ["um", "cm-1", "eV"])
def test_the_unit_of_the_axis_changes_no_number(name, unit):
    points = convert_positions(GRID, "nm", "vacuum", unit, "vacuum")
    order = np.argsort(points)
    other = spectra_of(ROWS[:, order], grid=points[order], axis_unit=unit)
    here, there = TAKEN[name](spectra_of(ROWS)), TAKEN[name](other)
    assert there.value == pytest.approx(here.value, rel=1e-5)


@pytest.mark.parametrize("name", ["internal at", "film"])
def test_percent_is_a_hundred_times_the_fraction(name):
    percent = spectra_of(convert_values(ROWS, "T", "%T"), "%T")
    here = TAKEN[name](spectra_of(ROWS))
    there = (
        film_thickness(percent, BAND, 1.46, 8, Fringes(smallest_swing=5))
        if name == "film"
        else TAKEN[name](percent)
    )
    assert there.value == pytest.approx(here.value, rel=1e-12)


@given(excess=st.floats(-0.01, 0.01))
def test_a_plate_that_lets_too_much_through_is_impossible_and_not_clipped(excess):
    spectra = spectra_of(np.full(GRID.size, CLEAR + excess))
    found = internal_transmittance(spectra, BAND, PLATE, 2)
    if excess > 0.002 + 1e-12:
        assert np.isnan(found.value[0])
        assert "is impossible: an uncoated plate lets 92.3077 %T through" in found.reasons[0]
    elif excess < 0.002 - 1e-12:
        assert found.value[0] == pytest.approx(1 + excess / CLEAR, abs=0.01 * abs(excess) + 1e-3)
        assert found.value[0] > 1 or excess < 1e-9


def test_a_reading_of_zero_has_no_other_thickness_and_no_logarithm():
    spectra = spectra_of(np.zeros(GRID.size))
    assert internal_transmittance(spectra, BAND, PLATE, 2).value[0] == 0
    found = internal_transmittance(spectra, BAND, PLATE, 3)
    assert found.reasons[0] == (
        "an internal transmittance of 0, not above zero, cannot go over to another thickness"
    )
    assert "no logarithm" in absorption_coefficient(spectra, BAND, PLATE, "1/mm").reasons[0]


def test_a_centimetre_absorbs_ten_times_as_much_as_a_millimetre():
    spectra = spectra_of(ROWS)
    per_mm, per_cm = (absorption_coefficient(spectra, BAND, PLATE, f"1/{u}") for u in ("mm", "cm"))
    assert per_cm.value == pytest.approx(10 * per_mm.value)


def test_a_material_without_a_formula_there_says_so():
    plate = Plate(index=material("borosilicate crown 517642"), thickness_mm=1, largest_excess=0)
    grid = np.arange(250.0, 401.0)
    spectra = spectra_of(np.full(grid.size, 0.5), grid=grid)
    band = Place(low=260, high=390, largest_interval=2)
    found = internal_transmittance(spectra, band, plate, 1)
    assert "known from 300 nm to 2500 nm, found 260 nm" in found.reasons[0]
    found = film_thickness(spectra, band, plate.index, 0, FRINGES)
    assert "known from 300 nm to 2500 nm, found 260 nm" in found.reasons[0]


@given(thickness=st.floats(1500, 5000))
def test_the_thickness_of_a_film_is_found_again(thickness):
    found = film_thickness(spectra_of(fringed(thickness)), BAND, 1.46, 0, FRINGES)
    assert found.value[0] == pytest.approx(thickness, rel=1e-3)


def test_noise_shows_in_the_uncertainty_of_a_thickness():
    rows = np.array([fringed(2500)] * 200) + NOISE.normal(0, 3e-3, (200, GRID.size))
    found = film_thickness(spectra_of(rows), BAND, 1.46, 0, FRINGES)
    scatter = found.value.std(ddof=1)
    stated = np.sqrt((found.standard_uncertainty**2).mean())
    assert scatter / 2 < stated < 2 * scatter


def test_a_film_too_thin_for_its_fringes_says_how_many_there_are():
    found = film_thickness(spectra_of(fringed(300)), BAND, 1.46, 0, FRINGES)
    assert "extrema in the band; 4 are asked for" in found.reasons[0]


def test_waves_that_no_film_makes_are_no_fringes():
    rows = 0.7 + 0.1 * np.cos((GRID / 100) ** 3 / 8)
    found = film_thickness(spectra_of(rows), BAND, 1.46, 0, FRINGES)
    assert "off the even steps of a film" in found.reasons[0]


@pytest.mark.parametrize(
    ("values", "turns"),
    [
        ([0, 1, 0, 1, 0], [1, 2, 3]),
        ([1, 0, 1, 0], [1, 2]),
        ([0, 1, 0.9, 1.1, 0, 1], [3, 4]),
        ([0, 1, 2, 3], []),
        ([0, 0.2, 0, 0.2, 0], []),
    ],
)
def test_turning_points_need_a_swing_on_both_sides(values, turns):
    assert turning_points(np.array([values], float), 0.5).points.tolist() == turns


@pytest.mark.parametrize(
    ("absorbance", "definition", "said"),
    [
        (lambda e: 3 - e, "tauc indirect", "does not rise"),
        (lambda e: e - 2, "tauc indirect", "is below zero"),
        (lambda e: e, "derivative", "at an end of the window"),
        (lambda e: 3 - e, "derivative", "does not fall"),
    ],
)
def test_a_spectrum_without_an_edge_says_why(absorbance, definition, said):
    energies = np.arange(1.0, 3.001, 0.01)
    spectra = spectra_of(absorbance(energies), "A", energies, "eV")
    window = Place(low=1.1, high=2.9, unit="eV")
    found = band_edge(spectra, window, definition, "eV")
    assert np.isnan(found.value[0])
    assert said in found.reasons[0]


def test_a_window_of_few_points_or_not_in_energy_has_no_edge():
    energies = np.arange(1.0, 3.0, 0.5)
    spectra = spectra_of(energies, "A", energies, "eV")
    found = band_edge(spectra, Place(low=1.0, high=2.5, unit="eV"), "tauc direct", "eV")
    assert found.reasons[0] == "4 points in the window; it needs 5"
    with pytest.raises(ValueError, match="a window in eV, found nm"):
        band_edge(spectra_of(ROWS), BAND, "tauc direct", "eV")


def test_the_uncertainty_of_a_tauc_edge_is_that_of_repeats():
    energies = np.arange(3.0, 4.001, 0.01)
    product = np.maximum(energies - 3.2, 0)
    rows = (product + NOISE.normal(0, 2e-3, (300, energies.size))) ** 2 / energies
    spectra = spectra_of(rows, "A", energies, "eV")
    window = Place(low=3.3, high=3.6, unit="eV", largest_interval=0.02)
    found = band_edge(spectra, window, "tauc indirect", "eV")
    stated = np.sqrt((found.standard_uncertainty**2).mean())
    assert found.value.std(ddof=1) == pytest.approx(stated, rel=0.2)
    in_nm = band_edge(spectra, window, "tauc indirect", "nm")
    ratio = in_nm.standard_uncertainty / in_nm.value
    assert ratio == pytest.approx(found.standard_uncertainty / found.value)


@pytest.mark.parametrize("name", ["bandedge", "fringes", "plates"])
def test_the_examples_of_the_docstrings_hold(name):
    found = doctest.testmod(getattr(speclake.quantities, name))
    assert found.attempted
    assert not found.failed
