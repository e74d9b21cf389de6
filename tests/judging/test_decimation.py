"""Fewer points for a picture must neither hide a peak nor close a gap."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from speclake.judging.pictures.decimation import extremes, in_view


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
