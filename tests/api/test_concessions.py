"""A concession stands beside what failed, covers that alone, and changes no verdict."""

import shutil
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner

from speclake.api import Archive
from speclake.api.concessions import today_in
from speclake.api.events import NotAllowed
from speclake.cli.app import app
from speclake.errors import NotFound
from speclake.intake.verdicts import current_verdicts
from speclake.specs import Outcome, Verdict
from tests.labs import FORMAT, SPEC, export, scan_file, write_files

BY = {"who": "quality 1", "why": "good enough for the trials"}


@pytest.fixture
def archive(lot: Path, tmp_path: Path) -> Iterator[Archive]:
    """A copy of the archive of the lot, for one test to change."""
    shutil.copytree(lot, tmp_path / "lab")
    with Archive.open(tmp_path / "lab") as opened:
        yield opened


def verdict_of(archive: Archive, sample: str) -> Verdict:
    """Verdict on the scan of a sample that was taken in last."""
    ids = archive.find(sample=sample, limit=None, sort="arrived_at")["measurement_id"].to_list()
    (found,) = current_verdicts(archive.store.catalog, ids[:1])
    return found


def said(archive: Archive, sample: str) -> str:
    verdict = verdict_of(archive, sample)
    return archive.concessions([verdict.measurement_id]).said(verdict)


def test_part_and_lot_stay_failed_and_the_concession_stands_beside(
    archive: Archive,
) -> None:
    before = verdict_of(archive, "S2")
    given = archive.concede(part="S2", until=date(2999, 1, 1), **BY)
    assert (given.parts, given.requirements, given.spec) == (("S2",), ("green",), "plate")
    assert verdict_of(archive, "S2") == before
    (part,) = archive.part_verdicts(sample="S2")
    assert part.outcome is Outcome.FAIL
    assert archive.lot_verdict("L1").outcome is Outcome.FAIL
    assert archive.find(outcome="fail", limit=None).height == 2
    assert said(archive, "S2") == (
        "accepted by concession of quality 1 until 2999-01-01: good enough for the trials"
    )
    assert said(archive, "S3") == ""


def test_a_lot_means_the_parts_of_it_that_failed_by_then(archive: Archive, tmp_path: Path) -> None:
    given = archive.concede(lot="L1", **BY)
    assert sorted(given.parts) == ["S2", "S3"]
    archive.ingest([export("S4", 83.0, tmp_path)])
    assert said(archive, "S4") == ""
    failed = [verdict_of(archive, name) for name in ("S2", "S3")]
    covers = archive.concessions([each.measurement_id for each in failed])
    assert covers.accepts(failed) == "accepted by concession of quality 1"
    more = [*failed, verdict_of(archive, "S4")]
    covers = archive.concessions([each.measurement_id for each in more])
    assert covers.accepts(more) == ""


@pytest.mark.parametrize(
    ("asked", "error", "found"),
    [
        ({"part": "S1"}, NotAllowed, "found pass by 'plate'; expected fail"),
        ({"part": "S9"}, NotFound, "found no part 'S9'"),
        ({"lot": "L9"}, NotFound, "found no part of lot 'L9'"),
        ({"part": "S2", "lot": "L9"}, NotFound, "found no part 'S2' of lot 'L9'"),
        ({}, NotAllowed, "found neither a part nor a lot"),
        ({"part": "S2", "spec": "other"}, NotAllowed, "no specification that applies"),
        ({"part": "S2", "requirements": ("red",)}, NotAllowed, "requirement 'red' not failed"),
        ({"part": "S2", "until": date(2020, 1, 1)}, NotAllowed, "found the last day 2020-01-01"),
        ({"part": "S2", "who": " "}, NotAllowed, "needs who did it and why"),
        ({"part": "S2", "why": ""}, NotAllowed, "needs who did it and why"),
    ],
)  # fmt: skip
def test_what_did_not_fail_or_is_not_named_is_refused(archive, asked, error, found) -> None:
    head = archive.store.head()
    with pytest.raises(error, match=found):
        archive.concede(**{**BY, **asked})
    assert archive.store.head() == head


