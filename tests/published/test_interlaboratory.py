"""Agreement of two instruments and precision over several, against published examples."""

import csv
from pathlib import Path

import numpy as np
import pytest

from speclake.fitness.comparing import agreement
from speclake.fitness.interlaboratory import (
    LabTest,
    cochran,
    critical_cochran,
    critical_grubbs,
    critical_h,
    critical_k,
    grubbs,
    precision,
)

# ASTM E691, table 1: glucose in serum, eight laboratories, three results, five materials. Data and
# results are from memory; each confirms the other to all printed digits.
GLUCOSE = {
    "A": "41.03 41.45 41.37  41.17 42.00 41.15  41.01 40.68 42.66  39.37 42.37 42.63 "
         "41.88 41.19 41.32  43.28 40.50 42.28  41.08 41.27 39.02  43.36 42.65 41.72",
    "B": "78.28 78.18 78.49  77.78 80.38 79.54  79.18 79.72 80.81  84.08 78.60 81.92 "
         "78.16 79.58 78.33  78.66 79.27 81.75  79.76 81.45 77.35  80.44 80.80 79.80",
    "C": "132.66 133.83 133.10  132.92 136.90 136.40  132.61 135.80 135.36  138.50 138.30 135.69 "
         "131.90 134.14 133.76  137.21 135.14 137.50  130.97 131.59 134.92  135.46 135.14 133.63",
    "D": "193.71 193.59 193.65  190.88 200.14 194.30  192.71 193.28 190.28  195.85 196.36 199.43 "
         "192.59 191.44 195.12  195.34 198.26 198.13  194.66 191.99 187.13  197.56 195.99 200.82",
    "E": "292.78 294.09 292.89  292.27 309.40 295.08  295.53 290.14 292.34  295.19 295.44 296.83 "
         "293.93 292.48 294.28  297.74 296.80 290.33  287.29 293.76 289.36  298.46 295.28 296.12",
}  # fmt: skip
PRINTED = {
    "A": (41.5183, 1.0632, 1.0632),
    "B": (79.6796, 1.4949, 1.5796),
    "C": (134.7264, 1.5434, 2.1482),
    "D": (194.7170, 2.6251, 3.3657),
    "E": (294.4920, 3.9350, 4.1923),
}


def glucose() -> np.ndarray:
    """Shape (8 laboratories, 3 results, 5 materials)."""
    columns = [np.array(text.split(), float).reshape(8, 3) for text in GLUCOSE.values()]
    return np.stack(columns, axis=2)


def test_repeatability_and_reproducibility_of_a_printed_study():
    """ASTM E691, precision statistics; the estimators are those of ISO 5725-2."""
    found = precision(glucose())
    for place, (mean, s_r, s_R) in enumerate(PRINTED.values()):
        assert found.mean[place] == pytest.approx(mean, abs=3e-4)
        assert found.repeatability_sd[place] == pytest.approx(s_r, abs=6e-5)
        assert found.reproducibility_sd[place] == pytest.approx(s_R, abs=6e-5)
        assert found.repeatability_limit[place] == pytest.approx(2.8 * s_r, abs=2e-4)
        assert found.reproducibility_limit[place] == pytest.approx(2.8 * s_R, abs=2e-4)
    assert found.between_sd[0] == 0.0


def test_consistency_statistics_of_the_same_study():
    """ASTM E691: h and k of the materials in table 1 and their critical values at 0.5 %.

    Printed h of laboratory 4, material B: 1.85, and k of laboratory 2, material E: 2.33, the one
    above 2.06 (from memory).
    """
    found = precision(glucose())
    assert found.h[3, 1] == pytest.approx(1.85, abs=0.005)
    assert found.k[1, 4] == pytest.approx(2.33, abs=0.005)
    assert critical_h(8, 0.005) == pytest.approx(2.15, abs=0.005)
    assert critical_k(8, 3, 0.005) == pytest.approx(2.06, abs=0.005)
    beyond = np.argwhere(found.k > critical_k(8, 3, 0.005))
    assert beyond.tolist() == [[1, 4]]
    assert not (np.abs(found.h) > critical_h(8, 0.005)).any()


