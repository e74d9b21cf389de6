"""What the catalogue says of findings, figures, qualifications, reviews, logs and reports."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from speclake.archive.catalog import FINDINGS, Query, usual
from speclake.archive.rows import (
    Batch,
    EventKind,
    EventRow,
    FindingRow,
)
from speclake.checks import Check, Severity
from speclake.measurement import Kind
from speclake.specs.verdicts import Outcome
from tests.archive.cataloguing import World, read_at_once, shown
from tests.build import NOON, batch, event, figure, identifier, qualification, standard


def found(name: str, check: Check = Check.NOISE, severity: Severity = Severity.DOUBT) -> FindingRow:
    return FindingRow(
        finding_id=identifier(f"{check} {name}"),
        measurement_id=identifier(name),
        check=check,
        severity=severity,
        text=f"{check} of {name}",
    )


def scans(*names: str, **changes: Any) -> Batch:
    """Scans of bench 1, an hour apart."""
    made = batch(*names, judged=False)
    facts = {"kind": Kind.PART, "instrument": "bench 1", "lot": "L1"} | changes
    return replace(
        made,
        measurements=tuple(
            replace(m, trusted_at=NOON + timedelta(hours=i), **facts)
            for i, m in enumerate(made.measurements)
        ),
    )


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    made = World(tmp_path / "lab")
    yield made
    made.store.close()


def test_a_measurement_under_review_says_who_wants_it_and_why(world: World) -> None:
    world.add(scans("A1", "A2"))
    world.catalog.publish()
    world.add(Batch(events=(event("A1", EventKind.PUT_ASIDE),)))
    row = world.catalog.row(identifier("A1"))
    assert (row["in_review"], row["review_by"]) == (True, "operator")
    assert row["review_why"] == "read from the run sheet"
    assert world.catalog.search(Query(in_review=True))["sample"].to_list() == ["A1"]
    assert world.catalog.search(Query(in_review=False))["sample"].to_list() == ["A2"]
    assert world.catalog.totals()["in_review"] == 1
    later = NOON + timedelta(hours=1)
    world.add(Batch(events=(event("A1", EventKind.RELEASE, later),)))
    row = world.catalog.row(identifier("A1"))
    assert (row["in_review"], row["review_by"], row["review_why"]) == (False, None, None)
    assert not row["withdrawn"]


def test_findings_are_searched_and_counted(world: World) -> None:
    first = scans("A1", "A2", "A3")
    remark = found("A2", Check.DIGITS, Severity.REMARK)
    world.add(replace(first, findings=(found("A1"), remark, found("A3"))))
    world.add(Batch(events=(event("A3", EventKind.WITHDRAW),)))
    asked = {word: world.catalog.count(Query(finding=word)) for word in ("noise", "doubt", "spike")}
    assert asked == {"noise": 1, "doubt": 1, "spike": 0}
    listed = world.catalog.findings_of(Query(lot="L1"))
    assert listed["text"].to_list() == ["coarse digits of A2", "noise of A1"]
    assert listed["instrument"].to_list() == ["bench 1"] * 2
    assert world.catalog.findings_of(Query(limit=1, offset=1))["sample"].to_list() == ["A1"]
    only = world.catalog.findings_of(Query(finding="remark"))
    assert only["check"].to_list() == ["coarse digits"]
    counts = world.catalog.finding_counts(until=NOON + timedelta(hours=1))
    assert counts.to_dicts() == [
        {"check": "noise", "severity": "doubt", "day": NOON.date(), "instrument": "bench 1",
         "findings": 1, "measurements": 1}
    ]  # fmt: skip
    with pytest.raises(ValueError, match="finding: found 'under review'"):
        Query(finding="under review")
    assert "doubt" in FINDINGS


def test_a_finding_given_again_is_one(world: World) -> None:
    world.add(replace(scans("A1"), findings=(found("A1"),), figures=(figure("A1", 0.1),)))
    world.catalog.publish()
    again = replace(figure("A1", 0.1), figure_id=identifier("another"))
    world.add(Batch(findings=(found("A1"),), figures=(again, again)))
    assert len(world.catalog.findings([identifier("A1")])) == 1
    assert world.catalog.figures()["value"].to_list() == [0.1]
    newer = replace(again, version="2", value=0.2)
    world.add(Batch(figures=(newer,)))
    assert world.catalog.figures()["value"].to_list() == [0.1, 0.2]


def test_figures_come_with_what_tells_the_measurement(world: World) -> None:
    made = scans("A1", "A2", "A3")
    steps = tuple(figure(n, 0.3, name="step", at=860.0) for n in ("A1", "A2"))
    noise = tuple(figure(n, v) for n, v in (("A1", 0.01), ("A2", 0.02), ("A3", 0.03)))
    world.add(replace(made, figures=(*steps, *noise)))
    listed = world.catalog.figures(instrument="bench 1", name="noise", since=NOON)
    assert listed["value"].to_list() == [0.01, 0.02, 0.03]
    assert listed["sample"].to_list() == ["A1", "A2", "A3"]
    assert listed["trusted_at"][0] == NOON
    two = world.catalog.figures(name="step", until=NOON + timedelta(hours=1))
    assert two["at"].to_list() == [860.0]
    assert world.catalog.figures(instrument="bench 2").is_empty()
    assert len(world.catalog.figures([identifier("A1")])) == 2


def test_usual_noise_is_the_median_of_the_last_scans_without_a_doubt(world: World) -> None:
    """NumPy's median, and 1.4826 times that of the absolute deviations."""
    values = {f"A{i}": 0.010 + 0.001 * (i * 7 % 5) for i in range(9)}
    made = scans(*values)
    figures = (
        *(figure(name, value) for name, value in values.items()),
        *(figure(name, 5.0, start=860.0, stop=1100.0) for name in ("A0", "A1")),
        figure("A8", 1.0, unit="A"),
    )
    world.add(replace(made, figures=figures, findings=(found("A8"), found("A2", Check.SPIKE))))
    world.add(Batch(events=(event("A7", EventKind.WITHDRAW), event("A6", EventKind.PUT_ASIDE))))
    usual = world.catalog.usual_figures([("bench 1", None), ("bench 2", "sphere")], 4)
    kept = np.array([values[f"A{i}"] for i in (5, 4, 3, 1)])
    first, second = usual.to_dicts()
    spread = 1.4826 * np.median(np.abs(kept - np.median(kept)))
    assert first["median"] == pytest.approx(np.median(kept), rel=1e-12)
    assert first["spread"] == pytest.approx(spread, rel=1e-9)
    assert (first["scans"], first["start"], first["stop"], first["unit"]) == (4, 400, 860, "%T")
    assert (second["scans"], second["median"], second["spread"]) == (2, 5.0, 0.0)
    earlier = world.catalog.usual_figures([("bench 1", None)], 4, before=NOON + timedelta(hours=2))
    assert earlier["scans"].to_list() == [2, 2]
    assert world.catalog.usual_figures([], 4).columns == usual.columns
    assert world.catalog.usual_figures([("bench 1", "sphere")], 4).is_empty()


