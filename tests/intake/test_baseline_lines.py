"""A blank that lay off is told of the scans after it, in the same commit and in later ones."""

import numpy as np
import pytest

from speclake.checks import Check, Severity
from speclake.measurement import Kind
from tests.intake.bench import MONDAY, NM, bench, scan, take


def blank(name: str, off: float, hours: float):
    level = 100.0 + np.where(NM > 600, off, 0.0)
    return scan(name, level, hours, kind=Kind.BLANK, product=None, lot=None)


def told(archive, m):
    found = archive.findings([m.measurement_id])
    return found.filter(found["check"] == Check.BASELINE)


@pytest.mark.parametrize("in_one_commit", [True, False])
def test_scan_after_a_blank_that_lay_off_is_told_so(tmp_path, in_one_commit):
    with bench(tmp_path / "lab") as archive:
        first, part = blank("B1", 0.6, 0.0), scan("A", 95.0, 1.0)
        if in_one_commit:
            take(archive, first, part)
        else:
            take(archive, first)
            take(archive, part)
        (row,) = told(archive, part[0]).to_dicts()
        assert Severity(row["severity"]) is Severity.REMARK
        assert row["value"] == pytest.approx(0.6, abs=0.05)
        assert "taken 1.0 h before this" in row["text"]
        assert row["at"] > 600


def test_blank_since_the_baseline_puts_the_scan_in_doubt(tmp_path):
    with bench(tmp_path / "lab") as archive:
        part = scan("A", 95.0, 2.0, baseline_at=MONDAY)
        take(archive, blank("B1", 0.6, 1.0))
        take(archive, part)
        (row,) = told(archive, part[0]).to_dicts()
        assert Severity(row["severity"]) is Severity.DOUBT


def test_later_blank_that_is_flat_ends_it(tmp_path):
    with bench(tmp_path / "lab") as archive:
        part = scan("A", 95.0, 2.0)
        take(archive, blank("B1", 0.6, 0.0), blank("B2", 0.0, 1.0))
        take(archive, part)
        assert told(archive, part[0]).is_empty()


def test_line_of_each_blank_is_a_figure(tmp_path):
    with bench(tmp_path / "lab") as archive:
        one, two = blank("B1", 0.6, 0.0), blank("B2", 0.0, 1.0)
        take(archive, one, two)
        kept = archive.figures(name="line").sort("trusted_at")
        assert kept["measurement_id"].to_list() == [one[0].measurement_id, two[0].measurement_id]
        assert kept["value"].to_list() == pytest.approx([0.6, 0.0], abs=0.05)
