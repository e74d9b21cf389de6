"""Control limits against published examples; each source stands beside its check."""

import csv
from pathlib import Path

import numpy as np
import pytest

from speclake.trends import individuals, one_point_per

DATA = Path(__file__).parent.parent / "data"


def rows(name):
    lines = (DATA / name).read_text("utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def test_individuals_chart_of_the_handbook():
    # NIST/SEMATECH e-Handbook 6.3.2.2: ten values, MRbar 1.8778, limits 55.8041 and 45.8159;
    # inputs and limits from memory, the limits follow from the inputs
    found = rows("nist_handbook_control_chart_examples.csv")
    chart = individuals([float(row["value"]) for row in found if row["series"] == "individuals"])
    assert chart.centre == pytest.approx(50.81, abs=5e-3)
    assert np.nanmean(chart.moving_ranges) == pytest.approx(1.8778, abs=5e-5)
    assert chart.upper == pytest.approx(55.8041, abs=5e-5)
    assert chart.lower == pytest.approx(45.8159, abs=5e-5)
    assert not chart.out.any()
    assert chart.warnings == ()


def test_transmittance_of_a_filter_must_warn_of_its_autocorrelation():
    # NIST StRD, univariate set Mavro: certified mean 2.001856 and lag-1 autocorrelation
    # 0.937989183438248
    found = [float(row["transmittance"]) for row in rows("nist_mavro_filter_transmittance.csv")]
    chart = individuals(found)
    assert chart.centre == pytest.approx(2.001856, rel=1e-14)
    assert chart.autocorrelation == pytest.approx(0.937989183438248, rel=1e-10)
    assert len(chart.warnings) == 1
    assert "too narrow" in chart.warnings[0]
    assert chart.out.any()


def test_cassette_means_of_the_lithography_study():
    # NIST/SEMATECH e-Handbook 6.6.1: 30 cassettes x 3 wafers x 5 sites, grand mean 2.532284; with
    # the cassettes as individuals MRbar is 0.522871 and the limits mean ± 2.66 MRbar are 3.923122
    # and 1.141447, computed independently. 2.66 is 3/1.128 = 2.6596 in print.
    found = rows("nist_lithogra_wafer_linewidth.csv")
    widths = [float(row["linewidth"]) for row in found]
    cassettes = one_point_per([row["cassette"] for row in found], widths, "mean")
    assert cassettes.counts.tolist() == [15] * 30
    chart = individuals(cassettes.values)
    assert chart.centre == pytest.approx(2.532284, abs=5e-7)
    assert np.nanmean(chart.moving_ranges) == pytest.approx(0.522871, abs=5e-7)
    printed = 2.66 / (3 / 1.128)
    half_width = (chart.upper - chart.centre) * printed
    assert chart.centre + half_width == pytest.approx(3.923122, abs=2e-6)
    assert chart.centre - half_width == pytest.approx(1.141447, abs=2e-6)


def test_sites_of_a_wafer_one_after_the_other_resemble_each_other():
    # the same study: variance components 0.2645 between cassettes, 0.0500 between wafers, 0.1755
    # between sites, so a site resembles its neighbour and moving ranges know a part of the scatter
    found = rows("nist_lithogra_wafer_linewidth.csv")
    widths = [float(row["linewidth"]) for row in found]
    by_part = individuals(one_point_per([row["cassette"] for row in found], widths, "mean").values)
    site_by_site = individuals(widths)
    total = np.sqrt(0.26452 + 0.04997 + 0.17550)
    assert site_by_site.sigma < 0.7 * total
    assert "too narrow" in site_by_site.warnings[0]
    assert by_part.warnings == ()


def test_mean_of_the_check_standard():
    # NIST/SEMATECH e-Handbook 2.6.2, MPC62: mean of 25 occasions 97.06984
    found = [float(row["value"]) for row in rows("nist_mpc62_check_standard.csv")]
    assert individuals(found).centre == pytest.approx(97.06984, abs=5e-6)


def test_the_rule_of_three_sigma_is_strict():
    # Nelson 1984, rule 1: exactly 3.000 sigma is not beyond; sigma is one and the centre zero here
    base = np.array([0.564, -0.564] * 20)
    points = np.concatenate([base, [3.0, 3.000001, -3.0, -3.1]])
    chart = individuals(points, base=[True] * 40 + [False] * 4)
    assert chart.centre == pytest.approx(0.0, abs=1e-15)
    assert chart.upper == pytest.approx(3.0, abs=1e-12)
    exact = individuals(np.append(base, [chart.upper, chart.lower]), base=[True] * 40 + [False] * 2)
    assert not exact.out.any()
    assert chart.out[-4:].tolist()[1::2] == [True, True]
