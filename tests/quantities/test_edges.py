"""Edges and passbands: nothing guessed, and the same answer in any company and on any axis."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from speclake.quantities import (
    Level,
    Place,
    centre,
    edge,
    passband_width,
    place_of_extreme,
    steepness,
)
from speclake.spectrum import Axis, SpectrumSet
from speclake.units import convert_positions

GRID = np.arange(400.0, 701.0)
BAND = Place(low=420, high=680, medium="vacuum")
HALF = Level(50, "sampled")


def spectra_of(rows, grid=GRID, unit="%T", axis_unit="nm", medium="vacuum"):
    values = np.atleast_2d(np.asarray(rows, float))
    keys = tuple(f"m{i}" for i in range(len(values)))
    return SpectrumSet(Axis(grid, axis_unit, medium), values, unit, keys)


def bump(centre_nm=550.0, width_nm=40.0, height=90.0):
    return height * np.exp(-4 * np.log(2) * ((GRID - centre_nm) / width_nm) ** 2)


TAKEN = {
    "cut-on": lambda s: edge(s, BAND, Level(30), "rising", "first"),
    "cut-off": lambda s: edge(s, BAND, HALF, "falling", "last"),
    "slope": lambda s: steepness(s, BAND, (Level(20), Level(40)), "rising", "slope", which="first"),
    "width": lambda s: passband_width(s, BAND, HALF, others=True),
    "middle": lambda s: centre(s, BAND, "middle of the crossings", level=HALF, others=True),
    "centroid": lambda s: centre(s, BAND, "centroid"),
    "maximum": lambda s: place_of_extreme(s, BAND, "maximum", "parabola"),
    "minimum": lambda s: place_of_extreme(s, BAND, "minimum", "sampled"),
}


@pytest.mark.parametrize("taken", TAKEN.values(), ids=TAKEN)
def test_a_number_depends_on_its_own_spectrum_only(taken):
    chance = np.random.default_rng(4)
    rows = bump() + chance.normal(0, 1.0, (40, GRID.size))
    rows[7, 200] = np.nan
    together = taken(spectra_of(rows))
    for row in range(len(rows)):
        alone = taken(spectra_of(rows[row]))
        assert alone.value.tobytes() == together.value[row : row + 1].tobytes()
        assert alone.reasons.get(0) == together.reasons.get(row)
    assert "is missing" in together.reasons[7]


@pytest.mark.parametrize("taken", TAKEN.values(), ids=TAKEN)
def test_an_axis_that_does_not_cover_the_band_gives_no_number(taken):
    short = spectra_of(bump()[:250], GRID[:250])
    found = taken(short)
    assert np.isnan(found.value).all()
    assert "does not cover" in found.reasons[0]


def test_no_crossing_and_several_are_said():
    flat = edge(spectra_of(np.full(GRID.size, 10.0)), BAND, Level(50), "rising")
    assert flat.reasons == {0: "the spectrum does not rise through 50 %T in the band"}
    two = np.interp(GRID, [400, 450, 460, 500, 510, 600, 610, 700], [0, 0, 90, 90, 0, 0, 90, 90])
    several = edge(spectra_of(two), BAND, Level(45), "rising")
    assert np.isnan(several.value).all()
    assert several.reasons[0] == (
        "the spectrum rises through 45 %T 2 times, first at 455 and last at 605 nm"
    )
    assert edge(spectra_of(two), BAND, Level(45), "rising", "first").value == 455
    assert edge(spectra_of(two), BAND, Level(45), "rising", "last").value == 605
    assert "several places" in passband_width(spectra_of(two), BAND, Level(45)).reasons[0]


def test_a_band_that_is_open_on_one_side_has_no_width():
    step = spectra_of(np.interp(GRID, [500, 510], [0, 90]))
    assert "above the peak" in passband_width(step, BAND, HALF).reasons[0]
    top = place_of_extreme(spectra_of(GRID), BAND, "maximum", "parabola")
    assert top.reasons == {0: "the maximum lies at an end of the band"}


def test_a_crossing_on_a_point_is_that_point():
    values = np.where(GRID >= 500, 80.0, 20.0)
    values[GRID == 499] = 50.0
    assert edge(spectra_of(values), BAND, Level(50), "rising").value == 499.0


@given(st.floats(0.01, 100), st.floats(450, 650), st.floats(20, 60), st.sampled_from(list(TAKEN)))
def test_scaling_the_values_moves_no_position_relative_to_the_peak(factor, middle, width, name):
    if name in ("cut-on", "slope"):
        return  # these two take absolute levels
    one, other = spectra_of(bump(middle, width)), spectra_of(bump(middle, width) * factor)
    first, second = TAKEN[name](one), TAKEN[name](other)
    if name == "minimum":  # many equal zeros far out: only where the smallest lies is compared
        return
    assert first.value == pytest.approx(second.value, nan_ok=True, rel=1e-9)


@pytest.mark.parametrize("axis_unit", ["um", "cm-1", "eV"])
@pytest.mark.parametrize("name", TAKEN)
def test_the_axis_may_count_in_another_unit(axis_unit, name):
    """Rising and falling go by wavelength; a fine grid leaves only its own rounding."""
    fine = np.linspace(400, 700, 30_001)
    values = 90 * np.exp(-4 * np.log(2) * ((fine - 550) / 40) ** 2)
    in_nm = spectra_of(values, fine)
    turned = convert_positions(fine, "nm", "vacuum", axis_unit)
    order = np.argsort(turned)
    other = spectra_of(values[order], turned[order], axis_unit=axis_unit)
    expected, found = TAKEN[name](in_nm), TAKEN[name](other)
    assert found.value == pytest.approx(expected.value, rel=1e-6)
    if found.at is not None:
        back = convert_positions(found.at, axis_unit, "vacuum", "nm")
        assert back == pytest.approx(expected.value, rel=1e-6)


def test_refining_the_grid_converges():
    widths = []
    for points in (61, 301, 3001):
        x = np.linspace(400, 700, points)
        y = 90 * np.exp(-4 * np.log(2) * ((x - 551.3) / 40) ** 2)
        level = Level(50, "parabola")
        widths.append(passband_width(spectra_of(y, x), BAND, level).value[0])
    errors = [abs(width - 40) for width in widths]
    assert errors[0] > errors[1] > errors[2]
    assert errors[2] < 1e-4


def test_arguments_that_contradict_are_refused():
    with pytest.raises(ValueError, match="middle level"):
        steepness(spectra_of(bump()), BAND, (Level(20), Level(40)), "rising", "relative distance")
    with pytest.raises(ValueError, match="a level"):
        centre(spectra_of(bump()), BAND, "middle of the crossings")


@pytest.mark.parametrize("name", ["cut-on", "slope", "width", "middle"])
def test_an_edge_that_is_not_there_is_said_where_the_band_counts_in_another_unit(name):
    """A line that is almost flat meets no level far beyond the band, where no conversion exists."""
    flat = 10.0 + 1e-6 * (GRID - 400.0)
    band = Place(low=1.9, high=2.9, unit="eV")
    high = Level(60)
    found = {
        "cut-on": lambda s: edge(s, band, high, "rising"),
        "slope": lambda s: steepness(s, band, (high, Level(70)), "rising", "slope"),
        "width": lambda s: passband_width(s, band, high),
        "middle": lambda s: centre(s, band, "middle of the crossings", level=high),
    }[name](spectra_of([flat, flat], medium="air"))
    assert np.isnan(found.value).all()
    assert all("60" in found.reasons[row] for row in (0, 1))
