"""What is found of scans, and of their instrument, between the scan and its verdict."""

from datetime import timedelta

import numpy as np
import pytest

from speclake.api import events
from speclake.archive.rows import EventKind
from speclake.checks import Check, Severity
from speclake.fitness import Examined, Finding
from speclake.intake.doubts import Review, doubt_of
from speclake.intake.fitness import finding_rows
from speclake.measurement import Kind, Range
from speclake.specs import Outcome
from tests.build import measurement, spectrum
from tests.intake.bench import NM, bench, outcomes, scan, take


def put_aside(archive, ids, review, why="a look"):
    """The commit that puts measurements aside, or releases them, with what follows from it."""
    kind = EventKind.RELEASE if review is None else EventKind.PUT_ASIDE

    def follows(catalog):
        evidence = archive.judge_step.evidence(catalog, dict.fromkeys(ids, review))
        measurements = catalog.measurements(ids)
        return archive.judge_step.again(
            archive.store, catalog, measurements, why=why, evidence=evidence
        ).batch

    events.record(archive.store, kind, ids, {}, who="ada", why=why, with_it=follows)


def saturated():
    """A scan that stands still at the top of its scale from 520 nm to 560 nm."""
    noisy = 95.0 + np.random.default_rng(5).normal(0, 0.05, NM.size)
    return np.where((NM >= 520) & (NM <= 560), 96.0, noisy)