@pytest.mark.parametrize(
    ("labs", "at_1", "at_5"), [(3, 0.993, 0.967), (5, 0.928, 0.841), (8, 0.794, 0.680)]
)
def test_critical_values_of_cochran_for_two_results(labs, at_1, at_5):
    """ISO 5725-2, table 4, n = 2 (from memory)."""
    assert critical_cochran(labs, 2, 0.01) == pytest.approx(at_1, abs=6e-4)
    assert critical_cochran(labs, 2, 0.05) == pytest.approx(at_5, abs=6e-4)


def test_critical_values_of_cochran_for_three_results():
    """ISO 5725-2, table 4, n = 3, p = 8 (from memory)."""
    assert critical_cochran(8, 3, 0.01) == pytest.approx(0.615, abs=6e-4)
    assert critical_cochran(8, 3, 0.05) == pytest.approx(0.516, abs=6e-4)


@pytest.mark.parametrize(("n", "at_1", "at_5"), [(3, 1.155, 1.155), (8, 2.274, 2.126)])
def test_critical_values_of_grubbs(n, at_1, at_5):
    """ISO 5725-2, table 5, one largest or smallest (from memory); printed digits are cut."""
    assert critical_grubbs(n, 0.01) == pytest.approx(at_1, abs=1e-3)
    assert critical_grubbs(n, 0.05) == pytest.approx(at_5, abs=1e-3)


def test_grubbs_on_the_uranium_data_of_the_handbook():
    """NIST/SEMATECH e-Handbook 1.3.5.17.1: G = 2.4687, one-sided critical value 2.032 at 5 %."""
    found = grubbs([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57])
    assert found is not None
    assert found.lab == 7
    assert found.statistic == pytest.approx(2.468765, abs=1e-6)
    assert critical_grubbs(8, 0.05, sides=1) == pytest.approx(2.031652, abs=1e-6)
    assert found.standing == "outlier"


def test_cochran_finds_the_scatter_of_one_laboratory():
    """Laboratory 2 of material E above: 0.68 of the sum of eight variances, beyond 0.615."""
    found = cochran(precision(glucose()).lab_sds[:, 4], 3)
    assert isinstance(found, LabTest)
    assert found.lab == 1
    assert found.standing == "outlier"


def test_gauge_study_of_the_handbook():
    """NIST/SEMATECH e-Handbook 2.6.1: level-2 standard deviation of each probe, run 1.

    Six days on five wafers; days are the replicates of a wafer.
    """
    source = Path(__file__).parent.parent / "data" / "nist_mpc61_resistivity_gauge_study.csv"
    lines = source.read_text("utf-8").splitlines()
    rows = [row for row in csv.DictReader(lines[1:]) if row["run"] == "1"]
    for probe, level_2 in (
        ("1", 0.0464), ("281", 0.0360), ("283", 0.0503), ("2062", 0.0495), ("2362", 0.0333),
    ):  # fmt: skip
        wafers: dict[str, list[float]] = {}
        for row in rows:
            if row["probe"] == probe:
                wafers.setdefault(row["wafer"], []).append(float(row["resistivity"]))
        found = precision(np.array(list(wafers.values()))[:, :, np.newaxis])
        assert found.repeatability_sd[0] == pytest.approx(level_2, abs=6e-5)


def test_limits_of_agreement_of_the_first_published_example():
    """Bland, Altman, Lancet 327 (1986) 307: peak flow of 17 people by two meters, in l/min.

    Printed: bias -2.1, standard deviation 38.8, limits -79.7 and 75.5 with two standard deviations;
    intervals of the bias -22.0 to 17.8, of the lower limit -114.3 to -45.1, of the upper 40.9 to
    110.1. Data and results are from memory; each confirms the other within the rounding of the
    paper's own steps.
    """
    first = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
    second = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]
    found = agreement(np.subtract(first, second)[:, np.newaxis], deviations=2.0)
    assert found.pairs.tolist() == [17]
    for value, printed in (
        (found.bias, -2.1), (found.sd, 38.8), (found.lower, -79.7), (found.upper, 75.5),
        (found.bias_low, -22.0), (found.bias_high, 17.8), (found.lower_low, -114.3),
        (found.lower_high, -45.1), (found.upper_low, 40.9), (found.upper_high, 110.1),
    ):  # fmt: skip
        assert value[0] == pytest.approx(printed, abs=0.2)
