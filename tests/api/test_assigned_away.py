"""A scan that is taken out of its part by assigning it elsewhere stays seen beside the part."""

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from speclake.api import Archive
from speclake.api.telling import lot_told, measurement_told
from speclake.judging import PartVerdict
from speclake.specs import Outcome
from tests.labs import SPEC, scan_file, write_files

BY = {"who": "op 1", "why": "wrong label read"}


@pytest.fixture
def archive(tmp_path: Path) -> Iterator[Archive]:
    with Archive.create(tmp_path / "lab", "lab") as made:
        write_files(made.root)
        yield made


@pytest.fixture
def lab(archive: Archive, tmp_path: Path) -> "Lab":
    return Lab(archive, tmp_path)


class Lab:
    """An archive into which scans of plates are taken one by one."""

    def __init__(self, archive: Archive, folder: Path) -> None:
        self.archive = archive
        self._folder = folder

    def taken(self, name: str, lowest: float, hour: int, **more: str) -> str:
        """Identifier of a scan of a plate of lot L1 that was just taken in."""
        before = self._ids()
        said = {"Sample": name, "Lot": "L1", "Product": "plate"} | more
        file = self._folder / f"{name} {hour}.txt"
        scanned = f"2026-05-04 {hour:02d}:00:00"
        self.archive.ingest([scan_file(file, lowest, scanned=scanned, **said)])
        (new,) = self._ids() - before
        return new

    def verdict(self, part: str = "W2") -> PartVerdict:
        """What the specification says of a plate of lot L1."""
        parts = self.archive.lot_verdict("L1").parts
        (found,) = [p for p in parts if (p.product, p.part) == ("plate", part)]
        return found.specs[0].verdict

    def _ids(self) -> set[str]:
        return set(self.archive.find(limit=None, withdrawn="show")["measurement_id"])


def told(found: str = "it had found fail", scans: str = "1 scan was") -> str:
    today = datetime.now(UTC).date()
    return f"{scans} assigned away by op 1 on {today} (wrong label read): {found}"


@pytest.mark.parametrize(
    "fields",
    [
        {"sample": "W3"},
        {"serial": "W3"},
        {"lot": "L9"},
        {"product": "lens"},
        {"kind": "check piece"},
        {"sample": "W3", "lot": "L9"},
    ],
    ids=lambda fields: " and ".join(fields),
)
def test_a_fail_that_was_assigned_away_is_told_beside_the_pass(
    lab: Lab, fields: dict[str, str]
) -> None:
    failed = lab.taken("W2", 85.0, 8)
    lab.archive.assign([failed], fields, **BY)
    lab.taken("W2", 91.0, 9)
    found = lab.verdict()
    assert found.outcome is Outcome.PASS
    assert found.remarks == (told(),)
    assert f"W2: plate: pass; {told()}" in lot_told(lab.archive, "L1")["parts"]


def test_it_is_told_too_where_the_part_had_passed_before(lab: Lab) -> None:
    failed = lab.taken("W2", 85.0, 8)
    lab.taken("W2", 91.0, 9)
    assert lab.verdict().outcome is Outcome.FAIL
    lab.archive.assign([failed], {"sample": "W3"}, **BY)
    assert lab.verdict().remarks == (told(),)
    assert lab.verdict("W3").remarks == (), "it was assigned to this one, not away from it"


def test_a_scan_assigned_away_and_back_again_is_not_away(lab: Lab) -> None:
    failed = lab.taken("W2", 85.0, 8)
    lab.taken("W3", 91.0, 9)
    lab.archive.assign([failed], {"sample": "W3"}, **BY)
    lab.archive.assign([failed], {"sample": "W2"}, **BY)
    assert (lab.verdict().outcome, lab.verdict().remarks) == (Outcome.FAIL, ())
    assert lab.verdict("W3").remarks == (told(),)


def test_a_scan_of_which_more_became_known_is_not_away(lab: Lab) -> None:
    unnamed = lab.taken("", 85.0, 8)
    lab.archive.assign([unnamed], {"sample": "W2"}, **BY)
    assert lab.verdict().remarks == ()
    unlotted = lab.taken("W4", 84.0, 9, Lot="")
    lab.taken("W4", 91.0, 10)
    lab.archive.assign([unlotted], {"lot": "L1"}, **BY)
    assert lab.verdict("W4").outcome is Outcome.FAIL
    assert not any("assigned away" in each for each in lab.verdict("W4").remarks)


def test_it_stays_told_when_more_becomes_known_of_the_part(lab: Lab) -> None:
    failed = lab.taken("W2", 85.0, 8, Product="")
    passed = lab.taken("W2", 91.0, 9, Product="")
    lab.archive.assign([failed], {"sample": "W3"}, **BY)
    lab.archive.assign([passed], {"product": "plate"}, **BY)
    assert lab.verdict().remarks == (told("it had found nothing, not judged"),)


def test_scans_assigned_away_in_one_act_are_told_together(lab: Lab) -> None:
    scans = [lab.taken("W2", lowest, hour) for lowest, hour in ((85.0, 7), (84.0, 8), (92.0, 9))]
    lab.taken("W2", 91.0, 10)
    lab.archive.assign(scans, {"sample": "W3"}, **BY)
    assert lab.verdict().remarks == (told("they had found fail, pass", "3 scans were"),)


def test_what_lapsed_before_the_scan_was_assigned_away_was_found_all_the_same(lab: Lab) -> None:
    write_only_for(lab.archive, "as coated")
    failed = lab.taken("W2", 85.0, 8)
    lab.archive.assign([failed], {"stage": "as coated"}, **BY)
    assert lab.verdict().outcome is Outcome.FAIL
    lab.archive.assign([failed], {"stage": "annealed"}, **BY)
    lab.archive.assign([failed], {"sample": "W3"}, **BY)
    passed = lab.taken("W2", 91.0, 9)
    lab.archive.assign([passed], {"stage": "as coated"}, **BY)
    assert told() in lab.verdict().remarks


def write_only_for(archive: Archive, stage: str) -> None:
    """A specification whose one requirement speaks of one stage, and of no other."""
    text = f'{SPEC}stage = "{stage}"\nwhen_not_met = "no verdict"\n'
    (archive.root / "specs/plate.toml").write_text(text, "utf-8")


def test_the_event_keeps_what_told_the_part_before_and_reads_well(lab: Lab) -> None:
    scan = lab.taken("W2", 85.0, 8)
    lab.archive.assign([scan], {"serial": "W3", "site": "5"}, **BY)
    (event,) = lab.archive.events(scan)
    assert event.details == {
        "serial": "W3",
        "site": "5",
        "kind before": "part",
        "product before": "plate",
        "lot before": "L1",
        "serial before": "",
        "sample before": "W2",
        "site before": "",
    }
    lab.archive.assign([scan], {"serial": "W4", "comment": "read again"}, **BY)
    said = measurement_told(lab.archive, scan)["events"]
    assert said[0].endswith(
        "(serial: W3, before unknown, site: 5, before unknown), wrong label read"
    )
    assert said[1].endswith("(serial: W4, before W3, comment: read again), wrong label read")
    m = lab.archive.measurement(scan)
    assert (m.serial, m.sample, m.site) == ("W4", "W2", "5")


def test_many_are_assigned_each_with_what_it_was_before(lab: Lab) -> None:
    scans = [lab.taken(name, 91.0, hour) for hour, name in enumerate(("W2", "W5"), 8)]
    lab.archive.assign(scans, {"sample": "W7"}, **BY)
    kept = [lab.archive.events(each)[0].details["sample before"] for each in scans]
    assert kept == ["W2", "W5"]
