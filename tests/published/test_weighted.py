"""Solar, ultraviolet and luminous values of plain spectra by published tables.

Integrals of ASTM G173-03 reproduce the totals quoted in the standard (from memory 1000.4 and
900.1 W/m²; recomputed 1000.371 and 900.139). Values of ramps and steps are computed from the
definitions of ASTM E903, EN 410 and ISO 9050, not printed there. EN 410 tables are from memory;
their sums (0.999995 and 99.9999) are a check. CIE tables: CIE 15, ISO/CIE 11664.
"""

import numpy as np
import pytest

from speclake.quantities import Weighting, WeightTable, shipped, weighted_mean
from speclake.spectrum import Axis, SpectrumSet

GRID = np.arange(300.0, 2501.0)
RAMP, LONG_PASS, SHORT_PASS = (GRID - 300) / 2200, (GRID >= 550) * 1.0, (GRID <= 700) * 1.0
SOLAR = {
    "ASTM G173-03 direct": ("table grid", 0.253068, 0.76240, 0.45492),
    "EN 410 table 2, from memory": ("sum", 0.242704, 0.741373, 0.487953),
}


def one(y, x=GRID):
    return SpectrumSet(Axis(x, "nm"), np.array([y]), "T", ("a",))


def taken(table, y, x=GRID, how="table grid", interval=5.0, **band):
    weighting = Weighting(table=table, integration=how, largest_interval=interval, **band)
    return float(weighted_mean(one(y, x), weighting).value[0])


@pytest.mark.parametrize("name", SOLAR)
def test_solar_values(name):
    how, ramp, long_pass, short_pass = SOLAR[name]
    table, band = shipped(name), {"low": 300, "high": 2500}
    assert taken(table, RAMP, how=how, **band) == pytest.approx(ramp, abs=1e-6)
    assert taken(table, LONG_PASS, how=how, **band) == pytest.approx(long_pass, abs=1e-5)
    assert taken(table, SHORT_PASS, how=how, **band) == pytest.approx(short_pass, abs=1e-5)


def test_a_solar_value_depends_on_the_table():
    """Long-pass at 550 nm: 0.7624 direct, 0.7368 global, 0.7414 EN 410."""
    found = [
        taken(shipped(name), LONG_PASS, how=how, low=300, high=2500)
        for name, how in [
            ("ASTM G173-03 direct", "table grid"),
            ("ASTM G173-03 global", "table grid"),
            ("EN 410 table 2, from memory", "sum"),
        ]
    ]
    assert found == pytest.approx([0.7624, 0.73675, 0.7414], abs=5e-5)
    ramp = taken(shipped("ASTM G173-03 global"), RAMP, low=300, high=2500)
    assert ramp == pytest.approx(0.242716, abs=1e-6)


def part_of(name, low, high):
    """Share of a table's weight in a band, and the integral over it, by trapezoids."""
    table = shipped(name)
    at, weights = np.array(table.positions), np.array(table.weights)
    inside = (at >= low) & (at <= high)
    integral = np.trapezoid(weights[inside], at[inside])
    return integral / np.trapezoid(weights, at), integral


@pytest.mark.parametrize(
    ("name", "total", "ultraviolet", "visible", "infrared", "near_uv", "share"),
    [
        ("ASTM G173-03 global", 1000.371, 46.103, 534.444, 425.877, 32.257, 0.9922),
        ("ASTM G173-03 direct", 900.139, 30.520, 467.824, 404.112, 20.354, 0.9913),
    ],
)
def test_integrals_of_the_reference_spectra(
    name, total, ultraviolet, visible, infrared, near_uv, share
):
    """Trapezoids over steps of 0.5, 1 and 5 nm; a plain sum of the ordinates is something else."""
    bands = [(280, 4000), (280, 400), (380, 780), (780, 2500), (300, 380)]
    found = [part_of(name, *band)[1] for band in bands]
    assert found == pytest.approx([total, ultraviolet, visible, infrared, near_uv], abs=0.01)
    assert part_of(name, 300, 2500)[0] == pytest.approx(share, abs=5e-5)
    assert abs(sum(shipped(name).weights) - total) > 2


