"""Instruments, doubts and reports on the command line."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from speclake.api import Archive
from tests.api.test_instruments import (
    CERTIFICATE,
    MONDAY,
    PROGRAMME,
    SPEC,
    add,
    run,
    scans,
)
from tests.build import batch, identifier
from tests.test_cli import speclake

ID = identifier("A1")


@pytest.fixture
def lab(tmp_path: Path) -> Path:
    """Archive with a scan of a part and one run of the checks of its instrument."""
    root = tmp_path / "lab"
    Archive.create(root, "lab").close()
    for folder in ("qualification", "standards"):
        (root / folder).mkdir(exist_ok=True)
    (root / "qualification/bench-1.toml").write_text(PROGRAMME, "utf-8")
    text = CERTIFICATE.format(number="C-1", issued="2024-01-10", until="2026-01-10")
    (root / "standards/holmium-1.toml").write_text(text, "utf-8")
    (root / "specs/plate.toml").write_text(SPEC, "utf-8")
    with Archive.open(root) as made:
        part = scans("A1")
        add(made, part)
        add(made, run("Q1", MONDAY - timedelta(days=1)))
        made.judge([ID], who="quality", why="first")
    return root


def test_state_numbers_standards_and_chart_of_an_instrument(lab: Path) -> None:
    (view,) = json.loads(speclake("instruments", "-a", lab, "--json"))
    (configuration,) = view["configurations"]
    assert (view["instrument"], configuration["state"]) == ("bench 1", "fit")
    assert [check["check"] for check in configuration["checks"]] == ["noise", "holmium"]
    told = speclake("instruments", "-a", lab)
    assert "bench 1, visible" in told and "fit" in told
    assert "found no instrument 'bench 9'" in speclake("instruments", "bench 9", "-a", lab, code=2)
    rows = json.loads(speclake("qualifications", "-a", lab, "--check", "holmium", "--json"))
    assert [row["outcome"] for row in rows] == ["pass"]
    assert "holmium" in speclake("qualifications", "-a", lab)
    (certificate,) = json.loads(speclake("standards", "-a", lab, "--json"))
    assert (certificate["standing"], certificate["needed_by"]) == (
        "expired" if datetime.now(UTC).date().isoformat() > "2026-01-10" else "valid",
        "holmium of bench 1, visible",
    )
    assert "HG-1" in speclake("standards", "-a", lab)
    chart = json.loads(speclake("check-chart", "bench 1, visible", "holmium", "-a", lab, "--json"))
    assert chart["points"][0]["value"] == pytest.approx(0.1)
    assert (chart["shows"], chart["limit_high"]) == ("error", 0.5)
    assert "error of holmium" in speclake("check-chart", "bench 1, visible", "holmium", "-a", lab)
    said = speclake("check-chart", "bench 1, visible", "colour", "-a", lab, code=2)
    assert "its checks are: noise, holmium" in said


def test_work_on_an_instrument_is_noted_from_the_command_line(lab: Path) -> None:
    who = ("--who", "op 1", "--why", "yearly")
    day = f"{MONDAY - timedelta(hours=12):%Y-%m-%dT%H:%M}"
    said = speclake("log-instrument", "bench 1", "service", "--when", day, *who, "-a", lab)
    assert "recorded: service of bench 1" in said
    (view,) = json.loads(speclake("instruments", "bench 1", "-a", lab, "--json"))
    assert view["configurations"][0]["state"] == "unknown"
    assert [each["what"] for each in view["log"]] == ["service"]
    assert "yearly" in speclake("instruments", "bench 1", "-a", lab)
    wrong = speclake("log-instrument", "bench 1", "polish", *who, "-a", lab, code=2)
    assert "expected one of lamp change" in wrong


def test_putting_aside_and_releasing_from_the_command_line(lab: Path) -> None:
    who = ("--who", "quality", "--why", "the check failed")
    assert "put aside 1" in speclake("put-aside", ID[:6], *who, "-a", lab)
    again = speclake("put-aside", ID, *who, "-a", lab, code=1)
    assert "put aside 0; 1 is under review already" in again
    report = ("report-issued", "R-15", "--customer", "customer 2", *who, "--id", ID[:7])
    refused = speclake(*report, "-a", lab, code=2)
    assert f"under review: A1 ({ID[:8]})" in " ".join(refused.split())
    assert "1 of them under review" in speclake(*report, "--although-in-review", "-a", lab)
    found = json.loads(speclake("find", "-a", lab, "--in-review", "--json"))
    assert [row["outcome"] for row in found["measurements"]] == ["not measurable"]
    assert "under review" in speclake("find", "-a", lab, "--in-review")
    assert "quality: the check failed" in speclake("show", ID, "-a", lab)
    assert "released 1" in speclake("release", ID[:8], *who, "-a", lab)
    assert "released 0; 1 is not under review" in speclake("release", ID, *who, "-a", lab, code=1)
    assert json.loads(speclake("find", "-a", lab, "--in-review", "--json"))["count"] == 0
    assert "nobody" in speclake("put-aside", "nobody", *who, "-a", lab, code=2)


def test_a_second_reason_for_review_is_told_and_released_by_itself(lab: Path) -> None:
    who = ("--who", "quality", "-a", lab)
    speclake("put-aside", ID, *who, "--why", "lamp flickered")
    said = speclake("put-aside", ID, *who, "--why", "wrong side up")
    assert said.splitlines() == [
        f"{ID[:8]} is under review already for: lamp flickered", "put aside 1",
    ]  # fmt: skip
    none = speclake("release", ID, *who, "--why", "looked", "--of", "dust", code=1)
    assert "released 0; 1 is not under review for dust" in none
    said = speclake("release", ID, *who, "--why", "looked", "--of", "wrong side up")
    assert said.splitlines() == [
        f"{ID[:8]} stays under review for: lamp flickered", "released 1",
    ]  # fmt: skip
    found = json.loads(speclake("find", "-a", lab, "--in-review", "--json"))
    assert [row["outcome"] for row in found["measurements"]] == ["not measurable"]
    speclake("put-aside", ID, *who, "--why", "wrong side up")
    said = speclake("release", ID, *who, "--why", "looked at both")
    assert f"{ID[:8]} was released from: lamp flickered; wrong side up" in said


def test_a_report_is_noted_from_the_command_line(lab: Path) -> None:
    words = ("report-issued", "R-14", "--customer", "customer 2", "--who", "quality", "--why", "s")
    said = speclake(*words, "--lot", "L1", "-a", lab)
    assert said.strip() == "recorded: report R-14 for customer 2 on 2 measurements"
    shown = json.loads(speclake("show", ID, "-a", lab, "--json"))
    assert [text.partition(",")[0] for text in shown["reports"]] == ["R-14 for customer 2"]
    assert shown["review"] is None
    again = speclake(*words, "--id", ID, "-a", lab, code=2)
    assert "already" in again


def test_findings_are_listed_on_the_command_line(lab: Path) -> None:
    with Archive.open(lab) as archive:
        made = batch("A1")
        archive.store.commit(
            lambda _: type(made)(findings=made.findings), who="t", why="t", kind="t"
        )
    (row,) = json.loads(speclake("findings", "-a", lab, "--check", "baseline", "--json"))
    assert row["text"] == "the baseline was 3 days old"
    assert "the baseline was 3 days old" in speclake("findings", "-a", lab, "--lot", "L1")
    lines = speclake("findings", "-a", lab, "--lot", "L1").splitlines()
    assert lines[0].startswith("baseline (")
    assert lines[1].startswith(f"  {ID}") and "lot L1" in lines[1], "the part stands above the text"
    assert lines[2].strip() == "the baseline was 3 days old"
    assert json.loads(speclake("findings", "-a", lab, "--check", "spike", "--json")) == []
    said = speclake("findings", "-a", lab, "--check", "nothing", code=2)
    assert "found 'nothing'; expected one of remark, doubt" in " ".join(said.split())
    assert json.loads(speclake("find", "-a", lab, "--finding", "remark", "--json"))["count"] == 1


def test_states_are_told_of_another_day(lab: Path) -> None:
    before = f"{MONDAY - timedelta(days=30):%Y-%m-%d}"
    said = speclake("instruments", "-a", lab, "--on", before)
    assert said.startswith(f"As things stood at the end of {before}:") and " fit " not in said
    assert "yet to come" in speclake("instruments", "-a", lab, "--on", "2999-01-01", code=2)
