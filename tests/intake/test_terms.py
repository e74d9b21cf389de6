"""What becomes of states when programmes and certificates are edited; everything is invented.

Rules are common practice: a requirement on equipment that was changed has to be shown to be met
again (ISO/IEC 17025:2017, 6.4.4, from memory), and a change is identified in the record (8.3.2).
"""

import json
from datetime import timedelta
from pathlib import Path

import pytest

from speclake.api import Archive
from speclake.api.instruments import instruments
from speclake.fitness.states import State
from speclake.intake.keptstandards import keep_standards
from speclake.measurement import Kind
from tests.intake.bench import MONDAY, PROGRAMME, bench, outcomes, scan, take


def grey(name: str, level: float, hours: float, **known):
    return scan(name, level, hours, kind=Kind.STANDARD, product=None, sample=name, **known)


def stands(archive: Archive, days: float = 1.0) -> tuple[State, str]:
    (found,) = instruments(archive, MONDAY + timedelta(days=days))[0].configurations
    return found.state, found.now.reason


def edit(archive: Archive, *pairs: tuple[str, str], file: str = "qualification/bench-1.toml"):
    path = Path(archive.root) / file
    text = path.read_text("utf-8")
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new)
    path.write_text(text, "utf-8")


class TestPasses:
    @pytest.mark.parametrize(
        ("pair", "told"),
        [
            (("= 0.5", "= 0.2"), "± 0.11 %T would not pass the limits of today, -0.2 to 0.2 %T"),
            (("[400, 700]", "[200, 2500]"), "for 400 nm to 700 nm, and the programme now asks for"),
            (("largest_error =", "largest_error_percent ="), "its limits were of another kind"),
            (("id = ", 'note = "x"\nid = '), ""),
            (("[400, 700]", "[450, 650]"), ""),
            (("= 0.5", "= 5"), ""),
            (("= 0.5", "= 0.48"), ""),
        ],
    )
    def test_a_pass_counts_while_the_programme_asks_for_no_more(self, tmp_path, pair, told):
        with bench(tmp_path / "lab") as archive:
            take(archive, grey("grey 1", 30.35, 0))
            assert stands(archive)[0] is State.FIT
            edit(archive, pair)
            state, reason = stands(archive)
            assert state is (State.UNKNOWN if told else State.FIT)
            assert told in reason
            take(archive, grey("grey 2", 30.0, 1), scan("A", 95.0, 2))
            if "200" not in pair[1]:
                assert stands(archive)[0] is State.FIT, "it has passed on the terms of today"

    def test_a_guarded_rule_asks_for_more_than_simple_acceptance(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            edit(archive, ("every_days", 'rule = "simple acceptance"\nevery_days'))
            take(archive, grey("grey 1", 30.45, 0))
            assert stands(archive)[0] is State.FIT
            edit(archive, ("simple acceptance", "guarded"))
            assert stands(archive)[0] is State.UNKNOWN

    def test_a_shorter_interval_holds_for_what_has_passed(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            edit(archive, ("every_days = 7", "every_days = 90"))
            take(archive, grey("grey 1", 30.0, 0))
            assert stands(archive, 30)[0] is State.FIT
            edit(archive, ("every_days = 90", "every_days = 7"))
            assert stands(archive, 30)[0] is State.UNKNOWN
            assert stands(archive, 6)[0] is State.FIT


class TestFailures:
    @pytest.mark.parametrize(
        "pairs",
        [
            [('id = "grey filter"', 'id = "grey"'), ("= 0.5", "= 5")],
            [("= 0.5", "= 5")],
            [('name = "bench 1, visible"', 'name = "bench 1"'), ("= 0.5", "= 5")],
        ],
        ids=["renamed check", "wider limit", "renamed programme"],
    )
    def test_a_failure_outlives_an_edit_until_a_pass(self, tmp_path, pairs):
        with bench(tmp_path / "lab") as archive:
            take(archive, grey("grey 1", 33.0, 0), scan("A", 95.0, 1))
            edit(archive, *pairs)
            archive.judge(archive.find(sample="A")["measurement_id"], who="q", why="again")
            assert stands(archive)[0] is State.UNFIT
            assert "failed on 2026-03-02" in stands(archive)[1]
            assert outcomes(archive, "A")["mean"][0] == "not measurable"
            take(archive, grey("grey 2", 30.0, 2))
            assert stands(archive)[0] is State.FIT
            assert stands(archive, 0.05)[0] is State.UNFIT

    def test_a_failure_with_one_accessory_is_ended_by_that_accessory(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            take(archive, grey("grey 1", 33.0, 0, accessory="sphere"))
            take(archive, grey("grey 2", 30.0, 1, accessory="tube"))
            take(archive, scan("A", 95.0, 2, accessory="sphere"))
            take(archive, scan("B", 95.0, 2, accessory="tube"), scan("C", 95.0, 2.5))
            assert outcomes(archive, "A")["mean"][0] == "not measurable"
            assert outcomes(archive, "B")["mean"][0] == "pass"
            assert outcomes(archive, "C")["mean"][0] == "not measurable", "it may be the sphere"
            take(archive, grey("grey 3", 30.0, 1.5, accessory="sphere"))
            assert outcomes(archive, "A")["mean"][0] == "pass"
            assert outcomes(archive, "C")["mean"][0] == "pass"

    def test_a_scan_of_an_unknown_accessory_stands_under_every_programme(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            edit(archive, ("quantity", 'accessory = "sphere"\nquantity'))
            take(archive, grey("grey 1", 33.0, 0, accessory="sphere"))
            take(archive, scan("A", 95.0, 1), scan("B", 95.0, 1, accessory="tube"))
            why = outcomes(archive, "A")["mean"]
            assert why[0] == "not measurable"
            assert "nobody knows if the scan was with sphere" in why[1]
            assert outcomes(archive, "B")["mean"][0] == "pass"


class TestRange:
    def test_a_band_that_begins_where_the_programme_ends_is_not_blocked(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            edit(archive, ("[400, 700]", "[500, 650]"))
            edit(archive, ("band = [450, 650]", "band = [650, 700]"), file="specs/window.toml")
            take(archive, grey("grey 1", 33.0, 0), scan("A", 95.0, 1))
            assert outcomes(archive, "A")["mean"][0] == "pass"
            edit(archive, ("band = [650, 700]", "band = [648, 700]"), file="specs/window.toml")
            take(archive, scan("B", 95.0, 2, lot="L2"))
            assert outcomes(archive, "B")["mean"][0] == "not measurable"

    def test_a_scan_that_begins_where_the_programme_ends_has_no_state(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            edit(archive, ("[400, 700]", "[350, 400]"))
            take(archive, scan("A", 95.0, 1))
            assert "instrument state unknown" not in archive.findings(sample="A")["check"].to_list()


class TestRecord:
    def test_what_is_seen_first_is_kept_without_an_entry(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            assert keep_standards(archive.store, archive.judge_step.standards)
            rows = archive.store.catalog.standards()
            assert sorted(row.sort for row in rows) == ["certificate", "programme"]
            assert archive.store.catalog.log_entries() == []
            assert not keep_standards(archive.store, archive.judge_step.standards)
            archive.judge_step.standards.kept = None
            assert not keep_standards(archive.store, archive.judge_step.standards)

    def test_every_change_is_kept_with_its_content_and_told_in_the_log(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            book = archive.judge_step.standards
            keep_standards(archive.store, book)
            edit(archive, ("= 0.5", "= 0.25"))
            archive.judge(who="q", why="again")
            edit(archive, ("value = 30.0", "value = 33.0"), file="standards/grey.toml")
            keep_standards(archive.store, book)
            edit(archive, ("= 0.25", "= 0.5"))
            keep_standards(archive.store, book)
            (archive.root / "qualification/bench-1.toml").unlink()
            keep_standards(archive.store, book)
            (archive.root / "qualification/bench-1.toml").write_text(PROGRAMME, "utf-8")
            keep_standards(archive.store, book)
            log = archive.store.catalog.log_entries("bench 1")
            assert [each.details["note"] for each in log] == [
                "programme bench 1, visible was changed: largest_error from 0.5 to 0.25 of check "
                "grey filter",
                "certificate grey filter was changed: table value",
                "programme bench 1, visible was changed: largest_error from 0.25 to 0.5 of check "
                "grey filter",
                "programme bench 1, visible was taken away",
                "programme bench 1, visible was written again",
            ]
            assert {each.who for each in log} == {"settings"}
            kept = {row.standard_version: row for row in archive.store.catalog.standards()}
            assert json.loads(kept[log[0].details["version"]].content)["check"][0][
                "largest_error"
            ] == 0.25  # fmt: skip
            assert log[2].details["version"] == log[0].details["version before"]
            assert archive.verify() == []
            take(archive, grey("grey 1", 33.0, 0))
            assert stands(archive)[0] is State.FIT, "an entry on a file asks for no new pass"
