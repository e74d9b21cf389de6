"""How instruments stand, what is noted of them, and what people put aside or report on."""

import tomllib
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from speclake.api import Archive
from speclake.api.events import NotAllowed
from speclake.api.instruments import standards
from speclake.archive.rows import Batch, EventKind, StandardRow
from speclake.errors import NotFound
from speclake.fitness.states import State
from speclake.intake.standardbook import standard_row
from speclake.measurement import Kind
from speclake.specs.verdicts import Outcome
from speclake.standards.programmes import Programme
from tests.build import batch, event, identifier, qualification

PROGRAMME = """
name = "bench 1, visible"
instrument = "bench 1"
quantity = "transmittance"
range_nm = [350, 860]
[[check]]
id = "noise"
what = "noise"
band = [500, 520]
largest_rms = 0.05
unit = "%T"
every_days = 30
[[check]]
id = "holmium"
what = "band positions"
standard = "holmium 1"
largest_error_nm = 0.5
every_days = 30
"""
CERTIFICATE = """
name = "holmium 1"
material = "holmium oxide glass"
identification = "HG-1"
certificate = "{number}"
issued_by = "a laboratory (invented)"
issued_on = {issued}
valid_until = {until}
[[band]]
position_nm = 361.3
uncertainty_nm = 0.1
"""
SPEC = """
name = "plate"
products = ["plate"]
blocked_by = ["instrument state unknown", "instrument unfit"]
[[requirement]]
id = "green"
what = "minimum"
unit = "%T"
band = [400, 404]
at_least = "85.0"
"""
MONDAY = datetime.now(UTC).replace(microsecond=0) - timedelta(days=10)


@pytest.fixture
def lab(tmp_path: Path) -> Iterator[Archive]:
    root = tmp_path / "lab"
    Archive.create(root, "lab").close()
    for folder in ("qualification", "standards"):
        (root / folder).mkdir(exist_ok=True)
    (root / "qualification/bench-1.toml").write_text(PROGRAMME, "utf-8")
    first = CERTIFICATE.format(number="C-1", issued="2024-01-10", until="2026-01-10")
    (root / "standards/holmium-1.toml").write_text(first, "utf-8")
    (root / "specs/plate.toml").write_text(SPEC, "utf-8")
    with Archive.open(root) as opened:
        yield opened


def add(lab: Archive, made: Batch) -> None:
    lab.store.commit(lambda _: made, who="test", why="test", kind="test")
    lab.refresh()


def scans(*names: str, at: datetime = MONDAY, **changes: Any) -> Batch:
    made = batch(*names, judged=False)
    facts = {"kind": Kind.PART, "instrument": "bench 1", "product": "plate", "lot": "L1",
             "trusted_at": at} | changes  # fmt: skip
    return replace(made, measurements=tuple(replace(m, **facts) for m in made.measurements))


def programme_row() -> StandardRow:
    return standard_row(Programme.model_validate(tomllib.loads(PROGRAMME)))


def run(name: str, at: datetime, noise: float = 0.02, shift: float = 0.1) -> Batch:
    """A scan with a number of each check of the programme."""
    made = scans(name, at=at, kind=Kind.STANDARD, product=None)
    same: dict[str, Any] = {
        "programme": "bench 1, visible",
        "programme_version": programme_row().standard_version,
        "start_nm": 350.0, "stop_nm": 860.0,
    }  # fmt: skip
    rows = (
        qualification(
            name, at, check="noise", what="noise", value=noise, unit="%T", high=0.05, low=None,
            expected=None, error=None, at=None, outcome=Outcome.PASS, **same,
        ),
        qualification(
            name, at, value=361.3 + shift, error=shift, reason="361.3 nm is off",
            outcome=Outcome.PASS if abs(shift) < 0.5 else Outcome.FAIL, **same,
        ),
    )  # fmt: skip
    return replace(made, axes=(), qualifications=rows, standards=(programme_row(),))


def state(lab: Archive) -> State:
    (view,) = lab.instruments()
    return view.configurations[0].state


def outcome(lab: Archive, name: str) -> str | None:
    return lab.store.catalog.row(identifier(name))["outcome"]