def test_ultraviolet_of_a_band_is_the_share_of_its_weight():
    """Long-pass at 380 nm between 300 and 400 nm lets through what G173 has above 380 nm."""
    name, at = "ASTM G173-03 global", np.arange(300.0, 400.5, 0.5)
    ramp = taken(shipped(name), at, at, low=300, high=400)
    table = shipped(name)
    positions, weights = np.array(table.positions), np.array(table.weights)
    inside = (positions >= 300) & (positions <= 400)
    mean = np.trapezoid((weights * positions)[inside], positions[inside])
    assert ramp == pytest.approx(mean / np.trapezoid(weights[inside], positions[inside]), rel=1e-12)


def test_sums_of_the_tables_from_memory():
    assert sum(shipped("EN 410 table 2, from memory").weights) == pytest.approx(0.999995, abs=1e-9)
    assert len(shipped("EN 410 table 2, from memory").positions) == 95
    luminous = shipped("EN 410 table 1, from memory")
    assert sum(luminous.weights) == pytest.approx(99.9999, abs=1e-9)
    recomputed = shipped("CIE illuminant D65 times V(lambda), 5 nm")
    every = dict(zip(recomputed.positions, recomputed.weights, strict=True))
    at_ten = np.array([every[at] for at in luminous.positions])
    difference = at_ten * (100 / at_ten.sum()) - np.array(luminous.weights)
    assert np.abs(difference).max() == pytest.approx(0.022, abs=1e-3)


def test_ordinates_of_the_tables():
    """CIE 15: y-bar, A and D65; ASTM G173-03: 500 and 1000 nm."""

    def at(name, *positions):
        table = shipped(name)
        return [table.weights[table.positions.index(each)] for each in positions]

    assert at("CIE V(lambda), 1 nm", 550.0, 555.0, 600.0) == [0.9949501, 1.0, 0.631]
    assert at("CIE illuminant A, 5 nm", 400.0, 560.0, 700.0) == [14.708, 100.0, 198.261]
    assert at("CIE illuminant D65, 5 nm", 400.0, 700.0) == [82.7549, 71.6091]
    assert at("ASTM G173-03 global", 500.0, 1000.0) == [1.5451, 0.73532]
    assert at("ASTM G173-03 direct", 500.0, 1000.0) == [1.3391, 0.69159]


@pytest.mark.parametrize(
    ("illuminant", "ramp", "step", "bell"),
    [
        ("A", 0.480578, 0.718987, 0.732049),
        ("C", 0.443374, 0.591819, 0.764661),
        ("D65", 0.441946, 0.577149, 0.768654),
    ],
)
def test_luminous_values(illuminant, ramp, step, bell):
    """Ramp, step at 550 nm, Gaussian at 550 nm of sigma 50 nm; sums every 5 nm, within 2e-5."""
    x = np.arange(380.0, 781.0, 5.0)
    shapes = [(x - 380) / 400, (x >= 550) * 1.0, np.exp(-0.5 * ((x - 550) / 50) ** 2)]
    table = shipped(f"CIE illuminant {illuminant} times V(lambda), 5 nm")
    assert [taken(table, y, x) for y in shapes] == pytest.approx([ramp, step, bell], abs=2e-5)


@pytest.mark.parametrize(
    ("step", "percent"), [(1, 9.4346), (5, 9.4432), (10, 9.5912), (20, 3.4484)]
)
def test_a_narrow_line_on_a_coarse_grid_is_refused(step, percent):
    """A line of 10 nm at 532 nm weighed on grids of 1 to 20 nm under D65.

    The coarse grids give other numbers; the interval that a requirement tolerates keeps them out.
    """
    x = np.arange(380.0, 781.0, step)
    line = np.exp(-4 * np.log(2) * ((x - 532) / 10) ** 2)
    fine = shipped("CIE illuminant D65 times V(lambda), 5 nm")
    coarse = WeightTable(
        "grid", "summed weights", "nm", tuple(x), tuple(np.interp(x, *light_seen()))
    )
    assert 100 * taken(coarse, line, x, "sum", 20.0) == pytest.approx(percent, abs=0.02)
    assert np.isnan(taken(fine, line, x)) == (step > 5)


def light_seen():
    """D65 times V every nanometre, the illuminant straight between its entries."""
    eye, light = shipped("CIE V(lambda), 1 nm"), shipped("CIE illuminant D65, 5 nm")
    at = np.array(eye.positions)
    return at, np.array(eye.weights) * np.interp(at, light.positions, light.weights)
