"""Validation packs: what is kept, that it cannot be changed unseen, and what differs later."""

import hashlib
import json
import re
from pathlib import Path

import pytest

from speclake.api import Archive, events
from speclake.api.events import NotAllowed
from speclake.archive.rows import EventKind
from speclake.errors import ArchiveDamaged, NotFound
from speclake.judging import judgement
from tests.labs import SPEC, export, write_files

WHO = {"who": "quality", "why": "before the upgrade"}


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    """Archive of three plates, two pass and one fails, with a pack of all."""
    folder = tmp_path_factory.mktemp("lab")
    root = folder / "archive"
    Archive.create(root).close()
    write_files(root)
    with Archive.open(root) as opened:
        lowest = {"S1": 91.5, "S2": 89.5, "S3": 96.0}
        opened.ingest([export(name, value, folder) for name, value in lowest.items()])
        opened.keep_validation("spring", lot="L1", **WHO)
        yield opened


def test_a_pack_is_an_open_file_with_the_verdicts_the_hashes_and_the_versions(lab):
    text = (lab.root / "validation/spring.json").read_text("utf-8")
    content = json.loads(text)
    assert [len(each["verdicts"]) for each in content["measurements"]] == [1, 1, 1]
    first = next(each for each in content["measurements"] if each["sample"] == "S1")
    m = lab.measurement(first["measurement_id"])
    assert (first["scan_sha256"], first["values_sha256"]) == (m.scan_sha256, m.values_sha256)
    (verdict,) = first["verdicts"]
    assert (verdict["outcome"], verdict["value"], verdict["low"]) == ("pass", 91.5, 90.0)
    assert content["specifications"][verdict["spec_version"]]["content"]["name"] == "plate"
    assert content["program"]["engine"] == judgement.ENGINE_VERSION
    assert content["program"]["numpy"] and content["who"] == "quality"
    (kept,) = lab.events("spring")
    assert (kept.who, kept.why, kept.details["verdicts"]) == ("quality", WHO["why"], "3")


def test_a_measurement_that_is_named_twice_is_in_a_pack_once(lab):
    (one,) = lab.find(sample="S1")["measurement_id"]
    kept = lab.keep_validation("twice", [one, one], **WHO)
    assert [each["measurement_id"] for each in kept.measurements] == [one]
    assert kept.kept.details["measurements"] == "1"


def test_nothing_changed_gives_no_change_and_an_event(lab):
    number = lab.store.head().number
    found = lab.validate("spring", **WHO)
    assert (found.changes, found.other_program) == ((), ())
    assert (found.measurements, found.verdicts) == (3, 3)
    event = lab.events("spring")[-1]
    assert (event.kind, event.details["changes"], event.details["changed"]) == ("validate", "0", "")
    assert lab.store.head().number == number + 1
    (listed,) = [each for each in lab.validation_packs() if each.name == "spring"]
    assert (listed.validated, listed.other_versions) == (event, ())


def test_it_is_judged_by_the_version_that_was_used_whatever_is_written_today(lab):
    path = lab.root / "specs/plate.toml"
    path.write_text(SPEC.replace('"90.0"', '"99.0"'), "utf-8")
    try:
        assert lab.validate("spring", **WHO).changes == ()
    finally:
        path.write_text(SPEC, "utf-8")


def kept_by_an_earlier_program(lab, name, edit):
    """What comes of a pack as another program would have kept it."""
    put_on_record(lab, name, edit)
    return lab.validate(name, who="quality", why="after the upgrade")


def put_on_record(lab, name, edit, **versions):
    """The pack of spring with its content edited, kept under another name."""
    content = json.loads((lab.root / "validation/spring.json").read_text("utf-8"))
    edit(content)
    data = json.dumps(content).encode()
    (lab.root / f"validation/{name}.json").write_bytes(data)
    sha256 = hashlib.sha256(data).hexdigest()
    details = {"file": f"validation/{name}.json", "sha256": sha256} | versions
    events.record(lab.store, EventKind.KEEP_VALIDATION, [name], details, **WHO)


def test_each_number_outcome_and_reason_that_changes_is_listed(lab):
    def two_percent_higher(content):
        for each in content["measurements"]:
            (verdict,) = each["verdicts"]
            verdict["value"] += 2.0
            if each["sample"] == "S2":
                verdict |= {"outcome": "pass", "reason": ""}

    found = kept_by_an_earlier_program(lab, "higher", two_percent_higher)
    names = {m.measurement_id: m.sample for m in lab.measurements(lab.find()["measurement_id"])}
    told = {(names[c.measurement_id], c.field): (c.before, c.after) for c in found.changes}
    assert told.pop(("S2", "reason")) == ("", "it lies below the lower limit")
    assert told == {
        ("S1", "value"): ("93.5", "91.5"),
        ("S2", "value"): ("91.5", "89.5"),
        ("S2", "outcome"): ("pass", "fail"),
        ("S3", "value"): ("98.0", "96.0"),
    }
    event = lab.events("higher")[-1]
    assert event.details["changes"] == "5"
    assert "green: outcome pass is now fail" in event.details["changed"]


