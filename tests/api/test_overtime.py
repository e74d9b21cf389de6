"""Specifications over time: their versions, how they differ, and what another would change."""

import hashlib
import shutil
from datetime import date

import pytest

from speclake.api import Archive
from speclake.errors import BadSettings, NotFound
from tests.intake.test_several import S_AND_P, Lab
from tests.labs import SPEC, export, scan_file, write_files

LOWEST = {"S1": 91.5, "S2": 93.0, "S3": 96.0}


@pytest.fixture
def archive(tmp_path):
    """Three plates judged by 'at least 90', and one of backfill that nobody judged."""
    root = tmp_path / "lab"
    Archive.create(root).close()
    write_files(root)
    with Archive.open(root) as opened:
        opened.ingest([export(name, lowest, tmp_path) for name, lowest in LOWEST.items()])
        opened.ingest([export("S4", 89.0, tmp_path)], backfill=True)
        other = scan_file(tmp_path / "other.txt", 99.0, Sample="X1", Lot="L9", Product="disc")
        opened.ingest([other])
        yield opened


@pytest.fixture
def draft(tmp_path):
    def written(text):
        path = tmp_path / "draft.toml"
        path.write_text(text, "utf-8")
        return str(path)

    return written


def state_of(archive):
    """Every file of an archive with its content."""
    return {
        path.relative_to(archive.root): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in archive.root.rglob("*")
        if path.is_file() and "scratch" not in path.parts
    }


TIGHTER = SPEC.replace('"90.0"', '"92.0"')


def test_what_if_tells_which_outcomes_change_and_writes_nothing(archive, draft):
    before, files = archive.store.head(), state_of(archive)
    found = archive.what_if(draft(TIGHTER))
    assert found.outcomes == {
        "green": {("pass", "pass"): 2, ("pass", "fail"): 1, ("not judged", "fail"): 1}
    }
    assert found.measurements == 4
    told = found.changes.select("sample", "before", "after", "shown_before", "shown_after")
    assert sorted(told.rows()) == [
        ("S1", "pass", "fail", "91.50", "91.50"),
        ("S4", "not judged", "fail", "", "89.00"),
    ]
    assert found.changed_measurements == 2
    assert (found.commit, found.head) == (before.number, before.hash)
    archive.refresh()
    assert archive.store.head() == before
    assert state_of(archive) == files


def test_what_if_tells_of_rules_for_parts_and_lots_that_change_no_verdict(archive, draft):
    sampled = '[lot]\nsample_size = 2\naccept = 1\nsource = "drawing 7"\n[[requirement]]'
    text = SPEC.replace("[[requirement]]", sampled) + 'over_sites = "mean"\n'
    found = archive.what_if(draft(text.replace('"90.0"', '"89.9"')))
    assert found.changes["before"].to_list() == ["not judged"]
    assert found.of_parts == (
        'lot sample_size 2, accept 1, source "drawing 7" is new',
        "requirement 'green': over_sites how \"mean\" is new",
    )


def test_what_if_tells_what_judging_by_it_then_gives(archive, draft):
    path = draft(
        TIGHTER.replace("[500, 510]", "[501, 509]")
        + '[[requirement]]\nid = "blue"\nwhat = "maximum"\nunit = "%T"\nband = [500, 505]\n'
        + 'at_most = "97.9"\n'
    )
    told = archive.what_if(path)
    ids = archive.find(product="plate")["measurement_id"].to_list()
    shutil.copy(path, archive.root / "specs/plate.toml")
    archive.judge(ids, spec="plate", who="op 1", why="to see whether it was right")
    given = archive.verdicts(ids)
    for requirement in ("green", "blue"):
        outcomes = given.filter(given["requirement"] == requirement)["outcome"].to_list()
        foretold = [after for (_, after), n in told.outcomes[requirement].items() for _ in range(n)]
        assert sorted(foretold) == sorted(outcomes)
    assert told.outcomes["blue"] == {("not judged", "pass"): 3, ("not judged", "fail"): 1}


def test_what_if_looks_at_what_is_named_or_asked_for(archive, draft):
    path = draft(TIGHTER)
    (one,) = archive.find(sample="S1")["measurement_id"]
    assert archive.what_if(path, [one]).outcomes == {"green": {("pass", "fail"): 1}}
    assert archive.what_if(path, sample="S2").outcomes == {"green": {("pass", "pass"): 1}}
    assert archive.what_if(path, lot="L9").measurements == 0
    (disc,) = archive.find(product="disc")["measurement_id"]
    assert archive.what_if(path, [disc]).outcomes == {"green": {("not judged", "pass"): 1}}


def test_what_if_leaves_out_what_is_withdrawn(archive, draft):
    ids = archive.find(sample="S1")["measurement_id"].to_list()
    archive.withdraw(ids, who="op 1", why="wrong side")
    assert archive.what_if(draft(TIGHTER)).outcomes["green"][("pass", "pass")] == 2
    assert "S1" not in archive.what_if(draft(TIGHTER)).changes["sample"].to_list()