class TestFindings:
    def test_a_scan_with_nothing_wrong_is_judged_as_ever(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            batch = take(archive, scan("A", 95.0))
            assert {v.outcome for v in batch.verdicts} == {Outcome.PASS}
            assert [f.check for f in batch.findings] == [Check.STATE_UNKNOWN]
            assert archive.verify() == []

    def test_findings_and_figures_are_kept_with_the_scan_they_are_about(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            m, spectra = scan("A", saturated(), noise=0.0)
            batch = take(archive, (m, spectra))
            found = archive.findings([m.measurement_id])
            assert Check.SATURATION in found["check"].to_list()
            assert sorted(found["finding_id"]) == sorted(f.finding_id for f in batch.findings)
            kept = archive.store.catalog.figures([m.measurement_id])
            assert kept.height == len(batch.figures)

    def test_a_doubt_leaves_no_verdict_where_it_lies_and_only_there(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            take(archive, scan("A", saturated(), noise=0.0))
            found = outcomes(archive, "A")
            assert found["mean"][0] == "not measurable"
            assert found["mean"][1].startswith("the scan is in doubt; saturation: ")
            assert found["whatever was found"][0] == "pass"

    def test_a_verdict_that_is_made_again_sees_what_was_found_at_intake(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            m, spectra = scan("A", saturated(), noise=0.0)
            take(archive, (m, spectra))
            before = outcomes(archive, "A")
            archive.judge([m.measurement_id], who="ada", why="again")
            assert outcomes(archive, "A") == before

    def test_backfill_is_examined_though_not_judged(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            batch = take(archive, scan("A", saturated(), noise=0.0), judged=False)
            assert not batch.verdicts
            assert Check.SATURATION in {f.check for f in batch.findings}

    def test_the_same_scan_gives_the_same_rows_on_a_retry(self):
        found = Examined((Finding(check=Check.SPIKE, severity=Severity.DOUBT, text="one"),) * 2, ())
        rows = finding_rows("m", found)
        assert rows == finding_rows("m", found)
        assert len({row.finding_id for row in rows}) == 2

    def test_a_doubt_reaches_the_points_beside_it(self):
        m = measurement(of=spectrum(points=101), ranges=(Range(400, 500, interval_nm=2.0),))
        found = Finding(check=Check.SPIKE, severity=Severity.DOUBT, text="", start=450, stop=451)
        (row,) = finding_rows(m.measurement_id, Examined((found,), ()))
        assert doubt_of(m, row)[1:3] == (448.0, 453.0)


class TestCopies:
    def test_the_scan_of_another_part_has_no_verdict_and_both_are_named(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            m, values = scan("A", 95.0, 1, serial="S1")
            take(archive, (m, values))
            other = measurement(
                "B", values, **{name: getattr(m, name) for name in
                                ("kind", "product", "lot", "instrument")},
                serial="S2", scanned_at=m.scanned_at + timedelta(days=13),
                trusted_at=m.trusted_at + timedelta(days=13),
            )  # fmt: skip
            batch = take(archive, (other, values))
            (finding,) = [f for f in batch.findings if f.check is Check.IDENTICAL]
            assert finding.severity is Severity.DOUBT
            told = f"every value equals that of the scan of lot L1, serial S1, sample A in {m.file}"
            assert finding.text.startswith(told) and "2026-03-02" in finding.text
            assert "withdraw what is wrong" in finding.advice
            outcome, reason = outcomes(archive, "B")["mean"]
            assert outcome == "not measurable" and "serial S1" in reason
            assert outcomes(archive, "B")["whatever was found"][0] == "pass"
            assert outcomes(archive, "A")["mean"][0] == "pass"

    def test_a_conflict_is_remarked_and_blocks_nothing_once_it_is_settled(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            m, values = scan("A", 95.0, 1, serial="S1")
            take(archive, (m, values))
            same = ("kind", "product", "lot", "instrument", "scanned_at", "trusted_at")
            facts = {name: getattr(m, name) for name in same}
            other = measurement("B", values, serial="S2", **facts)
            batch = take(archive, (other, values))
            (finding,) = [f for f in batch.findings if f.check is Check.IDENTICAL]
            assert finding.severity is Severity.REMARK and "settle" in finding.advice
            archive.settle_conflict([other.measurement_id], who="ada", why="S1 was saved twice")
            assert outcomes(archive, "B")["mean"][0] == "pass"


class TestReview:
    def test_what_is_put_aside_is_not_measurable_until_it_is_released(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            m, spectra = scan("A", 95.0)
            take(archive, (m, spectra))
            put_aside(archive, [m.measurement_id], Review("ada", "lamp flickered"))
            words = "the scan is in doubt; under review: put aside by ada: lamp flickered"
            assert set(outcomes(archive, "A").values()) == {("not measurable", words)}
            archive.judge([m.measurement_id], who="ada", why="again")
            assert {o for o, _ in outcomes(archive, "A").values()} == {"not measurable"}
            put_aside(archive, [m.measurement_id], None)
            assert {o for o, _ in outcomes(archive, "A").values()} == {"pass"}
            assert archive.verify() == []


class TestState:
    def grey(self, name, value, hours, **known):
        return scan(name, value, hours, kind=Kind.STANDARD, product=None, sample=name, **known)

    def test_a_part_is_not_measurable_on_an_unfit_instrument(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            take(archive, self.grey("grey 1", 32.0, 0))
            batch = take(archive, scan("A", 95.0, 1))
            outcome, reason = outcomes(archive, "A")["mean"]
            assert outcome == "not measurable"
            assert reason.startswith("the scan is in doubt; instrument unfit: state of bench 1")
            assert "grey filter failed on 2026-03-02" in reason
            assert outcomes(archive, "A")["whatever was found"][0] == "pass"
            (finding,) = [f for f in batch.findings if f.check is Check.UNFIT]
            assert finding.severity is Severity.DOUBT and (finding.start, finding.stop) == (
                400,
                700,
            )

    def test_run_and_part_of_one_commit_are_seen_together(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            take(archive, scan("A", 95.0, 1), self.grey("grey 1", 32.0, 0))
            assert outcomes(archive, "A")["mean"][0] == "not measurable"

    def test_fit_then_overdue_then_unknown_is_told_as_a_remark(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            take(archive, self.grey("grey 1", 30.0, 0))
            fit = take(archive, scan("A", 95.0, 1))
            late = take(archive, scan("B", 95.0, 24 * 8))
            assert [f.check for f in fit.findings] == []
            (finding,) = late.findings
            assert (finding.check, finding.severity) == (Check.STATE_UNKNOWN, Severity.REMARK)
            assert "was due on 2026-03-09" in finding.text
            assert outcomes(archive, "B")["mean"][0] == "pass"

    def test_a_lab_may_let_the_unknown_block(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            spec = archive.root / "specs/window.toml"
            text = 'blocked_by = ["instrument state unknown"]\n' + spec.read_text("utf-8")
            spec.write_text(text, "utf-8")
            take(archive, scan("A", 95.0))
            assert "grey filter has not passed yet" in outcomes(archive, "A")["mean"][1]

    def test_a_check_that_is_left_out_neither_remarks_nor_blocks(self, tmp_path):
        more = '\n[fitness]\nwithout = ["instrument unfit"]\n'
        with bench(tmp_path / "lab", settings=more) as archive:
            take(archive, self.grey("grey 1", 32.0, 0))
            assert take(archive, scan("A", 95.0, 1)).findings == ()
            assert outcomes(archive, "A")["mean"][0] == "pass"

    @pytest.mark.parametrize("value", [30.0, 32.0])
    def test_a_run_that_comes_late_judges_the_scans_since_it_again(self, tmp_path, value):
        with bench(tmp_path / "lab") as archive:
            take(archive, scan("A", 95.0, 1), scan("B", 95.0, -1))
            batch = take(archive, self.grey("grey 1", value, 0))
            is_unfit = value > 30.5
            assert outcomes(archive, "A")["mean"][0] == ("not measurable" if is_unfit else "pass")
            assert outcomes(archive, "B")["mean"][0] == "pass"
            assert bool(batch.verdicts) == is_unfit

    def test_another_instrument_has_another_state(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            take(archive, self.grey("grey 1", 32.0, 0))
            batch = take(archive, scan("A", 95.0, 1, instrument="bench 2"))
            assert batch.findings == ()
            assert outcomes(archive, "A")["mean"][0] == "pass"

    def test_a_run_that_is_withdrawn_counts_no_longer_and_one_taken_back_does(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            m, spectra = self.grey("grey 1", 32.0, 0)
            take(archive, (m, spectra))
            take(archive, scan("A", 95.0, 1))
            assert outcomes(archive, "A")["mean"][0] == "not measurable"
            archive.withdraw([m.measurement_id], who="ada", why="the wrong filter")
            assert outcomes(archive, "A")["mean"][0] == "pass"
            archive.reinstate([m.measurement_id], who="ada", why="it was the right one")
            assert outcomes(archive, "A")["mean"][0] == "not measurable"
            assert archive.verify() == []

    def test_a_scan_told_later_to_be_a_failed_run_judges_those_since_it_again(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            m, spectra = scan("X", 32.0, kind=Kind.UNKNOWN, product=None, sample=None)
            take(archive, (m, spectra), scan("A", 95.0, 1))
            assert outcomes(archive, "A")["mean"][0] == "pass"
            told = {"sample": "grey 1", "kind": "standard"}
            archive.assign([m.measurement_id], told, who="ada", why="seen on the holder")
            assert outcomes(archive, "A")["mean"][0] == "not measurable"


class TestSeveralScans:
    SPECIFICATION = """
name = "mirror"
products = ["window"]
[[requirement]]
id = "average"
what = "mean"
unit = "%T"
band = [450, 650]
at_least = 90.0
angle_deg = 45
[requirement.drawn_from]
how = "mean of s and p"
"""

    def pair(self, doubted):
        """Scans in s and p of one part, one of them in doubt where it is named."""
        for name in ("s", "p"):
            level = saturated() if name == doubted else 95.0
            noise = 0.0 if name == doubted else 0.02
            known = {"polarisation": name, "angle_deg": 45.0, "site": "1"}
            yield scan(f"{name}-scan", level, noise=noise, sample="W1", **known)

    @pytest.mark.parametrize("together", [True, False])
    @pytest.mark.parametrize("doubted", ["s", "p", ""])
    def test_a_doubt_of_any_scan_leaves_no_verdict(self, tmp_path, doubted, together):
        with bench(tmp_path / "lab", specification=self.SPECIFICATION) as archive:
            scans = list(self.pair(doubted))
            for each in [scans] if together else [[m] for m in scans]:
                take(archive, *each)
            outcome, reason = outcomes(archive, "W1")["average"]
            assert outcome == ("not measurable" if doubted else "pass")
            assert ("saturation" in reason) == bool(doubted)

    def test_a_partner_that_is_put_aside_takes_the_verdict_along(self, tmp_path):
        with bench(tmp_path / "lab", specification=self.SPECIFICATION) as archive:
            lead, partner = self.pair("")
            take(archive, lead, partner)
            name = partner[0].measurement_id
            archive.put_aside([name], who="ada", why="lamp flickered")
            assert outcomes(archive, "W1")["average"][0] == "not measurable"
            archive.release([name], who="ada", why="it was another lamp")
            assert outcomes(archive, "W1")["average"][0] == "pass"
