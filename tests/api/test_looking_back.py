"""What a failed check puts in doubt, in an archive."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from pydantic import TypeAdapter

from speclake.api import Archive
from speclake.api.lookingback import NO_SIZE, look_back
from speclake.api.movements import movements
from speclake.errors import NotFound
from speclake.fitness.observing import ObservedError
from speclake.specs.verdicts import Outcome
from speclake.standards.programmes import AnyCheck, Programme
from tests.api.two_benches import MONDAY, NM, PROGRAMME, make, qualified, ran
from tests.api.two_benches import export as written_export
from tests.intake.test_several import S_AND_P, Lab

FAIL, PASS = Outcome.FAIL, Outcome.PASS

UNEVEN = 0.01 * np.cos(2 * np.pi * NM / 11)
"""Sums up to zero over the 11 points of a band; no detector reads one value over and over."""


def export(folder: Path, name: str, values, day: float, **more) -> Path:
    """Export as of two benches, a little uneven."""
    return written_export(folder, name, values + UNEVEN, day, **more)


@pytest.fixture
def archive(tmp_path) -> Iterator[Archive]:
    """Plates of one week: a pass on day 0, a failure by 0.6 %T (1.2 %) on day 7."""
    exports = tmp_path / "exports"
    with make(tmp_path) as made:
        export(exports, "before", 90.23, -1)
        export(exports, "near", 90.2, 1)
        export(exports, "far", 97.0, 2)
        export(exports, "failed", 89.5, 3)
        export(exports, "elsewhere", 90.21, 4, bench="bench B")
        export(exports, "after", 90.22, 8)
        export(exports, "run", 50.6, 7)
        export(exports, "good run", 50.1, 0)
        for number, name in enumerate(("another run", "a third run")):
            export(exports, name, 50.0 + number / 100, 0, bench="bench B")
        made.ingest([exports])
        qualified(made, ran(0, PASS, 50.1, of(made, "good run")),
                  ran(7, FAIL, 50.6, of(made, "run")))  # fmt: skip
        yield made


def like(**said: object) -> Programme:
    """The programme of bench A, but for what is said."""
    written = {name: getattr(PROGRAMME, name) for name in Programme.model_fields}
    return Programme.model_validate({**written, **said})


def of(archive: Archive, sample: str) -> str:
    (found,) = archive.find(sample=sample)["measurement_id"]
    return found


def test_it_lists_what_was_measured_since_the_last_pass_by_product_and_verdict(archive):
    found = look_back(archive.store, "bench A")
    assert found.measurements["sample"].to_list() == ["near", "far", "failed", "after"]
    assert found.measurements["outcome"].to_list() == ["pass", "pass", "fail", "pass"]
    assert (found.window.since, found.window.until) == (MONDAY, None)
    assert found.by_product.rows() == [("plate", "fail", 1, 0), ("plate", "pass", 3, 2)]
    assert found.sentence == (
        "grey filter of bench A, visible failed on 2026-03-09 (+0.60 %T lies outside ± 0.3 %T). "
        "In doubt since its last pass on 2026-03-02: 4 measurements, of which 2 could get another "
        "verdict; reports went out on 0 of them."
    )


def test_it_tells_by_how_much_each_verdict_could_move(archive):
    """A scale that reads (0.6 + 0.02)/50 = 1.24 % too much moves 90.2 %T by 1.12 %T.

    The filter read too much, so nothing that failed can have been better than it was.
    """
    rows = {row["sample"]: row for row in look_back(archive.store, "bench A").verdicts.to_dicts()}
    assert rows["near"]["moves_by"] == pytest.approx(0.0124 * 90.2, abs=1e-4)
    assert rows["near"]["margin"] == pytest.approx(0.2, abs=1e-3)
    assert [rows[name]["could_become"] for name in ("near", "far", "failed")] == [
        "fail", "", "",
    ]  # fmt: skip
    assert rows["far"]["sentence"].endswith("moves by up to 1.2 %T; stays pass")
    assert [each.words for each in look_back(archive.store, "bench A").errors] == [
        "grey filter: offset of 0.6 ± 0.02 %T at 500 nm, taken off",
        "grey filter: scale of 1.2 ± 0.04 % at 500 nm, taken off",
    ]


def test_it_ends_with_the_next_pass(archive):
    qualified(archive, ran(7.5, PASS, 50.0, of(archive, "another run")))
    found = look_back(archive.store, "bench A")
    assert found.measurements["sample"].to_list() == ["near", "far", "failed"]
    assert "until its next pass on 2026-03-09" in found.sentence


def test_without_a_pass_before_everything_is_in_doubt(archive):
    found = look_back(archive.store, "bench A", failed_at=MONDAY + timedelta(days=7))
    assert "before" not in found.measurements["sample"].to_list()
    qualified(archive, ran(-3, FAIL, 49.0, of(archive, "another run")))
    first = look_back(archive.store, "bench A", failed_at=MONDAY - timedelta(days=3))
    assert first.window.since is None
    assert first.window.until == MONDAY
    assert first.measurements["sample"].to_list() == ["before"]


def test_only_what_reaches_into_the_range_is_in_doubt(archive, tmp_path):
    """The programme covers 490 to 520 nm; a scan from 521 nm on is none of its business."""
    file = export(tmp_path / "more", "red", 90.2, 2.5)
    text = file.read_text("utf-8")
    head, points = text.split("nm\t%T\n")
    kept = [line for line in points.splitlines() if float(line.split("\t")[0]) > 520]
    file.write_text(f"{head}nm\t%T\n" + "\n".join(kept) + "\n", "utf-8")
    archive.ingest([file])
    assert "red" not in look_back(archive.store, "bench A").measurements["sample"].to_list()


def test_withdrawn_scans_are_left_out(archive):
    archive.withdraw([of(archive, "near")], who="q", why="wrong side up")
    assert "near" not in look_back(archive.store, "bench A").measurements["sample"].to_list()


def test_a_report_on_what_was_exported_anew_or_withdrawn_is_named(archive, tmp_path):
    """The paper is with the customer, whatever becomes of the scan."""
    for number, name in (("R-1", "near"), ("R-2", "far")):
        archive.note_report(number, customer="c", ids=[of(archive, name)], who="q", why="sold")
    archive.withdraw([of(archive, "far"), of(archive, "failed")], who="q", why="wrong side up")
    archive.ingest([export(tmp_path / "exports", "near", 90.3, 1)])
    found = archive.look_back("bench A")
    told = found.measurements.select("sample", "gone", "reports").rows()
    assert told == [
        ("near", "superseded", "R-1"), ("near", "", ""), ("far", "withdrawn", "R-2"),
        ("after", "", ""),
    ]  # fmt: skip
    assert set(found.reports["report"]) == {"R-1", "R-2"}
    assert "reports went out on 2 of them" in found.sentence
    assert "4 measurements, 2 of them withdrawn or exported anew since" in found.sentence
    assert found.ids == [of(archive, "near"), of(archive, "after")]
    assert set(found.verdicts["measurement_id"]) == set(found.ids)


def test_the_largest_error_of_all_failed_runs_is_put_on(archive):
    """2.0 %T on day 3 and 0.6 %T on day 7, without a pass between: nobody knows which it was."""
    qualified(archive, ran(3, FAIL, 52.0, of(archive, "another run")))
    latest = look_back(archive.store, "bench A")
    first = look_back(archive.store, "bench A", failed_at=MONDAY + timedelta(days=3))
    assert [each.size for each in latest.errors] == pytest.approx([2.02, 4.04])
    assert [each.size for each in first.errors] == pytest.approx([2.02, 4.04])
    assert latest.changing == first.changing


def test_a_scan_whose_accessory_nobody_stated_is_in_doubt_too(archive):
    archive.assign([of(archive, "near")], {"accessory": "sphere"}, who="q", why="by the log")
    archive.assign([of(archive, "far")], {"accessory": "straight beam"}, who="q", why="by the log")
    on_sphere = like(name="sphere", accessory="sphere")
    run = replace(ran(7.5, FAIL, 51.0, of(archive, "run")), programme="sphere", accessory="sphere")
    qualified(archive, run, programme=on_sphere)
    found = look_back(archive.store, "bench A", programme="sphere")
    assert found.measurements["sample"].to_list() == ["before", "near", "failed", "after"]


def test_runs_with_one_accessory_say_nothing_of_another(archive):
    archive.assign([of(archive, "far")], {"accessory": "straight beam"}, who="q", why="by the log")
    qualified(
        archive,
        replace(ran(1.5, FAIL, 51.0, of(archive, "another run")), accessory="sphere"),
        replace(ran(1.7, PASS, 50.0, of(archive, "a third run")), accessory="straight beam"),
    )
    found = look_back(archive.store, "bench A", failed_at=MONDAY + timedelta(days=1.5))
    assert (found.window.since, found.window.until) == (None, None)
    assert "far" not in found.measurements["sample"].to_list()
    assert "near" in found.measurements["sample"].to_list()


def test_a_drift_counts_from_the_baseline_where_a_scan_names_it(archive, tmp_path):
    """0.1 %T an hour: 2 h as the check has it, and 10 h since the baseline of one of them."""
    when = MONDAY + timedelta(days=2.5, hours=-10)
    more = f"Baseline: {when:%Y-%m-%d %H:%M:%S}\n"
    archive.ingest([export(tmp_path / "more", "late", 97.0, 2.5, more=more)])
    check = TypeAdapter(AnyCheck).validate_python(
        {"id": "drift", "what": "drift", "every_days": 7, "at_nm": 500, "within_h": 2,
         "largest_an_hour": 0.05, "unit": "%T"}
    )  # fmt: skip
    row = replace(
        ran(7, FAIL, 0.1, of(archive, "run")), check="drift", what="drift", expected=None,
        error=None, uncertainty=0.0, qualification_id="d",
    )  # fmt: skip
    drifting = like(check=(check,), name="drifting")
    qualified(archive, replace(row, programme="drifting"), programme=drifting)
    rows = archive.look_back("bench A", check="drift").verdicts.to_dicts()
    moved = {row["sample"]: row["moves_by"] for row in rows}
    assert moved["late"] == pytest.approx(1.0)
    assert moved["near"] == pytest.approx(0.2)


def test_other_failures_are_named(archive):
    noise = PROGRAMME.check[0].model_copy(update={"id": "noise"})
    both = like(check=(PROGRAMME.check[0], noise))
    row = replace(ran(6, FAIL, 50.9, of(archive, "run")), check="noise", qualification_id="n")
    qualified(archive, row, programme=both)
    found = archive.look_back("bench A")
    assert found.check.id == "grey filter"
    assert found.other_sentences == [
        "noise of bench A, visible failed too, on 2026-03-08; look back from it by its name"
    ]
    assert archive.look_back("bench A", check="noise").other_sentences == []


def test_nothing_is_written(archive):
    before = archive.store.head()
    look_back(archive.store, "bench A")
    assert archive.store.head() == before


def test_a_failure_that_there_is_not_is_not_looked_back_from(archive):
    for asked in ({"check": "noise"}, {"programme": "bench A, UV"}):
        with pytest.raises(NotFound, match="found no failed check of bench A under"):
            look_back(archive.store, "bench A", **asked)
    with pytest.raises(NotFound, match="bench C"):
        look_back(archive.store, "bench C")


def test_a_run_whose_numbers_have_no_size_lists_all_the_same(archive):
    run = ran(7.2, FAIL, 50.0, of(archive, "run"))
    qualified(archive, replace(run, value=None, error=None, reason="no value at 500 nm"))
    found = look_back(archive.store, "bench A")
    assert found.errors == ()
    assert found.changing == []
    assert len(found.measurements) == 4
    assert found.verdicts["sentence"][0] == (
        f"mean transmittance from 500 nm to 510 nm, at least 90.0 %T: pass; {NO_SIZE}"
    )


def test_the_error_is_put_on_in_the_range_of_the_programme_alone(archive, tmp_path):
    """A requirement below 490 nm hangs on nothing that the programme covers."""
    spec = archive.root / "specs/plate.toml"
    spec.write_text(
        spec.read_text("utf-8") + '[[requirement]]\nid = "blue"\nwhat = "mean"\nunit = "%T"\n'
        "band = [480, 489]\nat_least = 90\n",
        "utf-8",
    )
    archive.ingest([export(tmp_path / "more", "two", np.where(NM < 490, 90.1, 95.0), 2.5)])
    found = look_back(archive.store, "bench A")
    asked = found.verdicts.filter(found.verdicts["sample"] == "two")["requirement"].to_list()
    assert asked == ["green"]


def test_a_verdict_that_draws_on_a_scan_in_doubt_moves_too(tmp_path):
    """Mean of s and p; p alone is in doubt, by 1.24 % of 84.9 %R, half of which moves the mean."""
    lab = Lab(tmp_path, S_AND_P)
    with lab.archive as archive:
        lab.take(
            lab.write("s1", 95.3, Polarisation="s", Angle=45),
            lab.write("p1", 84.9, Polarisation="p", Angle=45, minute=5),
        )
        archive.assign([lab.named("p1")], {"instrument": "bench A"}, who="q", why="by the log")
        of_reflectance = PROGRAMME.model_copy(update={"quantity": "reflectance"})
        row = replace(
            ran(70, FAIL, 50.6, lab.named("s1")), unit="%R", quantity="reflectance",
        )  # fmt: skip
        check = of_reflectance.check[0].model_copy(update={"unit": "%R"})
        qualified(archive, row, programme=of_reflectance.model_copy(update={"check": (check,)}))
        before = archive.verdicts([lab.named("s1")])
        found = archive.look_back("bench A")
        assert found.ids == [lab.named("p1")]
        (verdict,) = found.verdicts.to_dicts()
        assert verdict["measurement_id"] == lab.named("s1")
        assert verdict["value"] == pytest.approx(90.1)
        assert verdict["moves_by"] == pytest.approx(0.0124 * 84.9 / 2)
        assert verdict["could_become"] == "fail"
        assert archive.verdicts([lab.named("s1")]).equals(before)


@pytest.mark.parametrize("what", ["offset", "wavelength shift", "stray light"])
def test_spectra_made_of_several_stay_on_their_axis(tmp_path, what):
    """Whatever the error, the altered partner is brought back to the points of the others."""
    lab = Lab(tmp_path, S_AND_P)
    with lab.archive as archive:
        lab.take(
            lab.write("s1", 95.3, Polarisation="s", Angle=45),
            lab.write("p1", 84.9, Polarisation="p", Angle=45, minute=5),
        )
        sides = (-1,) if what == "stray light" else (-1, 1)
        error = ObservedError(what, 0.3, "%R", "", 490, 520, sides)
        (found,) = movements(archive.store, [lab.named("p1")], [error], (490, 520))
        by = {"offset": 0.15, "wavelength shift": 0.0, "stray light": 0.3 * 0.151 / 2}[what]
        assert found.move.by == pytest.approx(by, abs=1e-9)
        assert not found.move.could_become or what == "offset"


WRITTEN = """
name = "bench A, visible"
instrument = "bench A"
quantity = "transmittance"
range_nm = [490, 520]
[[check]]
id = "grey filter"
what = "check sample"
sample = "grey"
every_days = 7
at_nm = 500
unit = "%T"
target = 50.0
tolerance = 0.3
rule = "simple acceptance"
"""


def test_from_the_files_to_the_release(tmp_path):
    """Grey filter of 50 %T: right on day 0, 0.6 %T too much on day 6, right again on day 8."""
    exports = tmp_path / "exports"
    noise = np.random.default_rng(6).normal(0, 0.005, (5, NM.size))
    with make(tmp_path) as archive:
        (archive.root / "qualification").mkdir(exist_ok=True)
        (archive.root / "qualification/a.toml").write_text(WRITTEN, "utf-8")
        for name, level, day in (
            ("grey0", 50.1, 0), ("plate1", 90.3, 1), ("grey6", 50.6, 6), ("plate7", 90.3, 7),
        ):  # fmt: skip
            archive.ingest([
                export(exports, name, level + noise[day % 5], day,
                       sample="grey" if name.startswith("grey") else name)
            ])  # fmt: skip
        assert outcome(archive, "plate1") == "pass"
        assert outcome(archive, "plate7") == "not measurable"
        found = archive.look_back("bench A")
        assert found.measurements["sample"].to_list() == ["plate1", "plate7"]
        assert found.verdicts["stands"].to_list() == ["pass", "not measurable"]
        assert found.verdicts["could_become"].to_list() == ["fail", "fail"]
        assert archive.put_aside(found.ids, who="q", why="grey filter failed") == 2
        assert outcome(archive, "plate1") == "not measurable"
        archive.ingest([export(exports, "grey8", 50.0 + noise[4], 8, sample="grey")])
        assert archive.look_back("bench A").window.until == MONDAY + timedelta(days=8)
        assert archive.release(found.ids, who="q", why="measured again, no difference") == 2
        assert outcome(archive, "plate1") == "pass"
        assert outcome(archive, "plate7") == "not measurable"


def outcome(archive: Archive, sample: str) -> str:
    (found,) = archive.find(sample=sample)["outcome"]
    return found
