"""Fewer points for a picture must not hide a peak, close a gap or lose a spectrum."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from speclake_dashboards.decimation import MOST_ROWS, Density, extremes, in_view


def wavelengths(points: int = 1201) -> np.ndarray:
    return np.linspace(300.0, 900.0, points)


@settings(deadline=None, max_examples=60)
@given(
    points=st.integers(1, 4000),
    columns=st.integers(1, 700),
    seed=st.integers(0, 2**32 - 1),
    missing=st.floats(0, 1),
)
def test_every_drawn_point_is_a_measured_one_and_the_extremes_stay(points, columns, seed, missing):
    random = np.random.default_rng(seed)
    x = np.cumsum(random.uniform(0.1, 2.0, points)) + 200.0
    y = random.normal(50.0, 20.0, (3, points))
    y[random.random(y.shape) < missing] = np.nan
    drawn_x, drawn_y = extremes(x, y, columns)
    assert drawn_x.shape == drawn_y.shape
    assert drawn_x.shape[1] <= max(2 * columns + 2, 1)
    for row in range(3):
        measured = dict(zip(x.astype(np.float32), y[row].astype(np.float32), strict=True))
        for position, value in zip(drawn_x[row], drawn_y[row], strict=True):
            assert np.array_equal(measured[position], value, equal_nan=True)
        assert (np.diff(drawn_x[row]) >= 0).all()
        if not np.isnan(y[row]).all():
            assert np.nanmin(drawn_y[row]) == np.nanmin(y[row].astype(np.float32))
            assert np.nanmax(drawn_y[row]) == np.nanmax(y[row].astype(np.float32))


def test_a_gap_wider_than_a_column_stays_a_gap():
    y = np.full((1, 1201), 90.0)
    y[0, 400:500] = np.nan
    x, drawn = extremes(wavelengths(), y, 100)
    inside = (x[0] > wavelengths()[412]) & (x[0] < wavelengths()[487])
    assert inside.any()
    assert np.isnan(drawn[0][inside]).all()


def test_a_view_keeps_the_points_that_its_lines_come_from():
    x = np.array([1.0, 2.0, 3.0, 4.0, 5.0])
    assert x[in_view(x, 2.5, 3.5)].tolist() == [2.0, 3.0, 4.0]
    assert x[in_view(x, 0.0, 9.0)].tolist() == x.tolist()
    assert x[in_view(x, 2.2, 2.4)].tolist() == [2.0, 3.0]
    assert x[in_view(x, 7.0, 8.0)].tolist() == [5.0]


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