def test_a_configuration_stands_as_its_checks_say(lab: Archive) -> None:
    add(lab, scans("A1"))
    (view,) = lab.instruments()
    assert (view.instrument, view.measurements) == ("bench 1", 1)
    assert state(lab) is State.UNKNOWN
    add(lab, run("Q1", MONDAY))
    (configuration,) = lab.instruments()[0].configurations
    assert configuration.state is State.FIT
    assert configuration.due_at == MONDAY + timedelta(days=30)
    assert configuration.overdue == ()
    assert [each.state for each in configuration.stretches] == [State.UNKNOWN, State.FIT]
    add(lab, run("Q2", MONDAY + timedelta(days=2), shift=0.7))
    (configuration,) = lab.instruments()[0].configurations
    assert configuration.state is State.UNFIT
    assert "361.3 nm is off" in configuration.now.reason
    assert lab.qualifications(check="holmium")["outcome"].to_list() == ["pass", "fail"]


def test_work_on_an_instrument_is_noted_and_leaves_its_range_unknown(lab: Archive) -> None:
    add(lab, scans("A1"))
    add(lab, run("Q1", MONDAY))
    day = timedelta(days=1)
    lab.log_instrument(
        "bench 1", "lamp change", who="op 1", why="1000 h", when=MONDAY + day, range_nm=(None, 320)
    )
    assert state(lab) is State.FIT
    entry = lab.log_instrument(
        "bench 1", "realignment", who="op 1", why="moved", when=MONDAY + 2 * day, note="mirror 3"
    )
    (view,) = lab.instruments()
    assert view.configurations[0].state is State.UNKNOWN
    assert "realignment" in view.configurations[0].now.reason
    assert "mirror 3" in view.configurations[0].now.reason
    assert [each.what for each in view.log] == ["lamp change", "realignment"]
    assert view.log[0].range_nm == (None, 320.0)
    assert view.touched == {"bench 1, visible": (entry,)}
    assert (entry.who, entry.why, entry.when) == ("op 1", "moved", MONDAY + 2 * day)


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        ({"what": "polish"}, "expected one of lamp change, lamp hours"),
        ({"instrument": "bench 9"}, "found no instrument 'bench 9'; those known: bench 1"),
        ({"when": datetime(2026, 3, 2)}, "expected it with its offset"),  # noqa: DTZ001  # without
        ({"when": datetime.now(UTC) + timedelta(days=2)}, "yet to come"),
        ({"quantity": "loudness"}, "quantity: found 'loudness'"),
        ({"range_nm": (500.0, 400.0)}, "found 500.0 to 400.0 nm"),
        ({"why": " "}, "found one of them empty"),
    ],
)
def test_what_cannot_be_noted_is_refused(lab: Archive, asked: dict[str, Any], told: str) -> None:
    given = {"instrument": "bench 1", "what": "service", "who": "op 1", "why": "yearly"} | asked
    with pytest.raises(NotAllowed, match=told):
        lab.log_instrument(**given)
    assert lab.instruments()[0].log == ()


def test_work_told_later_blocks_the_verdicts_since(lab: Archive) -> None:
    """The specification says that an unknown state leaves no verdict."""
    add(lab, scans("A1", "A2"))
    add(lab, run("Q1", MONDAY - timedelta(days=1)))
    lab.judge([identifier("A1"), identifier("A2")], who="quality", why="first")
    assert (outcome(lab, "A1"), outcome(lab, "A2")) == ("pass", "pass")
    earlier = MONDAY - timedelta(hours=1)
    lab.log_instrument("bench 1", "service", who="op 1", why="yearly", when=earlier)
    assert outcome(lab, "A1") == "not measurable"
    reason = lab.verdicts([identifier("A1")])["reason"][0]
    assert "service" in reason


def test_what_is_put_aside_has_no_verdict_until_it_is_released(lab: Archive) -> None:
    add(lab, scans("A1", "A2"))
    add(lab, run("Q1", MONDAY - timedelta(days=1)))
    ids = [identifier("A1"), identifier("A2")]
    lab.judge(ids, who="quality", why="first")
    assert lab.put_aside(ids[:1], who="quality", why="the check failed") == 1
    assert lab.put_aside(ids, who="op 1", why="the check failed") == 1
    assert (outcome(lab, "A1"), outcome(lab, "A2")) == ("not measurable", "not measurable")
    assert "put aside by quality: the check failed" in lab.verdicts(ids[:1])["reason"][0]
    row = lab.find(in_review=True, sample="A1").row(0, named=True)
    assert (row["review_by"], row["review_why"]) == ("quality", "the check failed")
    assert lab.release(ids[:1], who="quality", why="measured again, no difference") == 1
    assert lab.release(ids[:1], who="quality", why="twice") == 0
    assert (outcome(lab, "A1"), outcome(lab, "A2")) == ("pass", "not measurable")
    kinds = [each.kind for each in lab.events(ids[0])]
    assert kinds == [EventKind.PUT_ASIDE, EventKind.RELEASE]
    with pytest.raises(NotFound):
        lab.put_aside(["nobody"], who="quality", why="x")


