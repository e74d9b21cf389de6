"""Numbers of a series over the angle: range, shift, mean, and the effective index."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from speclake.quantities import effective_index, shift_over_angles, spread_over_angles

ANGLES = np.array([[0.0, 15.0, 30.0, 45.0]])
SERIES = np.array([[550.0, 548.0, 551.5, 540.0]])


def places(index: float, at_normal: float, angles: np.ndarray) -> np.ndarray:
    return at_normal * np.sqrt(1 - (np.sin(np.deg2rad(angles)) / index) ** 2)


@pytest.mark.parametrize(
    ("spread", "expected"),
    [("range", 11.5), ("smallest", 540.0), ("largest", 551.5), ("mean", 547.375)],
)
def test_what_a_series_says_together(spread, expected):
    assert spread_over_angles(SERIES, spread).tolist() == [expected]


@pytest.mark.parametrize(
    ("shift", "expected"), [("lowest", -10.0), ("highest", 1.5), ("at the largest angle", -10.0)]
)
def test_shifts_go_from_the_smallest_angle(shift, expected):
    assert shift_over_angles(SERIES, ANGLES, shift).tolist() == [expected]


@given(st.permutations(range(4)))
def test_the_order_in_which_the_angles_were_measured_is_no_matter(order):
    shuffled, angles = SERIES[:, order], ANGLES[:, order]
    for shift in ("lowest", "highest", "at the largest angle"):
        assert shift_over_angles(shuffled, angles, shift) == shift_over_angles(
            SERIES, ANGLES, shift
        )
    curve = places(1.7, 550.0, ANGLES)
    found = effective_index(curve[:, order], angles).value[0]
    assert found == pytest.approx(1.7, rel=1e-12)


@given(st.floats(0.1, 5000.0), st.integers(1, 6))
def test_equal_numbers_have_no_range_and_themselves_as_mean(number, count):
    same = np.full((1, count), number)
    assert spread_over_angles(same, "range")[0] == 0
    assert spread_over_angles(same, "mean")[0] == number


@given(
    st.floats(1.2, 4.0),
    st.floats(200.0, 12_000.0),
    st.lists(st.integers(0, 80), min_size=2, max_size=6, unique=True),
)
def test_the_index_that_made_a_series_is_found_at_any_angles(index, at_normal, angles):
    angles_deg = np.array([angles], float)
    found = effective_index(places(index, at_normal, angles_deg), angles_deg, largest_misfit=1e-6)
    assert found.reasons == {}
    assert found.value[0] == pytest.approx(index, rel=1e-6)


@given(st.floats(0.5, 2.0))
def test_the_index_is_the_same_in_any_unit_of_wavelength(scale):
    found = effective_index(scale * SERIES[:, [0, 3]], ANGLES[:, [0, 3]]).value
    assert found == pytest.approx(effective_index(SERIES[:, [0, 3]], ANGLES[:, [0, 3]]).value)


def test_each_series_stands_alone():
    indices = np.array([1.5, 1.8, 2.2])
    angles = np.repeat(ANGLES, 3, axis=0)
    curves = np.array([places(index, 633.0, ANGLES[0]) for index in indices])
    together = effective_index(curves, angles).value
    alone = [effective_index(curves[[row]], ANGLES).value[0] for row in range(3)]
    assert together.tolist() == alone
    assert together == pytest.approx(indices, rel=1e-12)


@pytest.mark.parametrize(
    ("series", "said"),
    [
        ([550.0, 551.0], "does not move to shorter wavelengths"),
        ([550.0, 550.0], "does not move to shorter wavelengths"),
        ([550.0, 300.0], "farther with the angle than an index of 1 allows"),
    ],
)
def test_a_feature_that_no_coating_moves_so_has_no_index(series, said):
    found = effective_index(np.array([series]), np.array([[0.0, 30.0]]))
    assert np.isnan(found.value[0])
    assert said in found.reasons[0]


def test_positions_off_the_curve_have_no_index_if_that_is_not_tolerated():
    bent = places(1.8, 550.0, ANGLES) + np.array([[0.0, 0.0, 0.5, 0.0]])
    assert effective_index(bent, ANGLES).reasons == {}
    assert effective_index(bent, ANGLES, largest_misfit=0.5).reasons == {}
    found = effective_index(bent, ANGLES, largest_misfit=0.1)
    assert np.isnan(found.value[0])
    assert "the largest tolerated is 0.1" in found.reasons[0]


@pytest.mark.parametrize("spread", ["range", "smallest", "largest", "mean"])
def test_a_series_that_lacks_a_number_has_none(spread):
    holed = np.array([[550.0, np.nan, 540.0], [550.0, 548.0, 540.0]])
    angles = np.repeat([[0.0, 15.0, 30.0]], 2, axis=0)
    assert np.isnan(spread_over_angles(holed, spread)).tolist() == [True, False]
    assert np.isnan(shift_over_angles(holed, angles, "lowest")).tolist() == [True, False]
    assert np.isnan(effective_index(holed, angles).value).tolist() == [True, False]
