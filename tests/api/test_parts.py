"""Parts and lots from the record: repeats and who chose, witness pieces, samples."""

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from unittest.mock import Mock

import pytest

from speclake.api import Archive, events
from speclake.api.events import NotAllowed
from speclake.api.telling import lot_told
from speclake.errors import NotFound
from speclake.measurement import LinkKind
from speclake.specs import Outcome
from tests.labs import SPEC, export, scan_file, write_files

BY = {"who": "op 1", "why": "dust on the part"}


@pytest.fixture
def archive(tmp_path: Path) -> Iterator[Archive]:
    with Archive.create(tmp_path / "lab", "lab") as made:
        write_files(made.root)
        yield made


def write_spec(archive: Archive, sections: str) -> None:
    head, requirement = SPEC.split("[[requirement]]")
    (archive.root / "specs/plate.toml").write_text(
        f"{head}{sections}\n[[requirement]]{requirement}", "utf-8"
    )


def taken(archive: Archive, folder: Path, name: str, lowest: float, hour: int = 10) -> str:
    """Identifier of a scan of a plate that was just taken in, scanned at a full hour."""
    file = export(name, lowest, folder)
    text = file.read_text("utf-8").replace("10:00:00", f"{hour:02d}:00:00")
    file.rename(folder / f"{name} {hour}.txt").write_text(text, "utf-8")
    before = set(archive.find(limit=None, withdrawn="show")["measurement_id"])
    archive.ingest([folder / f"{name} {hour}.txt"])
    (new,) = set(archive.find(limit=None, withdrawn="show")["measurement_id"]) - before
    return new


def verdict_on(archive: Archive, part: str = "S1"):
    """What the specification says of a part of lot L1."""
    found = {each.part: each for each in archive.lot_verdict("L1").parts}
    return found[part].specs[0].verdict


def test_a_repeat_does_not_hide_a_fail_and_is_told(archive: Archive, tmp_path: Path) -> None:
    taken(archive, tmp_path, "S1", 85.0, hour=8)
    taken(archive, tmp_path, "S1", 91.0, hour=9)
    found = verdict_on(archive)
    assert found.outcome is Outcome.FAIL
    assert found.remarks == ("one place was measured 2 times: fail, then pass; each counts",)


def test_a_choice_counts_by_name_and_reason_until_a_later_scan(
    archive: Archive, tmp_path: Path
) -> None:
    write_spec(archive, '[repeats]\ncount = "latest"\n')
    taken(archive, tmp_path, "S1", 85.0, hour=8)
    second = taken(archive, tmp_path, "S1", 91.0, hour=9)
    assert verdict_on(archive).outcome is Outcome.FAIL
    archive.count_alone(second, **BY)
    found = verdict_on(archive)
    assert found.outcome is Outcome.PASS
    (told,) = found.repeated
    assert (told.by.who, told.by.why) == ("op 1", "dust on the part")
    assert "found and not counted: fail" in found.remarks[0]
    (event,) = archive.events(second)
    assert (event.kind, event.who) == ("count", "op 1")
    taken(archive, tmp_path, "S1", 92.0, hour=11)
    assert verdict_on(archive).outcome is Outcome.FAIL, "the word was on what was the latest then"