def test_a_report_is_on_record_with_all_that_it_speaks_of(lab: Archive) -> None:
    add(lab, scans("A1", "A2"))
    told = lab.note_report("R-14", customer="customer 2", lot="L1", who="quality", why="sold")
    assert (told.number, told.customer, told.lot, told.part, told.count) == (
        "R-14", "customer 2", "L1", None, 2,
    )  # fmt: skip
    on = lab.reports_on([identifier("A1")])
    assert on.select("report", "customer").rows() == [("R-14", "customer 2")]
    add(lab, replace(scans("A3"), axes=()))
    more = lab.note_report(
        "R-14", customer="customer 2", ids=[identifier("A1"), identifier("A3")], who="quality",
        why="one more",
    )  # fmt: skip
    assert (more.count, more.part) == (1, "A3")
    with pytest.raises(NotAllowed, match="on record for 'customer 2'"):
        lab.note_report("R-14", customer="other", lot="L1", who="quality", why="sold")
    with pytest.raises(NotFound, match="already"):
        lab.note_report("R-14", customer="customer 2", lot="L1", who="quality", why="sold")
    with pytest.raises(NotAllowed, match="neither measurements nor a query"):
        lab.note_report("R-15", customer="other", who="quality", why="sold")
    assert [each.count for each in lab.reports()] == [2, 1]


def test_certificates_say_how_they_stand_and_who_needs_them(lab: Archive) -> None:
    (view,) = standards(lab, date(2025, 12, 1))
    assert (view.standing, view.needed_by) == ("valid", (("bench 1, visible", "holmium"),))
    assert [v.standing for v in standards(lab, date(2026, 1, 11))] == ["expired"]
    second = CERTIFICATE.format(number="C-2", issued="2026-01-05", until="2028-01-05")
    (lab.root / "standards/holmium-1-again.toml").write_text(second, "utf-8")
    told = [(v.certificate.certificate, v.standing) for v in standards(lab, date(2026, 1, 6))]
    assert told == [("C-1", "followed by another"), ("C-2", "valid")]
    assert [v.standing for v in standards(lab, date(2026, 1, 4))] == ["valid", "not yet valid"]


def test_the_chart_of_a_check_begins_a_phase_with_each_work(lab: Archive) -> None:
    """Limits of a phase: mean ± 3 times the mean moving range over 1.128, as NIST 6.3.2.2."""
    add(lab, scans("A1"))
    shifts = [0.10, 0.12, 0.09, 0.11, 0.30, 0.31, 0.33]
    for i, shift in enumerate(shifts):
        add(lab, run(f"Q{i}", MONDAY + timedelta(hours=i), shift=shift))
    works = [("lamp change", (None, 320.0)), ("realignment", (None, None))]
    for what, range_nm in works:
        lab.log_instrument(
            "bench 1", what, who="op 1", why="x", when=MONDAY + timedelta(hours=3.5),
            range_nm=range_nm,
        )  # fmt: skip
    chart = lab.check_chart("bench 1, visible", "holmium")
    assert (chart.shows, chart.unit, chart.at, chart.places) == ("error", "nm", 361.3, (361.3,))
    assert chart.values == pytest.approx(shifts)
    assert [(phase.start, phase.stop) for phase in chart.phases] == [(0, 4), (4, 7)]
    assert chart.phases[0].begins_with is None
    work = chart.phases[1].begins_with
    assert work is not None
    assert work.what == "realignment"
    for phase in chart.phases:
        own = np.array(shifts[phase.start : phase.stop])
        sigma = np.abs(np.diff(own)).mean() / 1.128
        assert phase.chart.centre == pytest.approx(own.mean())
        assert phase.chart.upper == pytest.approx(own.mean() + 3 * sigma)
    assert not any(chart.out)
    assert (chart.limit_low, chart.limit_high) == (-0.5, 0.5)
    assert lab.check_chart("bench 1, visible", "noise").shows == "value"
    with pytest.raises(NotFound, match="its checks are: noise, holmium"):
        lab.check_chart("bench 1, visible", "colour")
    with pytest.raises(NotFound, match="found no programme 'bench 7'"):
        lab.check_chart("bench 7", "noise")


