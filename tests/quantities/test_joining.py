"""Segments put end to end: where each value comes from, and when nothing is joined."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from speclake.quantities.joining import joined
from speclake.spectrum import Axis, SpectrumSet


def segment(positions, values, unit="%T", medium=None, axis_unit="nm"):
    rows = np.atleast_2d(np.asarray(values, float))
    keys = tuple(f"k{row}" for row in range(len(rows)))
    return SpectrumSet(Axis(np.asarray(positions, float), axis_unit, medium), rows, unit, keys)


def smooth(positions):
    return 80 + 0.01 * np.asarray(positions, float)


def test_segments_of_one_curve_give_the_curve_back():
    grid = np.arange(200.0, 1001.0, 2.0)
    parts = [grid[grid <= 360], grid[(grid >= 340) & (grid <= 860)], grid[grid >= 850]]
    found = joined(
        [segment(each, smooth(each)) for each in parts],
        [350.0, 855.0],
        largest_step=1e-9,
        names=["a", "b", "c"],
    )
    assert not found.reasons
    assert np.array_equal(found.spectra.axis.values, grid)
    assert np.array_equal(found.spectra.values[0], smooth(grid))


def test_the_seam_itself_comes_from_the_segment_above():
    found = joined(
        [segment([340, 350, 360], [1, 2, 3]), segment([340, 350, 360], [1.1, 2.1, 3.1])],
        [350.0],
        largest_step=0.2,
        names=["a", "b"],
    )
    assert found.spectra.values[0].tolist() == [1, 2.1, 3.1]


@pytest.mark.parametrize(
    ("long", "said"),
    [
        ([2.5, 2.5], "differ by 0.5 %T; the largest allowed is 0.3 %T"),
        ([np.nan, 2.0], "segment b does not reach the seam at 350 nm: it has no value there"),
    ],
)
def test_a_row_that_does_not_meet_is_not_joined_and_the_others_are(long, said):
    found = joined(
        [segment([340, 350], [[2, 2], [2, 2]]), segment([350, 360], [[2.1, 2.1], long])],
        [350.0],
        largest_step=0.3,
        names=["a", "b"],
    )
    assert list(found.reasons) == [1]
    assert said in found.reasons[1]


def test_a_segment_that_ends_before_the_seam_is_not_stretched_to_it():
    found = joined(
        [segment([340, 349], [2, 2]), segment([350, 360], [2, 2])],
        [350.0],
        largest_step=1.0,
        names=["a", "b"],
    )
    assert found.reasons == {0: "segment a does not reach the seam at 350 nm: it spans 340 to 349"}


def test_a_step_of_just_the_largest_is_allowed_whatever_its_last_bit():
    """90.3 - 90.0 is 0.29999999999999716 in float64, and 10.3 - 10.0 is 0.3000000000000007."""
    for low, high in ((90.0, 90.3), (10.0, 10.3)):
        found = joined(
            [segment([340, 350], [low] * 2), segment([350, 360], [high] * 2)],
            [350.0],
            largest_step=0.3,
            names=["a", "b"],
        )
        assert not found.reasons


@given(st.permutations(range(5)))
def test_what_a_row_gives_does_not_depend_on_its_company(order):
    rng = np.random.default_rng(1)
    low, high = rng.uniform(80, 90, (5, 3)), rng.uniform(80, 90, (5, 4))
    whole = joined(
        [segment([340, 345, 350], low), segment([348, 352, 356, 360], high)],
        [349.0], largest_step=4.0, names=["a", "b"],
    )  # fmt: skip
    rows = list(order)
    turned = joined(
        [segment([340, 345, 350], low[rows]), segment([348, 352, 356, 360], high[rows])],
        [349.0], largest_step=4.0, names=["a", "b"],
    )  # fmt: skip
    assert np.array_equal(turned.spectra.values, whole.spectra.values[rows])
    assert turned.reasons == {
        place: whole.reasons[row] for place, row in enumerate(rows) if row in whole.reasons
    }


@pytest.mark.parametrize(
    ("other", "said"),
    [
        (segment([350, 360], [2, 2], medium="air"), "one unit and one medium"),
        (segment([350, 360], [2, 2], unit="%R"), "as many, in one unit"),
    ],
)
def test_segments_of_another_axis_or_unit_are_refused(other, said):
    with pytest.raises(ValueError, match=said):
        joined([segment([340, 350], [2, 2]), other], [350.0], largest_step=1, names=["a", "b"])