def test_a_part_that_is_in_two_lots_is_asked_for(archive: Archive, tmp_path: Path) -> None:
    file = export("S2", 86.0, tmp_path)
    file.write_text(file.read_text("utf-8").replace("Lot: L1", "Lot: L2"), "utf-8")
    archive.ingest([file])
    with pytest.raises(NotAllowed, match="lot 'L1' of 'plate'; lot 'L2' of 'plate'"):
        archive.concede(part="S2", **BY)
    assert archive.concede(part="S2", lot="L2", **BY).lot == "L2"


def test_a_later_scan_that_fails_is_not_covered(archive: Archive, tmp_path: Path) -> None:
    archive.concede(part="S2", **BY)
    file = export("S2", 84.0, tmp_path)
    file.write_text(file.read_text("utf-8").replace("10:00:00", "11:00:00"), "utf-8")
    archive.ingest([file])
    assert archive.find(sample="S2", limit=None).height == 2
    assert said(archive, "S2") == ""


def test_it_lapses_for_another_version_of_the_specification(archive: Archive) -> None:
    archive.concede(part="S2", **BY)
    (archive.root / "specs/plate.toml").write_text(SPEC.replace("90.0", "89.0"), "utf-8")
    archive.adopt_revision("L1", "plate", who="op", why="customer's word")
    assert verdict_of(archive, "S2").outcome is Outcome.FAIL
    assert said(archive, "S2") == (
        "a concession of quality 1 does not cover it: it was given under another version of the "
        "specification"
    )


def test_it_says_nothing_of_what_passes_now(archive: Archive) -> None:
    archive.concede(part="S2", **BY)
    (archive.root / "specs/plate.toml").write_text(SPEC.replace("90.0", "80.0"), "utf-8")
    archive.adopt_revision("L1", "plate", who="op", why="customer's word")
    assert verdict_of(archive, "S2").outcome is Outcome.PASS
    assert said(archive, "S2") == ""


def test_after_its_last_day_it_covers_nothing(archive: Archive) -> None:
    today = today_in(archive.settings.zone)
    archive.concede(part="S2", until=today, **BY)
    verdict = verdict_of(archive, "S2")
    concessions = archive.concessions([verdict.measurement_id])
    assert concessions.covering(verdict) is not None
    concessions.today = today + timedelta(days=1)
    assert concessions.covering(verdict) is None
    assert concessions.said(verdict).endswith(f"does not cover it: it ended on {today}")


def test_a_revoked_one_covers_nothing_and_stays_in_the_record(archive: Archive) -> None:
    given = archive.concede(lot="L1", **BY)
    archive.revoke_concession(given.concession_id, who="quality 2", why="the trials failed")
    for name in ("S2", "S3"):
        assert said(archive, name) == (
            "a concession of quality 1 does not cover it: it was revoked by quality 2: "
            "the trials failed"
        )
    kinds = [str(each.kind) for each in archive.events(verdict_of(archive, "S2").measurement_id)]
    assert kinds == ["concede", "revoke concession"]
    with pytest.raises(NotAllowed, match="revoked by quality 2 already"):
        archive.revoke_concession(given.concession_id, who="quality 2", why="again")
    with pytest.raises(NotFound, match="found no concession '7'"):
        archive.revoke_concession("7", who="quality 2", why="again")
    assert archive.concede(part="S2", **BY).concession_id != given.concession_id
    assert said(archive, "S2").startswith("accepted by concession of quality 1:")


def test_a_number_that_came_out_worse_is_not_covered(archive: Archive) -> None:
    archive.concede(part="S2", **BY)
    verdict = verdict_of(archive, "S2")
    concessions = archive.concessions([verdict.measurement_id])
    worse = replace(verdict, margin=verdict.margin - 0.1)
    assert concessions.covering(replace(verdict, margin=verdict.margin + 0.1)) is not None
    assert concessions.covering(worse) is None
    assert "given for 85.00 %T, and the number is worse now" in concessions.said(worse)


def scan_of_site(archive: Archive, folder: Path, site: str, lowest: float) -> None:
    where = {"Sample": "W1", "Lot": "L1", "Product": "plate", "Site": site}
    archive.ingest([scan_file(folder / f"site {site}.txt", lowest, **where)])