def test_a_scan_that_was_held_against_another_programme_since_is_one_point(lab: Archive) -> None:
    add(lab, scans("A1"))
    made = run("Q0", MONDAY)
    add(lab, made)
    again = tuple(
        replace(each, qualification_id=identifier(f"again {i}"), low=-0.3, high=0.3)
        for i, each in enumerate(made.qualifications)
    )
    add(lab, Batch(qualifications=again))
    chart = lab.check_chart("bench 1, visible", "holmium")
    assert len(chart.values) == 1
    assert chart.limit_high == 0.3
    assert len(lab.check_chart("bench 1, visible", "noise").values) == 1


def test_the_chart_of_a_check_piece_shows_values_against_their_target(lab: Archive) -> None:
    add(lab, scans("A1"))
    for i, value in enumerate((50.1, 50.2)):
        at = MONDAY + timedelta(hours=i)
        row = qualification(
            f"C{i}", at, programme="bench 1, visible", programme_version="p1", check="piece",
            what="check sample", unit="%T", expected=50.0, value=value, error=value - 50.0,
            low=-0.5, high=0.5, at=None,
        )  # fmt: skip
        made = scans(f"C{i}", at=at, kind=Kind.CHECK)
        add(lab, replace(made, axes=(), qualifications=(row,), standards=(programme_row(),)))
    chart = lab.check_chart("bench 1, visible", "piece")
    assert chart.values == (50.1, 50.2)
    assert (chart.limit_low, chart.limit_high) == (49.5, 50.5)


def test_findings_are_listed_by_a_query(lab: Archive) -> None:
    made = scans("A1")
    add(lab, replace(made, findings=batch("A1").findings))
    assert lab.findings(finding="baseline", lot="L1")["sample"].to_list() == ["A1"]
    assert lab.findings([identifier("A1")])["check"].to_list() == ["baseline"]
    assert lab.finding_counts("bench 1")["findings"].to_list() == [1]


def test_events_on_an_instrument_stand_under_its_name(lab: Archive) -> None:
    add(lab, scans("A1"))
    add(lab, Batch(events=(replace(event("x", EventKind.NOTE), subject="bench 1"),)))
    assert lab.instruments()[0].log == ()


def test_each_reason_for_review_has_its_own_release(lab: Archive) -> None:
    add(lab, scans("A1", "A2"))
    add(lab, run("Q1", MONDAY - timedelta(days=1)))
    ids = [identifier("A1")]
    lab.judge(ids, who="quality", why="first")
    failure = "wavelength of bench 1 failed on 2026-05-04"
    assert lab.put_aside(ids, who="ada", why="lamp flickered") == 1
    assert lab.put_aside(ids, who="bob", why="wavelength failed", failure=failure) == 1
    assert lab.put_aside(ids, who="eve", why="lamp flickered") == 0, "that is known"
    row = lab.find(in_review=True).row(0, named=True)
    assert row["review_by"] == "ada and bob"
    assert row["review_why"] == "lamp flickered; wavelength failed"
    assert [each.why for each in lab.under_review(ids)[ids[0]]] == [
        "lamp flickered", "wavelength failed",
    ]  # fmt: skip
    assert lab.release(ids, who="eve", why="no", of="grey filter failed") == 0
    assert lab.release(ids, who="eve", why="same on bench 2", of=failure) == 1
    assert outcome(lab, "A1") == "not measurable", "nobody has looked at the lamp"
    reason = lab.verdicts(ids)["reason"][0]
    assert "lamp flickered" in reason and "wavelength failed" not in reason
    lab.rebuild()
    assert lab.find(in_review=True)["review_why"].to_list() == ["lamp flickered"]
    assert lab.release(ids, who="eve", why="it was the shutter") == 1
    assert (outcome(lab, "A1"), lab.under_review(ids)) == ("pass", {})
    ends = [each.details["ends"] for each in lab.events(ids[0]) if each.kind == "release"]
    assert ends == ["wavelength failed", "lamp flickered"]