@pytest.mark.parametrize("seed", range(4))
def test_usual_noise_is_the_same_wherever_the_last_scans_lie(
    world: World, seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Against plain sorting in Python; scans are taken in out of the order of their times."""
    random = np.random.default_rng(seed)
    names = [f"A{i}" for i in range(60)]
    made = scans(*names)
    hours = random.permutation(60) if seed % 2 else np.arange(60)
    holders = [("bench 1", None), ("bench 1", "sphere"), ("bench 2", None)]
    of = [holders[0 if i > 50 else int(k)] for i, k in enumerate(random.integers(0, 3, 60))]
    measurements = tuple(
        replace(m, trusted_at=NOON + timedelta(hours=int(h)), instrument=c[0], accessory=c[1])
        for m, h, c in zip(made.measurements, hours, of, strict=True)
    )
    values = random.gamma(9.0, 0.003, 60)
    world.add(
        replace(
            made,
            measurements=measurements,
            figures=tuple(figure(n, v) for n, v in zip(names, values.tolist(), strict=True)),
        )
    )
    monkeypatch.setattr(usual, "_NEAR", 20)
    monkeypatch.setattr(usual, "_LOOKED_AT", 1)
    before = NOON + timedelta(hours=int(random.integers(20, 70)))
    told = world.catalog.usual_figures(holders, 5, before=before).to_dicts()
    expected = {}
    for holder in holders:
        own = sorted(
            (h, v)
            for h, v, c in zip(hours.tolist(), values.tolist(), of, strict=True)
            if c == holder and NOON + timedelta(hours=h) < before
        )[-5:]
        if own:
            expected[holder] = (len(own), pytest.approx(np.median([v for _, v in own])))
    assert {(r["instrument"], r["accessory"]): (r["scans"], r["median"]) for r in told} == expected


def test_the_latest_blank_of_a_configuration(world: World) -> None:
    world.add(scans("B1", "B2", "B3", kind=Kind.BLANK))
    other = replace(scans("C1", kind=Kind.BLANK, accessory="sphere"), axes=())
    world.add(other)
    world.add(Batch(events=(event("B3", EventKind.WITHDRAW),)))

    def latest(accessory: str | None, before: datetime | None = None) -> str | None:
        scan = world.catalog.latest_of_kind(
            "bench 1", accessory, "transmittance", Kind.BLANK, before
        )
        return scan.sample if scan else None

    assert latest(None) == "B2"
    assert latest(None, NOON + timedelta(hours=1)) == "B1"
    assert latest(None, NOON) is None
    assert latest("sphere") == "C1"
    day = timedelta(days=1)
    lines = world.catalog.measured_against_nothing(["bench 1"], NOON - day, NOON + day)
    assert [m.sample for m in lines] == ["B1", "B2", "C1"]


def test_qualifications_by_instrument_programme_and_time(world: World) -> None:
    later = NOON + timedelta(days=7)
    rows = (qualification("A1"), qualification("A2", later, outcome=Outcome.FAIL))
    world.add(replace(scans("A1", "A2", "A3"), qualifications=rows, standards=(standard(),)))
    world.add(Batch(qualifications=(rows[1],)))
    everything = world.catalog.qualifications(instrument="bench 1")
    assert everything["outcome"].to_list() == ["pass", "fail"]
    assert world.catalog.qualifications(programme="bench 1", since=later).height == 1
    assert world.catalog.qualifications(check="holmium", until=later).height == 1
    assert world.catalog.qualifications(instrument="bench 2").is_empty()
    world.add(Batch(events=(event("A2", EventKind.WITHDRAW),)))
    assert world.catalog.qualifications()["outcome"].to_list() == ["pass"]
    assert world.catalog.qualifications(counting=False).height == 2
    assert world.catalog.standard(standard().standard_version) == standard()
    assert world.catalog.standard("none") is None
    assert world.catalog.standards() == [standard()]


def test_the_log_of_an_instrument_is_in_the_order_of_what_was_done(world: World) -> None:
    def entry(what: str, when: str) -> EventRow:
        return replace(
            event(what, EventKind.LOG_INSTRUMENT, what=what, when=when), subject="bench 1"
        )

    world.add(
        Batch(
            events=(
                entry("service", "2026-03-09T08:00:00+00:00"),
                entry("lamp change", "2026-03-02T08:00:00+00:00"),
            )
        )
    )
    log = world.catalog.log_entries("bench 1")
    assert [each.details["what"] for each in log] == ["lamp change", "service"]
    assert world.catalog.log_entries("bench 2") == []
    assert len(world.catalog.log_entries()) == 2


def test_reports_are_found_by_what_they_speak_of(world: World) -> None:
    world.add(scans("A1", "A2"))
    issued = event("A1", EventKind.ISSUE_REPORT, report="R-7", customer="optics buyer")
    own = replace(
        event("R-7", EventKind.ISSUE_REPORT, customer="optics buyer", count="1"), subject="R-7"
    )
    world.add(Batch(events=(own, issued)))
    on = world.catalog.reports_on([identifier("A1"), identifier("A2")])
    assert on.select("measurement_id", "report", "customer").rows() == [
        (identifier("A1"), "R-7", "optics buyer")
    ]
    assert [each.subject for each in world.catalog.reports()] == ["R-7"]


def test_the_new_tables_are_kept_through_sealing_and_seen_by_every_reader(world: World) -> None:
    for i, names in enumerate((("A1", "A2"), ("A3",))):
        made = scans(*names)
        world.add(
            replace(
                made,
                axes=made.axes if i == 0 else (),
                findings=tuple(found(n) for n in names),
                figures=tuple(figure(n, 0.01) for n in names),
                qualifications=tuple(qualification(n) for n in names),
                standards=(standard(),),
                events=(event(names[0], EventKind.PUT_ASIDE),),
            )
        )
    seen = shown(world.catalog)
    assert len(seen["figures"]) == len(seen["qualifications"]) == 3
    assert len(seen["standards"]) == 1
    world.clock.move(days=40)
    world.store.seal(world.clock.time.date(), who="a", why="b")
    world.store.clean(timedelta(0))
    assert world.store.verify() == []
    world.catalog.refresh()
    assert read_at_once(world.root, 1, 1) == shown(world.catalog)
    world.catalog.rebuild()
    assert {k: v for k, v in shown(world.catalog).items() if k not in ("moves", "commits")} == {
        k: v for k, v in seen.items() if k not in ("moves", "commits")
    }


@pytest.mark.parametrize(
    ("rows", "told"),
    [
        ({"figures": (figure("nobody", 0.1),)}, "figures, measurement_id"),
        (
            {"qualifications": (qualification("nobody"),), "standards": (standard(),)},
            "qualifications, measurement_id",
        ),
        ({"qualifications": (qualification("A1"),)}, "qualifications, programme_version"),
    ],
)
def test_a_row_that_names_what_is_not_there_is_damage(
    world: World, rows: dict[str, Any], told: str
) -> None:
    world.add(replace(scans("A1"), **rows))
    assert [damage.path for damage in world.store.verify()] == [told]