def test_what_if_leaves_out_what_is_withdrawn_though_it_is_named(archive, draft):
    ids = archive.find(lot="L1")["measurement_id"].to_list()
    gone = archive.find(sample="S1")["measurement_id"].to_list()
    archive.withdraw(gone, who="op 1", why="wrong side")
    assert archive.what_if(draft(TIGHTER), gone).measurements == 0
    assert archive.what_if(draft(TIGHTER), ids).measurements == len(ids) - len(gone)
    with pytest.raises(NotFound):
        archive.what_if(draft(TIGHTER), ["0" * 32])


def test_what_if_counts_a_measurement_that_is_named_twice_once(archive, draft):
    (one,) = archive.find(sample="S1")["measurement_id"]
    assert archive.what_if(draft(TIGHTER), [one, one]).outcomes == {"green": {("pass", "fail"): 1}}


def test_what_if_leaves_out_what_is_in_conflict(archive, draft, tmp_path):
    (one,) = archive.find(sample="S1")["measurement_id"]
    other = export("S9", 91.5, tmp_path)
    archive.ingest([other])
    disputed = archive.find(in_conflict=True)["measurement_id"].to_list()
    assert one in disputed and len(disputed) == 2
    assert archive.what_if(draft(TIGHTER), disputed).measurements == 0
    assert "S1" not in archive.what_if(draft(TIGHTER)).changes["sample"].to_list()


def test_what_if_follows_a_requirement_that_is_only_called_otherwise(archive, draft):
    found = archive.what_if(draft(SPEC.replace('"green"', '"clear"')))
    assert found.outcomes == {"clear": {("pass", "pass"): 3, ("not judged", "fail"): 1}}
    gone = archive.what_if(draft(TIGHTER.replace('"green"', '"clear"')))
    assert gone.outcomes["green"] == {("pass", "not judged"): 3}
    lost = gone.changes.filter(gone.changes["requirement"] == "green")
    assert set(lost["reason"]) == {"the specification no longer asks for it"}


def test_what_if_counts_values_that_move_within_an_outcome(archive, draft):
    found = archive.what_if(draft(SPEC.replace("[500, 510]", "[501, 501.5]")))
    assert found.moved == {"green": 3}
    assert found.outcomes["green"][("pass", "pass")] == 3


def test_versions_are_listed_in_the_order_in_which_they_follow(archive):
    (only,) = archive.revisions("plate")
    assert (only.is_written, only.measurements, only.revision) == (True, 3, "")
    later = SPEC.replace("[[", 'revision = "B"\neffective_from = 2999-01-01\n[[')
    (archive.root / "specs/plate.toml").write_text(later, "utf-8")
    first, second = archive.revisions()
    assert (first.version, first.is_written, second.revision) == (only.version, False, "B")
    days = [date(2026, 1, 1), date(2999, 1, 1)]
    assert [second.standing(day) for day in days] == ["not yet in effect", "in effect"]
    assert first.standing(days[0]) == "earlier"
    assert [each.sentence for each in archive.differences(first.version[:8], "plate")] == [
        'revision "B" is new',
        'effective_from "2999-01-01" is new',
    ]
    with pytest.raises(NotFound, match="there are: plate"):
        archive.revisions("disc")


@pytest.mark.parametrize("which", ["disc", "", "abcdef", "nowhere.toml"])
def test_a_specification_that_is_not_there_is_told(archive, which):
    with pytest.raises(NotFound):
        archive.specification(which)


def test_a_draft_that_says_something_impossible_is_refused(archive, draft):
    with pytest.raises(BadSettings, match=r"draft\.toml, line 6"):
        archive.what_if(draft(SPEC.replace("minimum", "lowest")))


def test_what_if_makes_spectra_of_several_measurements_and_keeps_none(tmp_path, draft):
    """A draft asks for the mean of s and p, which no specification of the archive does yet."""
    each_alone = S_AND_P.split("[requirement.drawn_from]")[0].replace("average", "alone")
    lab = Lab(tmp_path, each_alone)
    facts = {"Angle": "45", "Side": "front"}
    scans = [("s", 95.0), ("p", 88.0)]
    lab.archive.ingest([lab.write(n, value, Polarisation=n, **facts) for n, value in scans])
    before, files = lab.archive.store.head(), state_of(lab.archive)
    found = lab.archive.what_if(draft(S_AND_P))
    assert found.outcomes["average"] == {("not judged", "pass"): 1}
    (mean,) = found.changes.filter(found.changes["requirement"] == "average").to_dicts()
    assert float(mean["shown_after"]) == 91.5
    lab.archive.refresh()
    assert (lab.archive.store.head(), state_of(lab.archive)) == (before, files)
    lab.archive.close()
