"""The demo, end to end through the watcher, against what its generator says it contains."""

from collections.abc import Iterator

import polars as pl
import pytest
from speclake_demo.generate import Summary, summary

from speclake.api import Archive
from speclake.demo import running
from speclake.measurement import Kind
from speclake.specs import Outcome

KNOWN: Summary = summary()


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Archive]:
    folder = tmp_path_factory.mktemp("demo")
    with running(folder, with_pages=False, port=None, say=lambda _: None) as service:
        service.close()
        yield service.archive


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
    late = archive.find(lot="W2602", instrument="bench C", limit=None)
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


def test_archive_is_whole(archive: Archive) -> None:
    assert archive.verify() == []
    before = archive.find(limit=None)
    archive.rebuild()
    assert archive.find(limit=None).equals(before)
