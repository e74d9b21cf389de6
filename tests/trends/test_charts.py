"""Individuals charts, and the points that belong on them."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from speclake.trends import individuals, one_point_per

numbers = st.lists(st.floats(-100, 100).map(lambda x: round(x, 3)), min_size=2, max_size=40)


def test_limits_come_from_the_base_and_judge_all_points():
    chart = individuals([1.0, 2.0, 1.0, 2.0, 9.0], base=[True] * 4 + [False])
    assert chart.centre == 1.5
    assert chart.upper == pytest.approx(1.5 + 3 / 1.128)
    assert chart.out.tolist() == [False] * 4 + [True]
    assert chart.moving_ranges[1:].tolist() == [1.0, 1.0, 1.0, 7.0]
    assert np.isnan(chart.moving_ranges[0])


@pytest.mark.parametrize("points", [[], [5.0], [np.nan], [np.nan, 5.0]])
def test_too_few_points_have_no_limits_and_say_so(points):
    chart = individuals(points)
    assert (chart.lower, chart.upper, chart.sigma) == (None, None, None)
    assert chart.no_limits.startswith("limits need two points in a row, the base has")
    assert not chart.out.any()
    assert chart.centre == (5.0 if 5.0 in points else None)


def test_a_missing_point_is_not_bridged():
    chart = individuals([1.0, np.nan, 5.0, 6.0])
    assert np.isnan(chart.moving_ranges[:3]).all()
    assert chart.sigma == pytest.approx(1 / 1.128)
    assert chart.centre == 4.0
    assert not chart.out[1]
    lonely = individuals([1.0, np.nan, 5.0])
    assert lonely.no_limits.endswith("no point of the base has its neighbour")


def test_points_without_scatter_have_no_limits():
    chart = individuals([92.1] * 10)
    assert chart.upper is None
    assert "no scatter" in chart.no_limits
    assert chart.autocorrelation is None


def test_an_infinite_point_or_a_base_that_does_not_fit_is_a_mistake():
    with pytest.raises(ValueError, match="infinite"):
        individuals([1.0, np.inf])
    with pytest.raises(ValueError, match="a base of shape"):
        individuals([1.0, 2.0], base=[True])


def test_a_drift_warns_of_narrow_limits_and_a_zigzag_of_wide_ones():
    drift = individuals(np.arange(30.0) + np.tile([0.0, 0.5], 15))
    assert "too narrow" in drift.warnings[0]
    assert "resemble" in drift.warnings[0]
    zigzag = individuals(np.tile([0.0, 1.0], 15))
    assert "too wide" in zigzag.warnings[0]


def test_independent_points_give_no_warning_nineteen_times_of_twenty():
    rng = np.random.default_rng(3)
    warned = sum(bool(individuals(rng.normal(size=50)).warnings) for _ in range(400))
    assert warned < 400 * 0.08


@settings(deadline=None)
@given(numbers, st.floats(-50, 50), st.floats(0.5, 20))
def test_a_chart_moves_and_grows_with_its_points(points, shift, scale):
    chart = individuals(points)
    moved = individuals(np.asarray(points) * scale + shift)
    if chart.sigma is None or chart.sigma < 1e-3 or moved.sigma is None:
        return
    assert moved.sigma == pytest.approx(chart.sigma * scale, rel=1e-6)
    assert moved.centre == pytest.approx(chart.centre * scale + shift, abs=1e-6)


@settings(deadline=None)
@given(numbers)
def test_turning_the_time_round_keeps_the_limits(points):
    there, back = individuals(points), individuals(points[::-1])
    if there.upper is not None:
        assert there.upper == pytest.approx(back.upper)
        assert there.lower == pytest.approx(back.lower)


KEYS = ["p1", "p2", "p1", "p3", "p2", "p1"]
VALUES = [1.0, 10.0, 3.0, 7.0, 20.0, 8.0]
SITES = ["a", "a", "b", "b", "b", "a"]


@pytest.mark.parametrize(
    ("how", "values"),
    [("mean", [4.0, 15.0, 7.0]), ("minimum", [1.0, 10.0, 7.0]), ("maximum", [8.0, 20.0, 7.0])],
)
def test_parts_become_points_in_the_order_of_their_first_measurement(how, values):
    found = one_point_per(KEYS, VALUES, how)
    assert found.keys == ("p1", "p2", "p3")
    assert found.values.tolist() == values
    assert found.counts.tolist() == [3, 2, 1]
    assert found.last.tolist() == [5, 4, 3]


def test_one_named_site_gives_its_last_measurement_and_no_point_where_it_lacks():
    found = one_point_per(KEYS, VALUES, "site", sites=SITES, site="a")
    assert found.keys == ("p1", "p2")
    assert found.values.tolist() == [8.0, 10.0]
    assert found.last.tolist() == [5, 1]
    nobody = one_point_per(KEYS, VALUES, "site", sites=SITES, site="c")
    assert (nobody.keys, nobody.values.size) == ((), 0)


@pytest.mark.parametrize("how", ["mean", "minimum", "maximum"])
def test_a_missing_measurement_makes_the_point_missing(how):
    found = one_point_per(["p1", "p1", "p2"], [1.0, np.nan, 2.0], how)
    assert np.isnan(found.values).tolist() == [True, False]


def test_a_site_without_its_sites_is_a_mistake():
    with pytest.raises(ValueError, match="sites and site go with"):
        one_point_per(["p1"], [1.0], "site")
    with pytest.raises(ValueError, match="sites and site go with"):
        one_point_per(["p1"], [1.0], "mean", sites=["a"], site="a")
    with pytest.raises(ValueError, match="one entry for each measurement"):
        one_point_per(["p1"], [1.0, 2.0], "mean")
