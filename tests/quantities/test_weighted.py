"""Weighted means: nothing guessed beyond the ends, the same answer in any company and unit."""

import doctest

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from speclake.errors import NotFound
from speclake.quantities import (
    Fill,
    Weighting,
    WeightTable,
    shipped,
    tables,
    weighted,
    weighted_mean,
)
from speclake.quantities.tables import SHIPPED
from speclake.spectrum import Axis, SpectrumSet
from speclake.units import convert_positions

GRID = np.arange(280.0, 2501.0)
SUN = shipped("ASTM G173-03 global")
LINES = WeightTable("lamp", "lines", "nm", (404.66, 435.83, 546.07), (1.0, 3.0, 2.0))
STEP = WeightTable("step", "density", "nm", (400.0, 500.0, 600.0), (0.0, 2.0, 0.0))


def spectra_of(rows, grid=GRID, axis_unit="nm", medium=None, unit="%T"):
    values = np.atleast_2d(np.asarray(rows, float))
    keys = tuple(f"m{i}" for i in range(len(values)))
    return SpectrumSet(Axis(grid, axis_unit, medium), values, unit, keys)


def rule(table, integration="table grid", largest_interval=5.0, **more):
    return Weighting(
        table=table, integration=integration, largest_interval=largest_interval, **more
    )


RULES = {
    "sun": rule(SUN, low=300, high=2500),
    "sun, points": rule(SUN, "spectrum grid", low=300.3, high=1999.7),
    "summed": rule(shipped("EN 410 table 2, from memory"), "sum"),
    "lines": rule(LINES, "sum"),
    "filled": rule(SUN, fill=Fill("end value", 1.0)),
}


@pytest.mark.parametrize("weighting", RULES.values(), ids=RULES)
def test_a_number_depends_on_its_own_spectrum_only(weighting):
    rows = np.random.default_rng(3).uniform(0, 100, (60, GRID.size))
    rows[7, 155:161] = np.nan  # 435 to 440 nm
    together = weighted_mean(spectra_of(rows), weighting)
    for row in range(len(rows)):
        alone = weighted_mean(spectra_of(rows[row]), weighting)
        assert alone.value.tobytes() == together.value[row : row + 1].tobytes()
        assert alone.reasons.get(0) == together.reasons.get(row)
    assert together.reasons[7] in {f"the value at {at} nm is missing" for at in (435, 440)}
    assert np.isnan(together.value[7])


@pytest.mark.parametrize("weighting", RULES.values(), ids=RULES)
@given(level=st.floats(-200, 200))
def test_a_neutral_spectrum_has_its_own_value(weighting, level):
    found = weighted_mean(spectra_of(np.full(GRID.size, level)), weighting)
    assert found.value == [level]


@pytest.mark.parametrize("name", [name for name in SHIPPED if "V(" in name or "illum" in name])
def test_each_table_of_the_visible_weighs_a_neutral_spectrum_right(name):
    table = shipped(name)
    how = "sum" if table.kind == "summed weights" else "table grid"
    wide = spectra_of(np.full(GRID.size, 0.3), unit="T")
    low, high = max(300.0, table.positions[0]), table.positions[-1]
    assert weighted_mean(wide, rule(table, how, low=low, high=high)).value == [0.3]


@pytest.mark.parametrize("weighting", RULES.values(), ids=RULES)
@given(factor=st.floats(0.01, 100), offset=st.floats(-50, 50))
def test_weighted_means_are_linear(weighting, factor, offset):
    base = 50 + 40 * np.sin(GRID / 37)
    one = weighted_mean(spectra_of(base), weighting).value
    both = weighted_mean(spectra_of(base * factor + offset), weighting).value
    assert both == pytest.approx(one * factor + offset, rel=1e-12, abs=1e-9)


def test_the_three_rules_on_a_triangle_of_weights():
    """Weight rises from 0 at 400 to 2 at 500 and falls to 0 at 600 nm; the spectrum is x - 400."""
    ends = spectra_of([0.0, 200.0], np.array([400.0, 600.0]))
    by_table = weighted_mean(ends, rule(STEP, largest_interval=200))
    assert by_table.value == [100.0]  # the one weight of the trapezoids is at 500
    points = np.array([400.0, 450.0, 600.0])
    uneven = spectra_of(points - 400, points)
    by_points = weighted_mean(uneven, rule(STEP, "spectrum grid", 200))
    assert by_points.value == [50.0]  # the only point with weight is 450
    summed = WeightTable("s", "summed weights", "nm", (450.0, 550.0), (3.0, 1.0))
    assert weighted_mean(ends, rule(summed, "sum", 200)).value == [75.0]


def test_points_that_all_miss_the_weight_are_said():
    ends = spectra_of([0.0, 200.0], np.array([400.0, 600.0]))
    found = weighted_mean(ends, rule(STEP, "spectrum grid", 200))
    assert np.isnan(found.value).all()
    assert found.reasons == {0: "no point of the spectrum has a weight of step"}


def test_refining_either_grid_converges_to_the_integral():
    """Triangle of weights against x²: the integral of w x² over that of w is 500² + 100²/6."""
    exact = 500**2 + 100**2 / 6
    for how in ("table grid", "spectrum grid"):
        errors = []
        for step in (10.0, 1.0):
            at = np.arange(400.0, 600.0 + step, step)
            fine = WeightTable("f", "density", "nm", tuple(at), tuple(2 - abs(at - 500) / 50))
            found = weighted_mean(spectra_of(at**2, at), rule(fine, how, 10))
            errors.append(abs(found.value[0] - exact))
        assert errors[1] < errors[0] / 50