def test_of_two_choices_the_one_recorded_last_counts_whatever_the_clock_said(
    archive: Archive, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_spec(archive, '[repeats]\ncount = "chosen"\n')
    first = taken(archive, tmp_path, "S1", 85.0, hour=8)
    second = taken(archive, tmp_path, "S1", 91.0, hour=9)
    archive.count_alone(second, **BY)
    clock = Mock(wraps=datetime)
    clock.now.return_value = datetime(2020, 1, 1, tzinfo=UTC)
    monkeypatch.setattr(events, "datetime", clock)
    archive.count_alone(first, **BY)
    assert verdict_on(archive).outcome is Outcome.FAIL


def test_a_choice_can_be_taken_back(archive: Archive, tmp_path: Path) -> None:
    write_spec(archive, '[repeats]\ncount = "chosen"\n')
    first = taken(archive, tmp_path, "S1", 91.0, hour=8)
    taken(archive, tmp_path, "S1", 85.0, hour=9)
    with pytest.raises(NotAllowed, match="nothing to take back"):
        archive.count_all(first, **BY)
    archive.count_alone(first, **BY)
    assert verdict_on(archive).outcome is Outcome.PASS
    archive.count_all(first, **BY)
    assert verdict_on(archive).outcome is Outcome.FAIL
    with pytest.raises(NotAllowed, match="nothing to take back"):
        archive.count_all(first, **BY)


def test_nobody_chooses_where_the_specification_lets_every_repeat_count(
    archive: Archive, tmp_path: Path
) -> None:
    first = taken(archive, tmp_path, "S1", 91.0)
    with pytest.raises(NotAllowed, match='plate has count = "every"'):
        archive.count_alone(first, **BY)
    assert archive.events(first) == []


def test_what_does_not_count_cannot_be_chosen(archive: Archive, tmp_path: Path) -> None:
    write_spec(archive, '[repeats]\ncount = "chosen"\n')
    first = taken(archive, tmp_path, "S1", 91.0)
    archive.withdraw([first], **BY)
    with pytest.raises(NotAllowed, match="expected one that counts"):
        archive.count_alone(first, **BY)
    with pytest.raises(NotFound):
        archive.count_alone("0" * 32, **BY)


def test_withdrawing_a_fail_and_measuring_again_shows(archive: Archive, tmp_path: Path) -> None:
    first = taken(archive, tmp_path, "S1", 85.0, hour=8)
    archive.withdraw([first], **BY)
    taken(archive, tmp_path, "S1", 91.0, hour=9)
    found = verdict_on(archive)
    assert found.outcome is Outcome.PASS
    assert "fail (withdrawn by op 1: dust on the part), then pass" in found.remarks[0]


def test_a_superseded_scan_shows_too(archive: Archive, tmp_path: Path) -> None:
    first = taken(archive, tmp_path, "S1", 85.0, hour=8)
    second = taken(archive, tmp_path, "S1", 91.0, hour=9)
    archive.link(second, LinkKind.SUPERSEDES, first, **BY)
    found = verdict_on(archive)
    assert found.outcome is Outcome.PASS
    assert "fail (superseded by a later one)" in found.remarks[0]


WITNESS = '[witness]\nstands_for = "{}"\nrequirements = ["green"]\n'


@pytest.mark.parametrize("stands_for", ["coating run", "lot", "link"])
def test_a_witness_piece_stands_for_its_parts(
    archive: Archive, tmp_path: Path, stands_for: str
) -> None:
    write_spec(archive, WITNESS.format(stands_for))
    part = taken(archive, tmp_path, "S1", 91.0)
    other = taken(archive, tmp_path, "S2", 92.0)
    piece = taken(archive, tmp_path, "W3", 85.0)
    archive.assign([piece], {"kind": "witness piece"}, **BY)
    archive.assign([part, piece], {"coating_run": "R7"}, **BY)
    archive.assign([other], {"coating_run": "R8"}, **BY)
    archive.link(piece, LinkKind.WITNESS_FOR, part, **BY)
    found = verdict_on(archive)
    assert found.outcome is Outcome.FAIL
    assert found.remarks == ("witness piece W3 of coating run R7 stands in for green",)
    untouched = Outcome.FAIL if stands_for == "lot" else Outcome.PASS
    assert verdict_on(archive, "S2").outcome is untouched


def test_a_witness_piece_that_was_withdrawn_stands_for_nobody(
    archive: Archive, tmp_path: Path
) -> None:
    write_spec(archive, WITNESS.format("lot"))
    taken(archive, tmp_path, "S1", 91.0)
    piece = taken(archive, tmp_path, "W3", 85.0)
    archive.assign([piece], {"kind": "witness piece"}, **BY)
    assert verdict_on(archive).outcome is Outcome.FAIL
    archive.withdraw([piece], **BY)
    assert verdict_on(archive).outcome is Outcome.PASS


def test_a_witness_piece_measured_until_it_passes_is_told(archive: Archive, tmp_path: Path) -> None:
    write_spec(archive, WITNESS.format("lot"))
    taken(archive, tmp_path, "S1", 91.0)
    pieces = [taken(archive, tmp_path, "W3", lowest, hour) for lowest, hour in ((85.0, 8), (92, 9))]
    archive.assign(pieces, {"kind": "witness piece"}, **BY)
    archive.withdraw(pieces[:1], **BY)
    found = verdict_on(archive)
    assert found.outcome is Outcome.PASS
    assert found.remarks[-1] == (
        "witness piece W3 was measured 2 times: fail (withdrawn by op 1: dust on the part), then "
        "pass; found and not counted: fail"
    )


PLAN = '[lot]\nsample_size = 2\naccept = 0\nsource = "drawing 7"\n'


def test_the_first_parts_measured_are_the_sample_whatever_becomes_of_them(
    archive: Archive, tmp_path: Path
) -> None:
    write_spec(archive, PLAN)
    first = taken(archive, tmp_path, "S9", 85.0, hour=8)
    taken(archive, tmp_path, "S2", 91.0, hour=9)
    taken(archive, tmp_path, "S3", 92.0, hour=11)
    report = archive.lot_verdict("L1")
    found = report.specs["plate"]
    assert (found.sample, found.beyond) == (("S9", "S2"), ("S3",))
    assert report.outcome is Outcome.FAIL
    archive.withdraw([first], **BY)
    found = archive.lot_verdict("L1").specs["plate"]
    assert (found.sample, found.outcome) == (("S9", "S2"), Outcome.INCOMPLETE)


def test_a_lot_passes_by_its_plan_though_a_part_fails_and_says_so(
    archive: Archive, tmp_path: Path
) -> None:
    write_spec(archive, PLAN.replace("accept = 0", "accept = 1"))
    taken(archive, tmp_path, "S1", 85.0, hour=8)
    taken(archive, tmp_path, "S2", 91.0, hour=9)
    report = archive.lot_verdict("L1")
    assert report.outcome is Outcome.PASS
    assert [part.outcome for part in report.parts] == [Outcome.FAIL, Outcome.PASS]
    (told,) = lot_told(archive, "L1")["specifications"]
    assert "1 of the sample of 2 fail, and up to 1 may (drawing 7)" in told
    assert told.endswith("the sample: S1, S2")


def test_spectra_without_a_name_keep_a_sample_incomplete(archive: Archive, tmp_path: Path) -> None:
    write_spec(archive, PLAN)
    for hour, name in enumerate(("S1", "S2", "S3"), 8):
        taken(archive, tmp_path, name, 90.0 + hour, hour=hour)
    assert archive.lot_verdict("L1").outcome is Outcome.PASS
    text = export("S4", 98.5, tmp_path).read_text("utf-8").replace("Sample: S4\n", "")
    (tmp_path / "S4.txt").write_text(text.replace("10:00", "12:00"), "utf-8")
    archive.ingest([tmp_path / "S4.txt"])
    assert archive.lot_verdict("L1").outcome is Outcome.INCOMPLETE


def test_the_stated_size_of_a_lot_chooses_its_plan(archive: Archive, tmp_path: Path) -> None:
    write_spec(
        archive,
        '[lot]\ntable = "MIL-STD-105E single normal"\nlevel = "II"\naql_percent = 6.5\n',
    )
    taken(archive, tmp_path, "S1", 91.0, hour=8)
    taken(archive, tmp_path, "S2", 92.0, hour=9)
    assert archive.lot_verdict("L1").outcome is Outcome.INCOMPLETE
    archive.state_lot("L1", 8, who="stores", why="delivery note 12")
    report = archive.lot_verdict("L1")
    assert (report.size, report.outcome) == (8, Outcome.PASS)
    assert report.specs["plate"].plan[:2] == (2, 0)
    archive.state_lot("L1", 100, who="stores", why="delivery note 12, second page")
    assert archive.lot_verdict("L1").outcome is Outcome.INCOMPLETE
    with pytest.raises(NotFound):
        archive.state_lot("L2", 100, who="stores", why="delivery note 13")
    with pytest.raises(NotAllowed):
        archive.state_lot("L1", 0, who="stores", why="delivery note 14")


def test_a_lot_of_a_stated_size_waits_for_all_its_parts(archive: Archive, tmp_path: Path) -> None:
    taken(archive, tmp_path, "S1", 91.0)
    assert archive.lot_verdict("L1").outcome is Outcome.PASS
    archive.state_lot("L1", 2, who="stores", why="delivery note 12")
    found = archive.lot_verdict("L1").specs["plate"]
    assert (found.outcome, found.missing) == (Outcome.INCOMPLETE, ("1 of 2 parts of the lot",))


def test_what_failed_by_an_earlier_version_does_not_vanish_behind_a_later_scan(
    archive: Archive, tmp_path: Path
) -> None:
    plate = {"Sample": "S1", "Product": "plate"}
    early, late = (f"2026-05-04 {hour}:00:00" for hour in ("08", "09"))
    archive.ingest([scan_file(tmp_path / "early.txt", 85.0, scanned=early, **plate)])
    (part,) = archive.part_verdicts()
    assert part.outcome is Outcome.FAIL
    write_spec(archive, 'revision = "B"\n')
    archive.ingest([scan_file(tmp_path / "late.txt", 91.0, scanned=late, **plate)])
    (part,) = archive.part_verdicts()
    assert part.outcome is Outcome.INCOMPLETE
    (found,) = part.specs
    assert found.verdict.missing[0].startswith("one version of the specification for all spectra")
    assert found.verdict.missing[0].endswith("1 fail")
    archive.judge(spec="plate", **BY)
    (part,) = archive.part_verdicts()
    assert part.outcome is Outcome.FAIL
