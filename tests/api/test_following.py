"""Verdicts, parts and lots follow what is learned later, and nothing lingers or slips through."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from speclake.api import Archive
from speclake.api.events import NotAllowed
from speclake.errors import NotFound
from speclake.measurement import LinkKind
from speclake.specs import Outcome
from tests.labs import SPEC, export, write_files

BY = {"who": "op 1", "why": "the label was read again"}


@pytest.fixture
def archive(tmp_path: Path) -> Iterator[Archive]:
    with Archive.create(tmp_path / "lab", "lab") as made:
        write_files(made.root)
        yield made


def taken(archive: Archive, folder: Path, name: str, lowest: float, **header: str) -> str:
    """Identifier of a scan that was just taken in; header entries replaced or removed."""
    file = export(name, lowest, folder)
    text = file.read_text("utf-8")
    for entry, value in header.items():
        line = next(line for line in text.splitlines() if line.startswith(f"{entry}:"))
        text = text.replace(f"{line}\n", f"{entry}: {value}\n" if value else "")
    file.write_text(text, "utf-8")
    before = set(archive.find(limit=None)["measurement_id"])
    archive.ingest([file])
    (new,) = set(archive.find(limit=None)["measurement_id"]) - before
    return new


def outcome(archive: Archive, measurement_id: str) -> str | None:
    (found,) = archive.find(ids=(measurement_id,))["outcome"]
    return found


def write_spec(archive: Archive, name: str, text: str) -> None:
    (archive.root / f"specs/{name}.toml").write_text(text, "utf-8")


def test_assigning_the_product_brings_its_verdict_at_once(archive: Archive, tmp_path: Path) -> None:
    name = taken(archive, tmp_path, "S1", 91.0, Product="")
    assert outcome(archive, name) is None
    archive.assign([name], {"product": "plate"}, **BY)
    assert outcome(archive, name) == "pass"


def test_verdict_lapses_when_the_part_turns_out_to_be_another(
    archive: Archive, tmp_path: Path
) -> None:
    write_spec(archive, "glass", SPEC.replace('"plate"', '"glass"').replace("90.0", "80.0"))
    name = taken(archive, tmp_path, "S1", 85.0)
    assert outcome(archive, name) == "fail"
    archive.assign([name], {"product": "glass"}, **BY)
    assert outcome(archive, name) == "pass"
    assert set(archive.verdicts([name])["spec"]) == {"glass"}
    past = archive.store.catalog.verdicts([name], current=False)
    assert past["outcome"].to_list() == ["fail", "lapsed", "pass"]
    archive.assign([name], {"kind": "blank"}, **BY)
    assert outcome(archive, name) is None


def test_lot_does_not_pass_while_a_part_has_only_withdrawn_scans(
    archive: Archive, tmp_path: Path
) -> None:
    taken(archive, tmp_path, "S1", 91.0)
    second = taken(archive, tmp_path, "S2", 92.0)
    assert archive.lot_verdict("L1").outcome is Outcome.PASS
    archive.withdraw([second], **BY)
    assert archive.count() == 1
    report = archive.lot_verdict("L1")
    assert report.outcome is Outcome.INCOMPLETE
    assert [part.set_aside for part in report.parts] == [0, 1]


def test_lot_counts_a_failing_scan_of_a_part_without_a_name(
    archive: Archive, tmp_path: Path
) -> None:
    taken(archive, tmp_path, "S1", 91.0)
    nameless = taken(archive, tmp_path, "S2", 80.0, Sample="")
    assert archive.lot_verdict("L1").outcome is Outcome.FAIL
    archive.assign([nameless], {"sample": "S2"}, **BY)
    (first, second) = archive.lot_verdict("L1").parts
    assert (first.outcome, second.part, second.outcome) == (Outcome.PASS, "S2", Outcome.FAIL)


def test_lot_with_a_part_that_no_specification_knows_is_incomplete(
    archive: Archive, tmp_path: Path
) -> None:
    taken(archive, tmp_path, "S1", 91.0)
    taken(archive, tmp_path, "S2", 92.0, Product="mirror")
    assert archive.lot_verdict("L1").outcome is Outcome.INCOMPLETE


def test_adopted_revision_is_kept_and_judges_the_order_at_once(
    archive: Archive, tmp_path: Path
) -> None:
    first = taken(archive, tmp_path, "S1", 91.0)
    write_spec(archive, "plate", SPEC.replace("90.0", "91.5"))
    second = taken(archive, tmp_path, "S2", 91.2)
    assert outcome(archive, second) == "pass", "an open lot keeps what it was begun with"
    archive.adopt_revision("L1", "plate", **BY)
    assert {outcome(archive, first), outcome(archive, second)} == {"fail"}
    assert archive.lot_verdict("L1").outcome is Outcome.FAIL
    write_spec(archive, "plate", SPEC.replace("90.0", "99.0"))
    third = taken(archive, tmp_path, "S3", 92.0)
    assert outcome(archive, third) == "pass", "what was adopted outlives the next edit"


def test_revision_that_begins_later_leaves_an_open_order_its_own(
    archive: Archive, tmp_path: Path
) -> None:
    taken(archive, tmp_path, "S1", 91.0)
    later = SPEC.replace("products", "effective_from = 2099-01-01\nproducts")
    write_spec(archive, "plate", later.replace("90.0", "95.0"))
    assert outcome(archive, taken(archive, tmp_path, "S2", 92.0)) == "pass"


def test_slip_in_a_specification_leaves_the_ones_before_in_force(
    archive: Archive, tmp_path: Path
) -> None:
    taken(archive, tmp_path, "S1", 91.0)
    write_spec(archive, "plate", "name = 1\n")
    assert outcome(archive, taken(archive, tmp_path, "S2", 92.0)) == "pass"
    assert "plate.toml" in archive.judge_step.book.trouble


def disputed(archive: Archive, folder: Path) -> tuple[str, str]:
    first = taken(archive, folder, "S1", 91.0)
    file = export("S2", 91.0, folder)
    archive.ingest([file])
    (second,) = set(archive.find()["measurement_id"]) - {first}
    assert archive.count(in_conflict=True) == 2
    return first, second


def test_settling_either_party_of_a_conflict_clears_both_and_judges(
    archive: Archive, tmp_path: Path
) -> None:
    first, second = disputed(archive, tmp_path)
    assert archive.lot_verdict("L1").outcome is Outcome.INCOMPLETE
    archive.settle_conflict([first], **BY)
    assert archive.count(in_conflict=True) == 0
    assert {outcome(archive, first), outcome(archive, second)} == {"pass"}
    with pytest.raises(NotFound, match="no conflict"):
        archive.settle_conflict([first], **BY)


def test_withdrawing_the_wrong_claim_frees_the_right_scan(archive: Archive, tmp_path: Path) -> None:
    first, second = disputed(archive, tmp_path)
    archive.withdraw([second], **BY)
    assert archive.count(in_conflict=True) == 0
    assert outcome(archive, first) == "pass"


def test_links_lead_to_something_else_and_not_round(archive: Archive, tmp_path: Path) -> None:
    first = taken(archive, tmp_path, "S1", 91.0)
    second = taken(archive, tmp_path, "S2", 92.0)
    with pytest.raises(NotFound):
        archive.link(first, LinkKind.REPEAT_OF, "0" * 32, **BY)
    with pytest.raises(NotAllowed, match="itself"):
        archive.link(first, LinkKind.SUPERSEDES, first, **BY)
    archive.link(second, LinkKind.SUPERSEDES, first, **BY)
    assert archive.find()["measurement_id"].to_list() == [second]
    with pytest.raises(NotAllowed, match="circle"):
        archive.link(first, LinkKind.SUPERSEDES, second, **BY)


def test_backfill_is_not_judged_by_the_way(archive: Archive, tmp_path: Path) -> None:
    archive.ingest([export("S1", 91.0, tmp_path)], backfill=True)
    (name,) = archive.find()["measurement_id"]
    archive.assign([name], {"stage": "as coated"}, **BY)
    assert outcome(archive, name) is None
    archive.judge([name], who="quality", why="asked for")
    assert outcome(archive, name) == "pass"


def test_limits_of_a_chart_do_not_come_from_backfill(archive: Archive, tmp_path: Path) -> None:
    for i in range(4):
        file = export(f"S{i}", 91.0 + i, tmp_path)
        archive.ingest([file], backfill=i < 2, with_verdicts=True)
    chart = archive.control_chart(product="plate", spec="plate", requirement="green")
    assert chart.chart.base.tolist() == [False, False, True, True]


def test_event_without_a_reason_is_not_recorded(archive: Archive, tmp_path: Path) -> None:
    name = taken(archive, tmp_path, "S1", 91.0)
    with pytest.raises(NotAllowed, match="who did it and why"):
        archive.withdraw([name], who="op 1", why=" ")
    with pytest.raises(NotAllowed, match="found nothing"):
        archive.assign([name], {"lot": ""}, **BY)
    assert archive.events(name) == []


def test_part_with_an_open_conflict_is_incomplete_though_the_rest_passes(
    archive: Archive, tmp_path: Path
) -> None:
    taken(archive, tmp_path, "S1", 91.0)
    file = export("S1", 93.0, tmp_path)
    file.write_text(file.read_text("utf-8").replace("10:00:00", "11:00:00"), "utf-8")
    second = file.rename(tmp_path / "S1 again.txt")
    archive.ingest([second])
    copied = tmp_path / "copied.txt"
    copied.write_text(second.read_text("utf-8").replace("Lot: L1", "Lot: L2"), "utf-8")
    archive.ingest([copied])
    assert archive.count(in_conflict=True) == 2
    (part,) = archive.lot_verdict("L1").parts
    assert part.outcome is Outcome.INCOMPLETE
    assert "a person's word on 1 spectrum in conflict" in part.specs[0].verdict.missing


def test_order_that_stays_with_an_earlier_revision_is_told(
    archive: Archive, tmp_path: Path
) -> None:
    taken(archive, tmp_path, "S1", 91.0)
    assert archive.newer_revisions(lot="L1") == []
    write_spec(archive, "plate", SPEC.replace("90.0", "91.5"))
    (sentence,) = archive.newer_revisions(lot="L1")
    assert sentence.startswith("L1 is judged by 'plate' as it was begun")


def test_chart_takes_the_latest_of_repeated_scans_in_the_order_of_time(
    archive: Archive, tmp_path: Path
) -> None:
    for name, lowest, time in (("S1", 91, "08"), ("S2", 92, "09"), ("S1", 95, "10")):
        file = export(name, float(lowest), tmp_path)
        text = file.read_text("utf-8").replace("10:00:00", f"{time}:00:00")
        file.rename(tmp_path / f"{name} {time}.txt").write_text(text, "utf-8")
        archive.ingest([tmp_path / f"{name} {time}.txt"])
    chart = archive.control_chart(product="plate", spec="plate", requirement="green")
    assert chart.labels == ("L1 S2", "L1 S1")
    assert chart.chart.points.tolist() == [92.0, 95.0]


def test_adopting_a_revision_that_renames_a_requirement_leaves_the_new_verdict(
    archive: Archive, tmp_path: Path
) -> None:
    """What lapses with the old name does not hide what the new one says."""
    name = taken(archive, tmp_path, "S1", 85.0)
    write_spec(archive, "plate", SPEC.replace('id = "green"', 'id = "green light"'))
    archive.adopt_revision("L1", "plate", **BY)
    rows = archive.verdicts([name]).to_dicts()
    assert [(row["requirement"], row["outcome"]) for row in rows] == [("green light", "fail")]
    assert outcome(archive, name) == "fail"