def accepted_of_wafer(archive: Archive) -> tuple[Outcome | None, str]:
    """Outcome of the wafer, and who accepts all that decides it."""
    (part,) = archive.part_verdicts()
    return part.outcome, archive.concessions(part.measurement_ids).accepts(
        part.specs[0].verdict.deciding, "W1"
    )


@pytest.mark.parametrize("rule", ['"mean"', "{ fraction = 0.9 }"])
def test_what_several_sites_make_is_accepted_until_another_site_makes_it_worse(
    rule: str, tmp_path: Path
) -> None:
    with Archive.create(tmp_path / "lab", "lab") as archive:
        write_files(archive.root)
        sited = FORMAT.replace('lot = "Lot"', 'lot = "Lot"\nsite = "Site"')
        (archive.root / "formats/plain.toml").write_text(sited, "utf-8")
        (archive.root / "specs/plate.toml").write_text(f"{SPEC}over_sites = {rule}\n", "utf-8")
        scan_of_site(archive, tmp_path, "1", 85.0)
        scan_of_site(archive, tmp_path, "2", 91.0)
        assert accepted_of_wafer(archive) == (Outcome.FAIL, "")
        archive.concede(part="W1", **BY)
        covered = (Outcome.FAIL, "accepted by concession of quality 1")
        assert accepted_of_wafer(archive) == covered
        scan_of_site(archive, tmp_path, "3", 86.0)
        assert accepted_of_wafer(archive) == (Outcome.FAIL, "")


def test_a_spectrum_that_stands_for_several_parts_is_accepted_for_the_named_ones(
    archive: Archive,
) -> None:
    archive.concede(part="S2", **BY)
    verdict = verdict_of(archive, "S2")
    concessions = archive.concessions([verdict.measurement_id])
    assert concessions.covering(verdict, "S2") is not None
    assert concessions.covering(verdict, "S3") is None


def test_the_record_survives_a_catalogue_made_anew(archive: Archive) -> None:
    archive.concede(part="S2", until=date(2999, 1, 1), **BY)
    before = said(archive, "S2")
    archive.rebuild()
    assert said(archive, "S2") == before
    assert archive.verify() == []


def run(archive: Archive, *words: str):
    return CliRunner().invoke(app, [*words, "--archive", str(archive.root)])


def test_the_commands_concede_show_and_revoke(archive: Archive) -> None:
    done = run(archive, "concede", "--lot", "L1", "--part", "S2", "--until", "2999-01-01",
               "--who", "quality 1", "--why", "for trials")  # fmt: skip
    assert done.exit_code == 0, done.output
    assert done.output.endswith(": green of S2 by plate; still failed\n")
    key = done.output.split()[1].rstrip(":")
    measurement = verdict_of(archive, "S2").measurement_id
    accepted = "accepted by concession of quality 1"
    assert accepted in run(archive, "explain", measurement).output
    assert accepted in run(archive, "show", measurement).output
    assert accepted in run(archive, "find", "--sample", "S2", "--json").output
    assert "concession" in run(archive, "find", "--sample", "S2").output
    lot = run(archive, "show", "--lot", "L1").output
    (part,) = [line for line in lot.splitlines() if "S2: plate:" in line]
    assert "plate: fail; green: fail" in part and part.endswith(accepted)
    assert f"{key}: " in lot
    done = run(archive, "revoke", key, "--who", "quality 1", "--why", "over")
    assert (done.exit_code, done.output) == (0, f"revoked {key}\n")
    assert accepted not in run(archive, "show", "--lot", "L1").output


def test_an_export_of_verdicts_has_the_concession_beside_the_outcome(
    archive: Archive, tmp_path: Path
) -> None:
    import polars as pl

    archive.concede(part="S2", **BY)
    archive.export(tmp_path / "verdicts.csv", what="verdicts", lot="L1")
    rows = pl.read_csv(tmp_path / "verdicts.csv")
    said_of = dict(zip(rows["outcome"], rows["concession"], strict=True))
    assert set(rows["outcome"]) == {"pass", "fail"}
    assert said_of["pass"] is None
    assert rows["concession"].drop_nulls().to_list() == [
        "accepted by concession of quality 1: good enough for the trials"
    ]
