"""The demo, end to end through the watcher, against what its generator says it contains."""

from collections.abc import Iterator
from datetime import UTC, datetime
from math import erf, sqrt

import numpy as np
import polars as pl
import pytest
from speclake_demo.generate import Summary, summary
from speclake_demo.glasses import COMPARISON_PERCENT
from speclake_demo.people import ASIDE, CONCEDED, COUNTED, REPORT
from speclake_demo.troubles import STEP_PERCENT
from speclake_demo.turntable import DULL_FILTER, FILTER, MORE_THAN_BENCH_A, SPLITTER

from speclake.api import Archive
from speclake.api.instruments import instruments
from speclake.api.parts import PartReport
from speclake.archive.rows import EventKind
from speclake.demo import highlights, put_on_record, running
from speclake.measurement import Kind
from speclake.specs import Outcome

KNOWN: Summary = summary()
SAID: list[str] = []


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Archive]:
    folder = tmp_path_factory.mktemp("demo")
    with running(folder, with_pages=False, port=None, say=SAID.append) as service:
        service.close()
        yield service.archive


def verdicts_on(archive: Archive, product: str, requirement: str) -> list[dict[str, object]]:
    """Verdicts of a requirement on every spectrum of a product, with serial and sample."""
    names = archive.find(product=product, limit=None).select("measurement_id", "serial", "sample")
    found = archive.verdicts(product=product).filter(pl.col("requirement") == requirement)
    assert found.height > 0
    return found.join(names, on="measurement_id").to_dicts()


def filter_named(archive: Archive, serial: str) -> PartReport:
    (part,) = archive.part_verdicts(product=FILTER, serial=serial)
    return part


def outcomes(archive: Archive, spec: str) -> dict[str, Outcome]:
    product = spec.split(",")[0]
    return {
        part.part: each.verdict.outcome
        for part in archive.part_verdicts(product=product)
        for each in part.specs
        if each.specification.name == spec
    }


def test_every_state_of_every_file_has_its_line_in_the_ledger(archive: Archive) -> None:
    files = archive.files(limit=None)
    assert files.height == KNOWN.states
    assert files["path"].n_unique() + files.filter(pl.col("path") == "zero line.txt").height >= 1
    refused = files.filter(pl.col("outcome") == "refused")
    assert sorted(refused["path"]) == sorted(path.split("/", 1)[1] for path in KNOWN.refused)
    assert refused["found"].str.len_chars().min() > 0
    assert refused["expected"].str.len_chars().min() > 0


def test_every_scan_is_there_once_and_of_its_kind(archive: Archive) -> None:
    found = archive.find(limit=None, in_conflict=None)
    in_dispute = archive.find(in_conflict=True, limit=None)
    assert found.height == KNOWN.scans + 1  # the claim of the second site is kept beside the first
    kinds = dict(found["kind"].value_counts().iter_rows())
    kinds[Kind.PART] -= 1
    assert kinds == KNOWN.scans_of_kind
    assert sorted(in_dispute["site"]) == ["5", "6"]


def test_failing_parts_fail_and_no_other(archive: Archive) -> None:
    for spec, failing in KNOWN.failing.items():
        found = outcomes(archive, spec)
        assert {part for part, o in found.items() if o is Outcome.FAIL} == set(failing), spec


def test_undecided_parts_are_undecided_and_no_other(archive: Archive) -> None:
    for spec in KNOWN.failing:
        expected = set(KNOWN.undecided.get(spec, ()))
        found = outcomes(archive, spec)
        assert {part for part, o in found.items() if o is Outcome.UNDECIDED} == expected, spec


def test_parts_that_lack_a_site_are_incomplete_and_never_pass(archive: Archive) -> None:
    found = outcomes(archive, "cover panel")
    assert {p for p, o in found.items() if o is Outcome.INCOMPLETE} == set(KNOWN.incomplete)


def test_drift_is_out_of_control_before_it_is_out_of_spec(archive: Archive) -> None:
    chart = archive.control_chart(
        product="camera window",
        spec="camera window",
        requirement="mean",
        per="coating_run",
        base_points=15,
    )
    first_out = chart.labels[int(chart.chart.out.argmax())]
    beyond_spec = [
        label
        for label, value in zip(chart.labels, chart.chart.points, strict=True)
        if chart.limit_low is not None and value < chart.limit_low
    ]
    assert first_out == KNOWN.first_run_beyond_control_limit
    assert beyond_spec[0] == KNOWN.first_run_beyond_spec_limit
    assert chart.labels.index(first_out) < chart.labels.index(beyond_spec[0])


def test_later_run_sheet_told_which_scans_are_which_as_events(archive: Archive) -> None:
    late = archive.find(lot="W2602", instrument="bench C", kind="part", limit=None)
    assert late.height == 39
    (event,) = archive.events(late["measurement_id"][0])
    assert event.who.startswith("run sheet run sheet W2602.csv, line ")
    assert set(late["outcome"]) == {"pass", "fail"}


