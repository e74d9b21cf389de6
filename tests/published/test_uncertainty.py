"""Propagation of uncertainty against JCGM 100:2008 (GUM) and against tables of statistics.

The worked examples are H.1 and H.2 of JCGM 100:2008, their numbers as a public unit test of another
library quotes them; the degrees of freedom of H.1 beside its contributions are from memory.
"""

import numpy as np
import pytest
from scipy import stats

from speclake.judging import Conditions, judge_columns
from speclake.judging.uncertainty.coverage import coverage_factor, effective_degrees_of_freedom
from speclake.judging.uncertainty.lines import variance
from speclake.specs import Specification
from speclake.specs.requirements.uncertainty import BudgetLine
from speclake.spectrum import Axis, SpectrumSet


def test_end_gauge_of_example_h1():
    """Contributions in nm and their degrees of freedom; U at 99 % is 93 nm with k = 2.92."""
    parts = np.array([[25.0, 5.8, 3.9, 6.7, 2.9, 16.6]])
    freedom = np.array([18.0, 24.0, 5.0, 8.0, 50.0, 2.0])
    standard = np.sqrt((parts**2).sum(axis=1))
    assert round(standard[0]) == 32
    effective = effective_degrees_of_freedom(standard, parts, freedom)
    assert effective[0] == 16
    assert coverage_factor(0.99, 16) == pytest.approx(2.92, abs=0.005)
    assert coverage_factor(0.95, 16) == pytest.approx(2.12, abs=0.005)


VOLTS = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
AMPERES = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3
RADIANS = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])


@pytest.mark.parametrize(
    ("number", "value", "expected"),
    [("R", 127.732, 0.071), ("X", 219.847, 0.295), ("Z", 254.260, 0.236)],
)
def test_resistance_and_reactance_of_example_h2(number, value, expected):
    """Three quantities read together: errors that one cause shares go into a sum with their signs.

    The covariances are split into three causes that share nothing with one another; each is a line
    that is alike in all three readings, as a baseline is in all points of a spectrum.
    """
    readings = np.stack([VOLTS, AMPERES, RADIANS])
    volts, amperes, radians = readings.mean(axis=1)
    size, angle = volts / amperes, radians
    found, sensitivities = {
        "R": (size * np.cos(angle), [np.cos(angle) / amperes, -size * np.cos(angle) / amperes,
                                     -size * np.sin(angle)]),
        "X": (size * np.sin(angle), [np.sin(angle) / amperes, -size * np.sin(angle) / amperes,
                                     size * np.cos(angle)]),
        "Z": (size, [1 / amperes, -size / amperes, 0.0]),
    }[number]  # fmt: skip
    assert found == pytest.approx(value, abs=0.0006)
    power, causes = np.linalg.eigh(np.cov(readings) / 5)
    line = BudgetLine(name="cause", source="H.2", unit="T", u=1.0, correlation="full")
    parts = (causes * np.sqrt(np.maximum(power, 0.0))).T * np.array(sensitivities)
    total = sum(variance(line, part[np.newaxis], np.arange(3.0))[0] for part in parts)
    assert np.sqrt(total) == pytest.approx(expected, abs=0.0006)
    if number == "R":
        # without the correlation it would be 2.7 times as large
        alone = line.model_copy(update={"correlation": "none"})
        apart = np.sqrt(np.diag(np.cov(readings)) / 5) * np.array(sensitivities)
        without = np.sqrt(variance(alone, apart[np.newaxis], np.arange(3.0))[0])
        assert without / np.sqrt(total) > 2.7


@pytest.mark.parametrize("freedom", [1, 2, 3, 4, 5, 10, 16, 17, 120, 9_999])
@pytest.mark.parametrize("coverage", [0.6827, 0.90, 0.95, 0.9545, 0.99, 0.9973])
def test_students_distribution(freedom, coverage):
    """SciPy's quantiles as an independent implementation."""
    expected = stats.t.ppf((1 + coverage) / 2, freedom)
    assert coverage_factor(coverage, freedom) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(
    ("freedom", "coverage", "factor"),
    # JCGM 100:2008, table G.2, from memory
    [(1, 0.95, 12.71), (2, 0.95, 4.30), (5, 0.99, 4.03), (10, 0.9545, 2.28), (50, 0.9973, 3.16)],
)
def test_table_g2(freedom, coverage, factor):
    assert coverage_factor(coverage, freedom) == pytest.approx(factor, abs=0.005)


# expected range of normal readings in standard deviations, d2 of control charts: ISO 7870-2, ASTM
# E2587; the expected smallest is half as far down, by symmetry
D2 = {2: 1.128, 3: 1.693, 5: 2.326, 10: 3.078, 25: 3.931}


@pytest.mark.parametrize("points", D2)
@pytest.mark.parametrize("what", ["minimum", "maximum", "ripple"])
def test_noise_moves_an_extreme_of_equal_values_by_the_tabulated_range(points, what):
    at = np.arange(400.0, 400.0 + points)
    line = {"name": "n", "source": "invented", "unit": "%T", "u": 0.2, "correlation": "none"}
    requirement = {
        "id": "r", "what": what, "unit": "%T", "band": [400.0, at[-1]], "at_most": "99",
        "uncertainty": {"lines": [line], "k": 2, "draws": 50_000},
        **({"definition": "peak to valley"} if what == "ripple" else {}),
    }  # fmt: skip
    spec = Specification.model_validate({"name": "s", "requirement": [requirement]})
    flat = SpectrumSet(Axis(at, "nm"), np.full((1, points), 50.0), "%T", ("a",))
    (column,) = judge_columns(flat, spec, [Conditions()]).columns
    expected = 0.2 * D2[points] * {"minimum": -0.5, "maximum": 0.5, "ripple": 1.0}[what]
    # the deviation of the range is below one standard deviation; a fifth of the draws counts
    assert column.uncertainty.noise_bias[0] == pytest.approx(expected, abs=5 * 0.2 / 10_000**0.5)