def test_a_part_that_was_not_measured_is_said_with_its_weight():
    late = spectra_of(np.full(GRID.size - 40, 50.0), GRID[40:])
    # of 992.6 W/m² from 300 to 2500 nm (trapezoids) 1.5 W/m² lie at the table positions below 320
    found = weighted_mean(late, rule(SUN, low=300, high=2500))
    assert np.isnan(found.value).all()
    assert found.reasons[0] == (
        "the spectrum runs from 320 nm to 2500 nm; of weights from 300 nm to 2500 nm, 0.148 % "
        "lies outside and the specification allows no fill"
    )
    little = weighted_mean(late, rule(SUN, low=300, high=2500, fill=Fill("zero", 0.1)))
    assert "lets at most 0.1 % be filled" in little.reasons[0]


@pytest.mark.parametrize("how", ["table grid", "spectrum grid"])
def test_a_fill_is_counted_as_stated(how):
    half = spectra_of(np.full(101, 80.0), np.arange(500.0, 601.0))
    with_end = weighted_mean(half, rule(STEP, how, fill=Fill("end value", 60)))
    assert with_end.value == [80.0]
    with_zero = weighted_mean(half, rule(STEP, "spectrum grid", fill=Fill("zero", 60)))
    assert with_zero.value == pytest.approx([40.0], rel=1e-12)


def test_a_weight_of_zero_asks_nothing_of_the_spectrum():
    inner = spectra_of(np.full(101, 7.0), np.linspace(410, 590, 101))
    summed = WeightTable("s", "summed weights", "nm", (400.0, 500.0, 600.0), (0.0, 1.0, 0.0))
    assert weighted_mean(inner, rule(summed, "sum")).value == [7.0]
    beside = WeightTable("s", "summed weights", "nm", (400.0, 500.0), (0.1, 1.0))
    assert np.isnan(weighted_mean(inner, rule(beside, "sum")).value).all()


def test_coarse_points_and_no_weight_are_said():
    coarse = spectra_of(np.full(111, 50.0), np.linspace(280, 2500, 111))
    assert "an interval of" in weighted_mean(coarse, RULES["sun"]).reasons[0]
    assert "an interval of" in weighted_mean(coarse, RULES["lines"]).reasons[0]
    gap_elsewhere = spectra_of([1, 2, 3, 4.0], np.array([404, 405, 435, 436.0]))
    pair = WeightTable("pair", "lines", "nm", (404.66, 435.83), (1.0, 3.0))
    assert weighted_mean(gap_elsewhere, rule(pair, "sum", 1)).value == pytest.approx(
        [(1.66 + 3 * 3.83) / 4]
    )
    away = weighted_mean(spectra_of(GRID), rule(SUN, low=5000, high=6000))
    assert away.reasons == {0: "no weight of ASTM G173-03 global lies in the band"}
    lone = spectra_of([[5.0]], np.array([435.0]))
    assert np.isnan(weighted_mean(lone, RULES["lines"]).value).all()


@pytest.mark.parametrize(("unit", "medium"), [("um", "vacuum"), ("cm-1", None), ("eV", None)])
@pytest.mark.parametrize("name", ["sun", "lines", "sun, points"])
def test_units_of_the_axis(unit, medium, name):
    chosen = RULES[name]
    counted = rule(chosen.table, chosen.integration, low=chosen.low, high=chosen.high,
                   medium="vacuum")  # fmt: skip
    values = 50 + 40 * np.sin(GRID / 37)
    expected = weighted_mean(spectra_of(values, medium="vacuum"), counted).value
    at = convert_positions(GRID, "nm", "vacuum", unit)
    order = np.argsort(at)
    found = weighted_mean(spectra_of(values[order], at[order], unit, medium), counted)
    assert found.value == pytest.approx(expected, abs=2e-3 if unit in ("cm-1", "eV") else 1e-9)


def test_air_and_vacuum_shift_a_line_that_is_counted_in_air():
    """253.652 nm in air is 253.728 nm in vacuum (check values of published line tables)."""
    at = np.arange(253.0, 254.6, 0.1)
    mercury = WeightTable("Hg", "lines", "nm", (253.652,), (1.0,))
    in_vacuum = spectra_of(at, at, medium="vacuum")
    found = weighted_mean(in_vacuum, rule(mercury, "sum", medium="air"))
    assert found.value == pytest.approx([253.728], abs=1e-3)
    unsaid = weighted_mean(spectra_of(at, at), rule(mercury, "sum", medium="air"))
    assert "nobody said" in unsaid.reasons[0]


def test_a_rule_that_does_not_fit_and_an_unknown_table_are_refused():
    with pytest.raises(ValueError, match="for a density"):
        rule(SUN, "sum")
    with pytest.raises(ValueError, match="for a density"):
        rule(LINES, "table grid")
    with pytest.raises(NotFound, match="ASTM G173-03 direct"):
        shipped("the sun")
    for positions, weights in [
        ((2, 1), (1, 1)),
        ((1, 2), (1, -1)),
        ((1, 2), (0, 0)),
        ((1,), (1, 1)),
    ]:
        with pytest.raises(ValueError, match="bad"):
            WeightTable("bad", "lines", "nm", positions, weights)


@pytest.mark.parametrize("module", [tables, weighted])
def test_examples_in_docstrings(module):
    found = doctest.testmod(module)
    assert found.attempted > 0
    assert found.failed == 0
