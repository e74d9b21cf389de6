"""Band values against published integrals; each source stands beside its check."""

from pathlib import Path

import numpy as np
import pytest

from speclake.conversion import convert_set
from speclake.quantities import maximum, mean, minimum, value_at
from speclake.spectrum import Axis, SpectrumSet

DATA = Path(__file__).parent.parent / "data"


def make_set(positions, values, unit="T"):
    rows = np.atleast_2d(values)
    keys = tuple(str(i) for i in range(len(rows)))
    return SpectrumSet(Axis(np.asarray(positions, dtype=float), "nm", "air"), rows, unit, keys)


@pytest.fixture(scope="module")
def solar():
    """The three columns of ASTM G173-03; the arithmetic of a band knows no unit."""
    table = np.genfromtxt(DATA / "astm_g173_03.csv", delimiter=",", skip_header=2)
    return make_set(table[:, 0], table[:, 1:].T)


@pytest.mark.parametrize(
    ("low", "high", "column", "integral"),
    [
        # ASTM G173-03: quoted totals 1347.9, 1000.4 and 900.1 W/m2, from memory
        (280, 4000, 0, 1347.9),
        (280, 4000, 1, 1000.4),
        (280, 4000, 2, 900.1),
    ],
)
def test_totals_of_the_solar_standard(solar, low, high, column, integral):
    found = mean(solar, low, high, largest_interval=5).value[column] * (high - low)
    assert found == pytest.approx(integral, abs=0.06)


@pytest.mark.parametrize(
    ("low", "high", "column", "integral"),
    [
        # trapezoids on the native grid of 0.5, 1 and 5 nm of ASTM G173-03, computed independently
        (280, 400, 1, 46.103),
        (380, 780, 1, 534.444),
        (780, 2500, 1, 425.877),
        (280, 400, 2, 30.520),
        (380, 780, 2, 467.824),
        (780, 2500, 2, 404.112),
        (300, 380, 1, 32.257),
        (300, 380, 2, 20.354),
    ],
)
def test_parts_of_the_solar_standard_on_its_uneven_grid(solar, low, high, column, integral):
    found = mean(solar, low, high, largest_interval=5).value[column] * (high - low)
    assert found == pytest.approx(integral, abs=0.001)


def test_ordinates_of_the_solar_standard(solar):
    # ASTM G173-03, rows 500 nm and 1000 nm
    assert value_at(solar, 500).value == pytest.approx([1.916, 1.5451, 1.3391])
    assert value_at(solar, 1000).value == pytest.approx([0.74255, 0.73532, 0.69159])


def test_trapezoids_on_an_uneven_grid():
    # algebra: f = x^2 on 0, 1, 3 has 0.5 + 10 = 10.5 by trapezoids (the integral is 9); the grid
    # stands one higher here, as an axis is above zero
    x = np.array([1.0, 2.0, 4.0])
    assert mean(make_set(x, (x - 1) ** 2), 1, 4).value[0] * 3 == pytest.approx(10.5, abs=1e-14)
    assert mean(make_set(x, 7 * x), 1, 4).value[0] == pytest.approx(17.5, abs=1e-14)


def test_trapezoid_filter_by_its_knots():
    # closed form: knots 500, 510, 590, 600 nm, peak 0.95; 50 % of peak at 505.000 and 595.000 nm
    x = np.arange(480, 621, 1.0)
    curve = make_set(x, np.interp(x, [500, 510, 590, 600], [0, 0.95, 0.95, 0]))
    assert mean(curve, 500, 600).value[0] == pytest.approx(0.95 * 90 / 100, rel=1e-14)
    assert mean(curve, 502.5, 597.5).value[0] == pytest.approx(
        (0.95 * 80 + 2 * 7.5 * (0.2375 + 0.95) / 2) / 95, rel=1e-14
    )
    assert minimum(curve, 505, 595).value[0] == pytest.approx(0.475, rel=1e-14)
    assert maximum(curve, 480, 505.5).value[0] == pytest.approx(0.95 * 0.55, rel=1e-14)


def test_mean_of_a_quarter_wave_coating_between_its_published_points():
    # one quarter wave of index 1.38 on 1.52 at 550 nm: R = ((1 - 1.38^2/1.52)/(1 + 1.38^2/1.52))^2
    # = .0126008 at 550 nm; .022053 and .014368 at 400 and 650 nm (textbook formula, tmm agrees)
    def reflectance(nm):
        phase = np.pi / 2 * 550 / nm
        film, plate = 1.38, 1.52
        b = np.cos(phase) + 1j * np.sin(phase) * plate / film
        c = plate * np.cos(phase) + 1j * film * np.sin(phase)
        return np.abs((b - c) / (b + c)) ** 2

    x = np.arange(380, 721, 1.0)
    curve = make_set(x, reflectance(x), "R")
    assert value_at(curve, 400).value[0] == pytest.approx(0.022053, abs=5e-7)
    assert value_at(curve, 650).value[0] == pytest.approx(0.014368, abs=5e-7)
    least = minimum(curve, 380, 720)
    assert (least.value[0], least.at[0]) == (pytest.approx(0.0126008, abs=5e-8), 550.0)


def test_mean_density_is_not_the_density_of_the_mean():
    # half the band at OD 4, half at OD 6: 5.000 or 4.2967 for one and the same curve; the step
    # between lies in one short interval, symmetric in both scales only for the mean density
    x = np.array([500.0, 549.9999, 550.0001, 600.0])
    curve = make_set(x, np.array([4.0, 4.0, 6.0, 6.0]), "A")
    wide = {"largest_interval": 50.0}
    assert mean(curve, 500, 600, **wide).value[0] == pytest.approx(5.0, abs=1e-12)
    of_mean = mean(convert_set(curve, unit="T"), 500, 600, **wide).value
    assert -np.log10(of_mean[0]) == pytest.approx(4.2967, abs=5e-5)