def test_a_verdict_that_is_new_or_no_longer_given_is_listed(lab):
    def other_requirements(content):
        for each in content["measurements"]:
            each["verdicts"][0]["requirement"] = "red"

    found = kept_by_an_earlier_program(lab, "red", other_requirements)
    assert {c.sentence.split(", ", 1)[1] for c in found.changes} == {
        "red: pass is now no verdict", "red: fail is now no verdict",
        "green: no verdict is now pass", "green: no verdict is now fail",
    }  # fmt: skip


def test_a_specification_that_this_program_cannot_read_is_told_for_each_verdict(lab):
    def with_an_old_key(content):
        for each in content["specifications"].values():
            each["content"]["requirement"][0]["tilt"] = 3

    found = kept_by_an_earlier_program(lab, "tilt", with_an_old_key)
    assert len(found.changes) == 3
    assert all("tilt" in each.after for each in found.changes)


def test_other_values_under_the_same_identifier_are_told(lab):
    def other_hash(content):
        content["measurements"][0]["values_sha256"] = "0" * 64

    (change,) = kept_by_an_earlier_program(lab, "hash", other_hash).changes
    assert (change.requirement, change.field, change.before) == (
        "the scan", "values_sha256", "0" * 64
    )  # fmt: skip


def test_other_versions_of_program_and_libraries_are_told(lab):
    def older(content):
        content["program"] |= {"numpy": "1.0"}
        del content["program"]["engine"]

    put_on_record(lab, "older", older, numpy="1.0")
    (listed,) = [each for each in lab.validation_packs() if each.name == "older"]
    assert ("numpy", "1.0") in {(name, then) for name, then, _ in listed.other_versions}
    found = lab.validate("older", **WHO)
    (listed,) = [each for each in lab.validation_packs() if each.name == "older"]
    assert listed.other_versions == ()
    told = {name: (then, now) for name, then, now in found.other_program}
    assert set(told) == {"numpy", "engine"}
    assert told["numpy"][0] == "1.0" and told["engine"][0] == "unknown"
    assert lab.events("older")[-1].details["numpy"] == told["numpy"][1]


def test_a_pack_that_was_changed_or_lost_is_not_used(lab):
    lab.keep_validation("autumn", sample="S1", **WHO)
    path = lab.root / "validation/autumn.json"
    text = path.read_text("utf-8")
    path.write_text(text.replace('"pass"', '"fail"'), "utf-8")
    with pytest.raises(ArchiveDamaged, match=r"expected .*as quality kept it"):
        lab.validate("autumn", **WHO)
    (listed,) = [each for each in lab.validation_packs() if each.name == "autumn"]
    assert "found SHA-256" in listed.trouble
    path.unlink()
    with pytest.raises(ArchiveDamaged, match="found no file"):
        lab.validate("autumn", **WHO)
    path.write_text(text, "utf-8")
    assert lab.validate("autumn", **WHO).verdicts == 1
    assert [each.trouble for each in lab.validation_packs() if each.name == "autumn"] == [""]


@pytest.mark.parametrize(
    ("name", "query", "said"),
    [
        ("spring", {"lot": "L1"}, "never replaced"),
        ("../specs", {"lot": "L1"}, "expected letters"),
        ("none", {"lot": "L2"}, "expected 1 to"),
    ],
)
def test_what_cannot_be_kept_is_refused_and_leaves_no_trace(lab, name, query, said):
    head, files = lab.store.head(), sorted((lab.root / "validation").iterdir())
    with pytest.raises(NotAllowed, match=said):
        lab.keep_validation(name, **query, **WHO)
    with pytest.raises(NotAllowed, match="who did it and why"):
        lab.keep_validation("nobody", lot="L1", who="", why="")
    with pytest.raises(NotAllowed, match="who did it and why"):
        lab.validate("spring", who="quality", why=" ")
    assert (lab.store.head(), sorted((lab.root / "validation").iterdir())) == (head, files)


def test_a_pack_that_nobody_kept_is_told(lab):
    with pytest.raises(NotFound, match=r"there are: .*spring"):
        lab.validate("winter", **WHO)


def test_the_page_tells_every_key_of_the_file(lab):
    page = (Path(__file__).parents[2] / "docs/validation.md").read_text("utf-8")
    told = {key for row in re.findall(r"^\| (`.*?) \|", page, re.M) for key in row.split(", ")}
    content = json.loads((lab.root / "validation/spring.json").read_text("utf-8"))
    assert told == {f"`{key}`" for key in content}