def test_a_release_without_a_choice_names_every_reason_that_it_ends(lab: Archive) -> None:
    add(lab, scans("A1"))
    ids = [identifier("A1")]
    for why in ("lamp flickered", "wrong side up"):
        assert lab.put_aside(ids, who="ada", why=why) == 1
    assert lab.release(ids, who="eve", why="looked at both") == 1
    assert lab.count(in_review=True) == 0
    assert lab.events(ids[0])[-1].details == {"ends": "lamp flickered; wrong side up"}
    assert lab.put_aside(ids, who="ada", why="wrong side up") == 1, "it may be put aside again"


def test_an_entry_of_the_log_that_was_a_mistake_is_taken_back_and_stays_on_record(
    lab: Archive,
) -> None:
    add(lab, run("Q1", MONDAY))
    add(lab, scans("A1", at=MONDAY + timedelta(days=2)))
    lab.judge([identifier("A1")], who="quality", why="first")
    assert outcome(lab, "A1") == "pass"
    entry = lab.log_instrument(
        "bench 1", "lamp change", who="op 1", why="old", when=MONDAY + timedelta(days=1)
    )
    assert (state(lab), outcome(lab, "A1")) == (State.UNKNOWN, "not measurable")
    with pytest.raises(NotFound, match="no entry 'zzzzzz' in the log"):
        lab.log_instrument("bench 1", "mistaken entry", who="op 1", why="x", entry="zzzzzz")
    with pytest.raises(NotAllowed, match="mistaken entry"):
        lab.log_instrument("bench 1", "service", who="op 1", why="x", entry=entry.entry_id)
    lab.log_instrument(
        "bench 1", "mistaken entry", who="op 2", why="it was bench 2", entry=entry.entry_id[:8]
    )
    assert (state(lab), outcome(lab, "A1")) == (State.FIT, "pass")
    first, second = lab.instruments()[0].log
    assert (first.what, first.mistaken) == ("lamp change", "op 2: it was bench 2")
    assert second.note == f"lamp change of {first.when:%Y-%m-%d}"
    assert lab.instruments()[0].touched == {"bench 1, visible": ()}
    with pytest.raises(NotFound):
        lab.log_instrument("bench 1", "mistaken entry", who="op 2", why="x", entry=entry.entry_id)


def test_a_state_is_told_from_when_it_began_not_from_its_latest_reason(lab: Archive) -> None:
    add(lab, run("Q1", MONDAY))
    for day, what in ((2, "lamp change"), (4, "service")):
        lab.log_instrument("bench 1", what, who="op 1", why="x", when=MONDAY + timedelta(days=day))
    now = lab.instruments()[0].configurations[0].now
    assert (now.since, now.reason.split(" on ")[0]) == (MONDAY + timedelta(days=2), "service")


def test_accessories_have_states_and_charts_of_their_own(lab: Archive) -> None:
    def with_accessory(made: Batch, accessory: str) -> Batch:
        rows = tuple(replace(each, accessory=accessory) for each in made.qualifications)
        return replace(made, qualifications=rows)

    add(lab, with_accessory(run("Q1", MONDAY, shift=0.9), "sphere"))
    add(lab, with_accessory(run("Q2", MONDAY + timedelta(days=1)), "tube"))
    (found,) = lab.instruments()[0].configurations
    assert found.state is State.UNFIT
    assert "with sphere: holmium failed" in found.now.reason
    assert [each.accessory for each in found.checks] == ["sphere"] * 2 + ["tube"] * 2
    chart = lab.check_chart("bench 1, visible", "holmium")
    assert (chart.accessory, chart.accessories) == ("tube", ("sphere", "tube"))
    assert chart.values == pytest.approx([0.1])
    of_sphere = lab.check_chart("bench 1, visible", "holmium", accessory="sphere")
    assert of_sphere.values == pytest.approx([0.9])
    assert "holmium at 361.3 nm with sphere" in of_sphere.title


def test_a_report_on_what_is_under_review_is_refused_unless_that_is_known(lab: Archive) -> None:
    add(lab, scans("A1", "A2"))
    lab.put_aside([identifier("A1")], who="quality", why="the check failed")
    told = {"customer": "customer 2", "lot": "L1", "who": "quality", "why": "sold"}
    with pytest.raises(NotAllowed, match=rf"under review: A1 \({identifier('A1')[:8]}\); release"):
        lab.note_report("R-14", **told)
    assert lab.reports() == []
    assert lab.note_report("R-14", **told, although_in_review=True).under_review == 1
