"""Savitzky-Golay coefficients against the published integers and an independent library.

A. Savitzky, M. J. E. Golay, Analytical Chemistry 36 (1964) 1627, with the corrections of
J. Steinier et al., Analytical Chemistry 44 (1972) 1906. The integers are from memory; they
are equal to the coefficients of SciPy.
"""

import csv
from itertools import product
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import savgol_coeffs

from speclake.quantities import Place, derivative, extreme_derivative, smoothed
from speclake.spectrum import Axis, SpectrumSet

FILE = Path(__file__).parent / "data" / "savitzky_golay_coefficients.csv"
ROWS = list(csv.DictReader(FILE.read_text("utf-8").splitlines()[1:]))
CASES = [
    (int(row["window"]), int(degree), int(row["derivative"]),
     np.array(row["coefficients"].split(), float) / int(row["norm"]))
    for row in ROWS
    for degree in row["degree"].split("-")
]  # fmt: skip


def impulses(points, step):
    """Coefficients of a window of so many points: the answers to a one at each of them."""
    axis = Axis(500.0 + step * np.arange(points), "nm")
    return SpectrumSet(axis, np.eye(points), "T", tuple(map(str, range(points))))


def coefficients(points, degree, order, step=1.0):
    spectra, window = impulses(points, step), (points - 1) * step
    if order:
        return derivative(spectra, window, degree, order)[:, points // 2]
    return smoothed(spectra, window, degree).values[:, points // 2]


@pytest.mark.parametrize(("points", "degree", "order", "expected"), CASES)
def test_published_integers(points, degree, order, expected):
    assert coefficients(points, degree, order) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(
    ("points", "degree", "step"), list(product([5, 7, 9, 15, 25], [1, 2, 3], [0.1, 0.5, 1.0, 2.0]))
)
def test_an_even_axis_has_the_coefficients_of_an_independent_library(points, degree, step):
    for order in range(degree + 1):
        expected = savgol_coeffs(points, degree, deriv=order, delta=step, use="dot")
        tolerance = 1e-10 * np.abs(expected).max()
        assert coefficients(points, degree, order, step) == pytest.approx(expected, abs=tolerance)


@pytest.mark.parametrize(("points", "expected"), [(5, 17 / 35), (7, 7 / 21)])
def test_variance_of_white_noise_falls_by_the_factor_of_the_window(points, expected):
    """The sum of squared coefficients of degree 2: 17/35 for 5 points, 7/21 for 7 (algebra)."""
    assert (coefficients(points, 2, 0) ** 2).sum() == pytest.approx(expected)


def test_second_derivative_of_a_parabola_on_half_nanometres():
    """A parabola x^2 has 2.000 per nm squared, whatever the step (algebra)."""
    x = np.arange(500.0, 520.0, 0.5)
    spectra = SpectrumSet(Axis(x, "nm"), (x * x)[np.newaxis], "T", ("a",))
    found = derivative(spectra, 3.0, 2, 2)[0]
    assert found[3:-3] == pytest.approx(2.0, abs=1e-6)


def test_steepest_place_of_a_cubic():
    """x^3 - 300 x rises by 3 x^2 - 300 (algebra): least in the middle, -300 at zero."""
    x = np.arange(-20.0, 20.5, 0.5)
    cubic = SpectrumSet(Axis(x + 500, "nm"), (x**3 - 300 * x)[np.newaxis], "T", ("a",))
    band = Place(low=488, high=510)
    low = extreme_derivative(cubic, band, "minimum", 4.0, 3)
    assert (low.value[0], low.at[0]) == (pytest.approx(-300, abs=1e-7), 500.0)
    high = extreme_derivative(cubic, band, "maximum", 4.0, 3)
    assert (high.value[0], high.at[0]) == (pytest.approx(132, abs=1e-7), 488.0)
