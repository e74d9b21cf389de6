"""Runs of checks that are taken back, put aside, corrected or completed after they were made."""

from datetime import timedelta
from itertools import permutations

import numpy as np
import pytest

from speclake.checks import Check
from speclake.measurement import Kind
from speclake.specs import Outcome
from tests.api import two_benches
from tests.intake.bench import MONDAY, NM, bench, outcomes, scan, take


def grey(name, value, hours=0.0, **known):
    facts = {"kind": Kind.STANDARD, "product": None, "sample": name}
    return scan(name, value, hours, **(facts | known))


def ids(archive, name):
    return archive.find(sample=name, withdrawn="show")["measurement_id"].to_list()


def state(archive):
    """State of the only programme as the page of the instruments tells it, and why."""
    (found,) = (c for each in archive.instruments() for c in each.configurations)
    stretch = found.now
    return str(stretch.state), stretch.reason


class TestTakenBack:
    @pytest.mark.parametrize("fails_first", [True, False])
    def test_the_state_hangs_on_which_runs_count_and_not_on_how_many(self, tmp_path, fails_first):
        with bench(tmp_path / "lab") as archive:
            take(archive, grey("grey 1", 30.0, 0), grey("grey 2", 33.0, 1))
            good, bad = ids(archive, "grey 1"), ids(archive, "grey 2")
            out, back = (good, bad) if fails_first else (bad, good)
            archive.withdraw(out, who="ada", why="wrong filter")
            take(archive, scan("A", 95.0, 2))
            archive.reinstate(out, who="ada", why="it was right")
            archive.withdraw(back, who="ada", why="wrong filter")
            take(archive, scan("B", 95.0, 3))
            expected = "pass" if fails_first else "not measurable"
            for name in ("A", "B"):
                assert outcomes(archive, name)["mean"][0] == expected