def test_clock_that_is_wrong_is_remarked(archive: Archive) -> None:
    found = archive.find(limit=None)["measurement_id"].to_list()
    clocks = archive.findings(found).filter(pl.col("check") == "clocks")
    assert clocks.height == 1


def test_export_saved_again_supersedes_its_first_state(archive: Archive) -> None:
    assert archive.totals()["superseded"] == 1


def test_what_splitters_do_to_unpolarised_light_is_drawn_from_s_and_p(archive: Archive) -> None:
    for verdict in verdicts_on(archive, SPLITTER, "split"):
        lead, *others = archive.measurements([verdict["measurement_id"], *verdict["drawn_from"]])
        assert (lead.polarisation, [each.polarisation for each in others]) == ("s", ["p"])
        (derived,) = archive.derived([verdict["spectrum"]])
        seen = {m.polarisation: archive.spectra([m.measurement_id])[0] for m in (lead, *others)}
        mean = (seen["s"].values[0] + seen["p"].values[0]) / 2
        assert derived.values[0] == pytest.approx(mean, abs=1e-9)


def test_loss_of_splitters_waited_for_the_transmittance_of_the_next_day(archive: Archive) -> None:
    found = verdicts_on(archive, SPLITTER, "loss")
    for verdict in found:
        through, back = archive.measurements([verdict["measurement_id"], *verdict["drawn_from"]])
        assert through.polarisation == back.polarisation == "s"
        assert (through.unit, back.unit) == ("%T", "%R")
        assert through.scanned_at > back.scanned_at
        (derived,) = archive.derived([verdict["spectrum"]])
        t, r = (archive.spectra([m.measurement_id])[0].values[0] for m in (through, back))
        assert derived.values[0] == pytest.approx(100 - t - r, abs=1e-9)
        # nobody claims absorptance where only the regular light was gathered
        assert "absorptance plus scatter" in str(verdict["description"])
    assert {v["serial"] for v in found if v["outcome"] == "fail"} == set(KNOWN.failing[SPLITTER])
    assert len(found) == 3


def test_edges_have_their_uncertainty_from_the_scale_of_the_bench(archive: Archive) -> None:
    """An error of the scale moves the edge by itself; the budget says u = 0.08 nm, and k = 2."""
    found = verdicts_on(archive, FILTER, "cut-on")
    assert len(found) == 9
    for verdict in found:
        assert verdict["uncertainty"] == pytest.approx(0.16, abs=0.003)


def test_guarded_filter_fails_inside_its_limit_with_its_probability(archive: Archive) -> None:
    (verdict,) = [v for v in verdicts_on(archive, FILTER, "passband") if v["serial"] == DULL_FILTER]
    value, low, expanded = (float(str(verdict[key])) for key in ("value", "low", "uncertainty"))
    assert (verdict["rule"], verdict["outcome"]) == ("guarded acceptance", "fail")
    assert low < value < low + 1.65 * expanded / 2
    probability = (1 + erf((value - low) / (expanded / 2) / sqrt(2))) / 2
    assert verdict["conformity"] == pytest.approx(probability, abs=1e-4)
    assert 0.5 < probability < 0.95


def test_blocking_is_a_bound_and_witness_pieces_answer_for_every_filter(archive: Archive) -> None:
    found = verdicts_on(archive, FILTER, "blocking")
    assert {v["sample"] for v in found} == {"EF1-W", "EF2-W", "EF3-W", "EF4-W"}
    assert {(v["bound"], v["shown"], v["outcome"]) for v in found} == {("at least", "5.40", "pass")}
    parts = archive.part_verdicts(product=FILTER)
    assert len(parts) == 8
    for part in parts:
        (each,) = part.specs
        assert any(f"{part.lot}-W of coating run" in said for said in each.verdict.remarks)


def test_later_lots_are_judged_by_the_later_revision(archive: Archive) -> None:
    parts = archive.part_verdicts(product=FILTER)
    found = {part.lot: part.specs[0].specification.revision for part in parts}
    assert found == {"EF1": "A", "EF2": "A", "EF3": "B", "EF4": "B"}


def test_repeat_counts_alone_and_the_failed_scan_stays_in_sight(archive: Archive) -> None:
    assert (COUNTED.serial,) == KNOWN.counted_alone
    verdict = filter_named(archive, COUNTED.serial).specs[0].verdict
    assert verdict.outcome is Outcome.PASS
    (told,) = [said for said in verdict.remarks if "measured 2 times" in said]
    assert COUNTED.who in told and COUNTED.why in told
    assert "not counted: fail" in told


