"""Specifications in the folder of an archive, over time: one name, several days in effect."""

import pytest

from speclake.api import Archive
from speclake.errors import BadSettings, NotFound
from speclake.intake.specbook import SpecBook
from tests.labs import FORMAT, SPEC, scan_file

EARLIER = SPEC.replace("[[", 'revision = "A"\neffective_until = 2020-05-31\n[[')
LATER = SPEC.replace("[[", 'revision = "B"\neffective_from = 2020-06-01\n[[').replace(
    "90.0", "95.0"
)


def book(tmp_path, *texts):
    for number, text in enumerate(texts):
        (tmp_path / "specs").mkdir(exist_ok=True)
        (tmp_path / f"specs/plate-{number}.toml").write_text(text, "utf-8")
    return SpecBook(tmp_path / "specs")


def test_two_revisions_may_have_one_name_on_days_apart(tmp_path):
    found = book(tmp_path, EARLIER, LATER)
    assert [each.revision for each in found.current()] == ["A", "B"]
    assert found.named("plate").revision == "B"


def test_none_in_effect_today_gives_the_one_that_comes_last(tmp_path):
    past = LATER.replace("2020-06-01\n", "2020-06-01\neffective_until = 2020-12-31\n")
    assert book(tmp_path, EARLIER, past).named("plate").revision == "B"


@pytest.mark.parametrize("day", ["2020-05-31", "2019-01-01"])
def test_two_in_effect_on_one_day_are_refused_with_both_files(tmp_path, day):
    with pytest.raises(BadSettings) as caught:
        book(tmp_path, EARLIER, LATER.replace("2020-06-01", day)).current()
    assert "plate-1.toml, name: found plate" in str(caught.value)
    assert "other days in effect; plate-0.toml has it" in str(caught.value)


def test_a_name_that_no_file_has_is_told_with_those_there_are(tmp_path):
    with pytest.raises(NotFound, match=r"'disc'.*there are: plate$"):
        book(tmp_path, EARLIER, LATER).named("disc")


def test_each_part_is_judged_by_the_revision_of_its_day_and_an_open_lot_stays_with_its_own(
    tmp_path,
):
    root = tmp_path / "lab"
    Archive.create(root).close()
    (root / "formats/plain.toml").write_text(FORMAT, "utf-8")
    book(root, EARLIER, LATER)

    def scan(sample, lot, day, lowest):
        facts = {"Sample": sample, "Lot": lot, "Product": "plate"}
        return scan_file(tmp_path / f"{sample}.txt", lowest, scanned=f"{day} 10:00:00", **facts)

    scans = [
        ("S1", "L1", "2020-05-31", 92.0),
        ("S2", "L2", "2020-06-01", 92.1),
        ("S3", "L1", "2020-06-02", 92.2),
    ]
    with Archive.open(root) as archive:
        for each in scans:
            archive.ingest([scan(*each)])
        outcome = dict(archive.find().select("sample", "outcome").rows())
        waiting = archive.newer_revisions(lot="L1")
    assert outcome == {"S1": "pass", "S2": "fail", "S3": "pass"}
    assert len(waiting) == 1 and "L1 is judged by 'plate' as it was begun" in waiting[0]