class TestPutAside:
    def test_a_pass_that_is_put_aside_leaves_the_state_unknown_until_the_release(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            spec = archive.root / "specs/window.toml"
            text = 'blocked_by = ["instrument state unknown"]\n' + spec.read_text("utf-8")
            spec.write_text(text, "utf-8")
            take(archive, grey("grey 1", 30.0, 0), scan("A", 95.0, 1))
            assert outcomes(archive, "A")["mean"][0] == "pass"
            run = ids(archive, "grey 1")
            archive.put_aside(run, who="ada", why="the wrong filter was in the beam")
            outcome, reason = outcomes(archive, "A")["mean"]
            assert outcome == "not measurable"
            assert "put aside for review" in reason
            found = archive.instruments()[0].configurations[0].stretches
            assert [str(each.state) for each in found] == ["unknown", "unknown"]
            archive.release(run, who="ada", why="it was the right one")
            assert outcomes(archive, "A")["mean"][0] == "pass"
            assert archive.verify() == []

    def test_a_failure_that_is_put_aside_stays_a_failure(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            take(archive, grey("grey 1", 33.0, 0), scan("A", 95.0, 1))
            archive.put_aside(ids(archive, "grey 1"), who="ada", why="a look")
            assert outcomes(archive, "A")["mean"][0] == "not measurable"
            take(archive, scan("B", 95.0, 2))
            assert outcomes(archive, "B")["mean"][0] == "not measurable"


RIPPLE = 0.01 * np.sin(two_benches.NM)
"""So that no scan stands still."""


class TestReExported:
    @pytest.mark.parametrize("released_first", [False, True])
    def test_what_was_put_aside_stays_aside_when_its_file_is_exported_again(
        self, tmp_path, released_first
    ):
        exports = tmp_path / "exports"
        with two_benches.make(tmp_path) as archive:
            two_benches.export(exports, "near", 90.2 + RIPPLE, 1)
            archive.ingest([exports])
            (first,) = archive.find(sample="near")["measurement_id"]
            archive.put_aside([first], who="ada", why="lamp flickered")
            if released_first:
                archive.release([first], who="ada", why="it did not")
            two_benches.export(exports, "near", 90.3 + RIPPLE, 1)
            archive.ingest([exports])
            (row,) = archive.find(sample="near").to_dicts()
            assert row["measurement_id"] != first
            if released_first:
                assert (row["in_review"], row["outcome"]) == (False, "pass")
                return
            assert (row["in_review"], row["outcome"]) == (True, "not measurable")
            assert (row["review_by"], row["review_why"]) == ("ada", "lamp flickered")
            two_benches.export(exports, "near", 90.4 + RIPPLE, 1)
            archive.ingest([exports])
            (row,) = archive.find(sample="near").to_dicts()
            assert (row["in_review"], row["outcome"]) == (True, "not measurable")
            name = row["measurement_id"]
            assert archive.put_aside([name], who="eve", why="lamp flickered") == 0
            archive.put_aside([name], who="eve", why="wrong holder")
            two_benches.export(exports, "near", 90.5 + RIPPLE, 1)
            archive.ingest([exports])
            (row,) = archive.find(sample="near").to_dicts()
            both = ("ada and eve", "lamp flickered; wrong holder")
            assert (row["review_by"], row["review_why"]) == both
            name = row["measurement_id"]
            archive.release([name], who="ada", why="it did not", of="lamp flickered")
            assert archive.find(sample="near")["in_review"].to_list() == [True]
            archive.release([name], who="ada", why="it was the right one", of="wrong holder")
            (row,) = archive.find(sample="near").to_dicts()
            assert (row["in_review"], row["outcome"]) == (False, "pass")
            assert archive.verify() == []


class TestCorrected:
    def test_a_part_that_was_taken_for_a_standard_leaves_no_failure_behind(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            take(archive, grey("grey 1", 30.0, 0))
            take(archive, grey("grey 2", 92.0, 1))
            take(archive, scan("A", 95.0, 2))
            assert outcomes(archive, "A")["mean"][0] == "not measurable"
            told = {"sample": "window 7", "kind": "part", "product": "window"}
            archive.assign(ids(archive, "grey 2"), told, who="ada", why="the name was wrong")
            assert outcomes(archive, "A")["mean"][0] == "pass"
            assert outcomes(archive, "window 7")["mean"][0] == "pass"
            assert state(archive)[0] != "unfit"
            assert archive.qualifications()["outcome"].to_list() == ["pass"]
            back = {"sample": "grey 2", "kind": "standard"}
            archive.assign(ids(archive, "window 7"), back, who="ada", why="it was right")
            assert archive.qualifications()["outcome"].to_list() == ["pass", "fail"]
            assert outcomes(archive, "A")["mean"][0] == "not measurable"
            again = {"sample": "window 7", "kind": "part"}
            archive.assign(ids(archive, "grey 2"), again, who="ada", why="no, a window")
            assert archive.qualifications()["outcome"].to_list() == ["pass"]
            assert outcomes(archive, "A")["mean"][0] == "pass"
            assert archive.verify() == []

    def test_a_run_moves_with_its_scan_to_another_instrument(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            programme = (archive.root / "qualification/bench-1.toml").read_text("utf-8")
            (archive.root / "qualification/bench-2.toml").write_text(
                programme.replace("bench 1", "bench 2"), "utf-8"
            )
            take(archive, grey("grey 1", 33.0, 0))
            take(archive, scan("A", 95.0, 1), scan("B", 95.0, 1, instrument="bench 2"))
            told = {"instrument": "bench 2"}
            archive.assign(ids(archive, "grey 1"), told, who="ada", why="it was bench 2")
            rows = archive.qualifications()
            assert rows.select("instrument", "outcome").rows() == [("bench 2", "fail")]
            assert outcomes(archive, "A")["mean"][0] == "pass"
            assert outcomes(archive, "B")["mean"][0] == "not measurable"

    def test_what_does_not_matter_to_a_run_leaves_it_as_it_was_made(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            take(archive, grey("grey 1", 30.0, 0), scan("A", 95.0, 1))
            before = archive.qualifications()
            certificate = archive.root / "standards/grey.toml"
            text = certificate.read_text("utf-8").replace("value = 30.0", "value = 33.0")
            certificate.write_text(text, "utf-8")
            told = {"operator": "grace"}
            archive.assign(ids(archive, "grey 1"), told, who="ada", why="a typing mistake")
            assert archive.qualifications().equals(before)
            assert outcomes(archive, "A")["mean"][0] == "pass"

    def test_an_accessory_that_is_told_later_is_that_of_the_run(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            take(archive, grey("grey 1", 30.0, 0))
            told = {"accessory": "sphere"}
            archive.assign(ids(archive, "grey 1"), told, who="ada", why="seen on the bench")
            assert archive.qualifications()["accessory"].to_list() == ["sphere"]


DRIFT = """
name = "bench 1, visible"
instrument = "bench 1"
quantity = "transmittance"
range_nm = [400, 700]
[[check]]
id = "drift"
what = "drift"
at_nm = 550
within_h = 2
largest_an_hour = 0.1
unit = "%T"
every_days = 7
"""


class TestSeveralScans:
    """Three blanks that drift by 2 %T an hour, against 0.1 %T an hour."""

    def blanks(self):
        known = {"kind": Kind.BLANK, "product": None, "sample": "air"}
        return [scan(f"{n} blank", 100 + n, n / 2, **known) for n in range(3)]

    @pytest.mark.parametrize("order", [*permutations(range(3))])
    def test_the_order_in_which_scans_come_in_does_not_matter(self, tmp_path, order):
        with bench(tmp_path / "lab") as archive:
            (archive.root / "qualification/bench-1.toml").write_text(DRIFT, "utf-8")
            scans = self.blanks()
            take(archive, scan("A", 95.0, 1.5))
            for n in order:
                take(archive, scans[n])
            (row,) = archive.qualifications().to_dicts()
            assert (row["outcome"], row["taken_at"]) == ("fail", MONDAY + timedelta(hours=1))
            assert row["value"] == pytest.approx(2.0, abs=0.2)
            assert outcomes(archive, "A")["mean"][0] == "not measurable"

    def test_a_late_scan_joins_a_run_that_was_made_without_it(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            (archive.root / "qualification/bench-1.toml").write_text(DRIFT, "utf-8")
            known = {"kind": Kind.BLANK, "product": None, "sample": "air"}
            scans = [scan(f"{n} blank", 100 + n, n / 2, **known) for n in range(4)]
            for n in (0, 1, 3, 2):
                take(archive, scans[n])
            assert archive.qualifications()["value"].to_list() == pytest.approx([2, 2], abs=0.2)
            everything = archive.store.catalog.qualifications(counting=False)
            assert everything.height == 3

    def test_a_scan_that_counts_no_longer_leaves_the_run_too(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            (archive.root / "qualification/bench-1.toml").write_text(DRIFT, "utf-8")
            take(archive, *self.blanks())
            take(archive, scan("A", 95.0, 1.5))
            assert outcomes(archive, "A")["mean"][0] == "not measurable"
            middle = archive.find(kind="blank")["measurement_id"].to_list()[1:2]
            acts = ((archive.withdraw, archive.reinstate), (archive.put_aside, archive.release))
            for out, back in acts:
                out(middle, who="ada", why="the door stood open")
                assert archive.qualifications().is_empty()
                assert outcomes(archive, "A")["mean"][0] == "pass"
                back(middle, who="ada", why="it did not")
                assert archive.qualifications()["outcome"].to_list() == ["fail"]
                assert outcomes(archive, "A")["mean"][0] == "not measurable"
            assert archive.verify() == []


STUCK = """
name = "bench 1, visible"
instrument = "bench 1"
quantity = "transmittance"
range_nm = [400, 700]
[[check]]
id = "noise"
what = "noise"
band = [450, 650]
largest_rms = 0.05
unit = "%T"
every_days = 7
[[check]]
id = "flat"
what = "flatness"
band = [450, 650]
largest_deviation_percent = 0.3
every_days = 7
[[check]]
id = "stray"
what = "stray light"
sample = "cut-off*"
band = [400, 450]
unit = "%T"
limit = 0.01
every_days = 7
"""


class TestDoubted:
    def test_a_detector_that_stands_still_qualifies_nothing(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            (archive.root / "qualification/bench-1.toml").write_text(STUCK, "utf-8")
            blank = {"kind": Kind.BLANK, "product": None, "sample": "air", "noise": 0.0}
            take(archive, scan("air", 100.0, 0, **blank), grey("cut-off 1", 0.0, 1, noise=0.0))
            rows = archive.qualifications()
            assert set(rows["outcome"]) == {"not measurable"} and rows.height == 3
            assert rows["value"].null_count() == 3
            assert state(archive)[0] == "unknown"

    def test_a_stuck_standard_does_not_pass_its_certificate(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            (row,) = take(archive, grey("grey 1", 30.0, noise=0.0)).qualifications
            assert row.outcome is Outcome.NOT_MEASURABLE
            assert row.reason.startswith("the scan is in doubt; held values: ")

    def test_what_is_wrong_elsewhere_in_the_scan_leaves_the_number(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            noisy = 30.0 + np.random.default_rng(5).normal(0, 0.05, NM.size)
            stuck = np.where((NM >= 600) & (NM <= 640), 31.0, noisy)
            here = np.where((NM >= 540) & (NM <= 580), 31.0, noisy)
            batch = take(archive, grey("grey 1", stuck, noise=0.0))
            assert Check.SATURATION in {each.check for each in batch.findings}
            assert [each.outcome for each in batch.qualifications] == [Outcome.PASS]
            batch = take(archive, grey("grey 2", here, 1, noise=0.0))
            assert [each.outcome for each in batch.qualifications] == [Outcome.NOT_MEASURABLE]
