"""A density loses no spectrum, closes no gap and counts each once, however it must grow."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from speclake_dashboards.density import MOST_ROWS, Density, edges_on


def wavelengths(points: int = 1201) -> np.ndarray:
    return np.linspace(300.0, 900.0, points)


def test_each_spectrum_counts_once_in_each_cell_that_its_line_crosses():
    density = Density(0.0, 4.0, columns=4)
    x = np.array([0.0, 1.0, 2.0, 3.0, 4.0])
    density.add(x, np.array([[10.0, 10.0, 10.0, 10.0, 10.0], [0.0, 0.0, 100.0, 100.0, 100.0]]))
    picture = density.picture()
    assert picture is not None
    step = (picture.high - picture.low) / picture.counts.shape[0]

    def count(column: int, value: float) -> int:
        return int(picture.counts[int((value - picture.low) // step), column])

    assert count(0, 0.0) == 1
    assert count(0, 10.0) == 1
    assert [count(1, value) for value in (0.0, 5.0, 10.0, 55.0, 100.0)] == [1, 1, 2, 1, 1]
    assert count(3, 100.0) == 1
    assert count(3, 55.0) == 0
    assert picture.lowest.tolist() == [0.0, 0.0, 10.0, 10.0]
    assert picture.highest.tolist() == [10.0, 100.0, 100.0, 100.0]


@settings(deadline=None, max_examples=40)
@given(
    scales=st.lists(st.floats(1e-3, 1e6), min_size=1, max_size=4),
    seed=st.integers(0, 2**32 - 1),
)
def test_a_density_never_loses_a_spectrum_however_the_frame_must_grow(scales, seed):
    random = np.random.default_rng(seed)
    x = wavelengths(301)
    density = Density(300.0, 900.0, columns=50)
    sets = [random.normal(0.0, scale, (4, x.size)) for scale in scales]
    for values in sets:
        density.add(x, values)
    picture = density.picture()
    assert picture is not None
    assert density.spectra == 4 * len(scales)
    assert picture.counts.shape[0] <= MOST_ROWS
    assert picture.counts.min() >= 0
    assert picture.counts.max() <= density.spectra
    # in every column each spectrum is somewhere, and nowhere more than once a cell
    assert (picture.counts.sum(axis=0) >= density.spectra).all()
    everything = np.concatenate(sets)
    assert picture.low <= everything.min()
    assert everything.max() <= picture.high
    assert np.nanmin(picture.lowest) == everything.min()
    assert np.nanmax(picture.highest) == everything.max()


@settings(deadline=None, max_examples=60)
@given(points=st.integers(2, 3000), columns=st.integers(1, 900), seed=st.integers(0, 2**32 - 1))
def test_columns_on_the_points_of_an_even_grid_give_the_same_picture(points, columns, seed):
    x = np.linspace(200.0, 1400.0, points)
    y = np.random.default_rng(seed).normal(50.0, 5.0, (7, points))
    start, stop, used = edges_on(x, columns)
    assert start == 200.0
    assert used <= columns
    fast, plain = Density(start, stop, used), Density(start, stop, used)
    fast.add(x, y)
    # a point that stands apart by less than a rounding takes the general way
    shifted = x.copy()
    shifted[1:-1] += 1e-4 * (x[1] - x[0])
    plain.add(shifted, y)
    drawn, expected = fast.picture(), plain.picture()
    assert np.array_equal(drawn.counts.shape, expected.counts.shape)
    assert np.allclose(drawn.lowest, expected.lowest, atol=0.05)
    assert np.allclose(drawn.highest, expected.highest, atol=0.05)


def test_sets_of_two_grids_share_one_density_and_stay_within_their_own_axis():
    density = Density(300.0, 900.0, columns=60)
    density.add(wavelengths(), np.full((2, 1201), 50.0))
    density.add(np.linspace(600.0, 900.0, 31), np.full((3, 31), 50.0))
    picture = density.picture()
    assert picture is not None
    per_column = picture.counts.max(axis=0)
    assert per_column[:29].tolist() == [2] * 29
    assert per_column[31:].tolist() == [5] * 29


def test_a_density_of_the_visible_part_counts_only_what_is_in_it():
    density = Density(400.0, 500.0, columns=20, frame=(40.0, 60.0))
    density.add(wavelengths(), np.full((1, 1201), 50.0))
    density.add(wavelengths(), np.full((1, 1201), 90.0))
    picture = density.picture()
    assert picture is not None
    assert picture.counts.max() == 1
    assert picture.low <= 50.0 <= picture.high
    assert picture.high < 90.0


def test_spectra_without_a_value_draw_nothing():
    density = Density(300.0, 900.0)
    density.add(wavelengths(), np.full((2, 1201), np.nan))
    assert density.picture() is None


@pytest.mark.parametrize("points", [1, 2])
def test_a_spectrum_of_one_or_two_points_is_no_error(points):
    density = Density(300.0, 900.0, columns=10)
    density.add(np.array([400.0, 500.0])[:points], np.array([[1.0, 2.0]])[:, :points])
    picture = density.picture()
    assert picture is not None
    assert np.nanmin(picture.lowest) == 1.0