def test_accepted_filter_stays_failed_and_says_who_accepts_it(archive: Archive) -> None:
    assert (CONCEDED.serial,) == KNOWN.conceded
    part = filter_named(archive, CONCEDED.serial)
    assert part.outcome is Outcome.FAIL
    (concession,) = archive.concessions(part.measurement_ids).all
    assert (concession.who, concession.why) == (CONCEDED.who, CONCEDED.why)
    assert concession.requirements == (CONCEDED.requirement,)
    assert "op 9" in archive.accepted(part.measurement_ids)[part.measurement_ids[0]]
    failing = archive.find(product=FILTER, outcome="fail", limit=None)["measurement_id"].to_list()
    assert set(archive.accepted(failing)) == set(part.measurement_ids)


def test_people_say_it_once_however_often_the_demo_starts(archive: Archive) -> None:
    before = archive.totals()
    put_on_record(archive)
    archive.refresh()
    assert archive.totals() == before
    (key,) = filter_named(archive, CONCEDED.serial).measurement_ids
    assert [e.kind for e in archive.events(key)].count(EventKind.CONCEDE) == 1


def test_demo_tells_what_it_has_beside_plain_numbers(archive: Archive) -> None:
    lines = highlights(archive)
    assert [said for said in SAID if said in lines] == lines
    verdicts, people, instruments = lines
    for words in (
        "6 drawn from several scans",
        "4 by a guarded rule",
        "4 that say 'at least' of an optical density",
        "no certification of protective equipment",
    ):
        assert words in verdicts
    assert "1 repeat counts alone, 1 failed part accepted by concession" in people
    assert "3 put aside" in instruments
    assert "2 scans, of which 1 could get another verdict" in instruments


def found_by(archive: Archive, check: str, **query: object) -> pl.DataFrame:
    """Findings of one check, with what tells their measurement."""
    return archive.findings(finding=check, limit=None, **query)


def test_purge_failure_is_named_where_the_bottle_ran_dry(archive: Archive) -> None:
    doubts = found_by(archive, "oxygen bands").filter(severity="doubt")
    assert set(doubts["serial"]) == {"W2601-03"}
    found = {int(site) for site in doubts["site"]}
    assert 9 in found, "where there was most of it"
    assert found <= set(range(6, 13)) and len(found) >= 3
    assert set(archive.find(in_review=True, limit=None)["site"]) == set(ASIDE.sites)


def test_step_after_the_service_is_found_on_the_blank_and_on_parts_of_that_week(
    archive: Archive,
) -> None:
    steps = found_by(archive, "change-over").filter(pl.col("value").abs() > 0.2)
    weeks = {(day - datetime(2026, 3, 2, tzinfo=UTC)).days // 7 for day in steps["trusted_at"]}
    assert weeks == {6}
    assert {"blank", "part"} <= set(steps["kind"])
    blank = steps.filter(kind="blank").row(0, named=True)
    assert blank["severity"] == "doubt"
    assert blank["value"] == pytest.approx(STEP_PERCENT, abs=0.02)


def test_noise_decides_on_the_dark_filters_and_on_no_other_part(archive: Archive) -> None:
    noisy = found_by(archive, "noise").filter(severity="doubt")
    assert set(noisy["serial"]) == {f"DF1-0{number}" for number in range(1, 5)}


def test_states_follow_service_and_the_end_of_a_certificate(archive: Archive) -> None:
    over_time = {
        each.programme.name: each
        for view in instruments(archive, datetime(2026, 5, 9, tzinfo=UTC))
        for each in view.configurations
    }
    states = {name: str(each.state) for name, each in over_time.items()}
    assert states == {
        "bench A, near infrared": "fit",
        "bench A, ultraviolet and visible": "unknown",
        "bench C, deep ultraviolet": "fit",
        "bench D, reflectance": "fit",
        "bench E, transmittance": "fit",
    }
    assert "2026-04-30" in over_time["bench A, ultraviolet and visible"].now.reason
    unfit = {
        name: [s for s in each.stretches if str(s.state) == "unfit"]
        for name, each in over_time.items()
    }
    assert [name for name, found in unfit.items() if found] == [
        "bench A, near infrared", "bench E, transmittance",
    ]  # fmt: skip


def test_look_back_names_the_filters_their_report_and_what_could_change(archive: Archive) -> None:
    back = archive.look_back("bench E")
    assert set(back.measurements["serial"]) == {"EF4-01", "EF4-02"}
    assert set(back.reports["report"]) == {REPORT.number}
    (changing,) = back.changing
    assert archive.measurement(changing).serial == CONCEDED.serial


def test_two_benches_differ_by_what_the_story_says(archive: Archive) -> None:
    found = archive.compare_instruments("bench E", "bench A")
    share = found.differences.mean(axis=1) / np.array(COMPARISON_PERCENT)
    assert sorted(share)[2:4] == pytest.approx(2 * [MORE_THAN_BENCH_A], abs=0.0006)


def test_archive_is_whole(archive: Archive) -> None:
    assert archive.verify() == []
    before = archive.find(limit=None)
    archive.rebuild()
    assert archive.find(limit=None).equals(before)
