"""What a failed check puts in doubt, in an archive."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from speclake.api import Archive
from speclake.api.lookingback import NO_SIZE, look_back
from speclake.api.movements import movements
from speclake.errors import NotFound
from speclake.fitness.observing import ObservedError
from speclake.specs.verdicts import Outcome
from tests.api.two_benches import MONDAY, NM, PROGRAMME, export, make, qualified, ran
from tests.intake.test_several import S_AND_P, Lab

FAIL, PASS = Outcome.FAIL, Outcome.PASS


@pytest.fixture
def archive(tmp_path) -> Iterator[Archive]:
    """Plates of one week: a pass on day 0, a failure by 0.6 %T (1.2 %) on day 7."""
    exports = tmp_path / "exports"
    with make(tmp_path) as made:
        export(exports, "before", 90.2, -1)
        export(exports, "near", 90.2, 1)
        export(exports, "far", 97.0, 2)
        export(exports, "failed", 89.5, 3)
        export(exports, "elsewhere", 90.2, 4, bench="bench B")
        export(exports, "after", 90.2, 8)
        export(exports, "run", 50.6, 7)
        made.ingest([exports])
        run = of(made, "run")
        qualified(made, ran(0, PASS, 50.1, run), ran(7, FAIL, 50.6, run))
        yield made


def of(archive: Archive, sample: str) -> str:
    (found,) = archive.find(sample=sample)["measurement_id"]
    return found


def test_it_lists_what_was_measured_since_the_last_pass_by_product_and_verdict(archive):
    found = look_back(archive.store, "bench A")
    assert found.measurements["sample"].to_list() == ["near", "far", "failed", "after"]
    assert found.measurements["outcome"].to_list() == ["pass", "pass", "fail", "pass"]
    assert (found.window.since, found.window.until) == (MONDAY, None)
    assert found.by_product.rows() == [("plate", "fail", 1, 1), ("plate", "pass", 3, 2)]
    assert found.sentence == (
        "grey filter of bench A, visible failed on 2026-03-09 (+0.60 %T lies outside ± 0.3 %T). "
        "In doubt since its last pass on 2026-03-02: 4 measurements, of which 3 could get another "
        "verdict; reports went out on 0 of them."
    )


def test_it_tells_by_how_much_each_verdict_could_move(archive):
    """A scale wrong by 1.2 % moves 90.2 %T by 1.08 %T, more than the offset of 0.6 %T."""
    rows = {row["sample"]: row for row in look_back(archive.store, "bench A").verdicts.to_dicts()}
    assert rows["near"]["moves_by"] == pytest.approx(0.012 * 90.2)
    assert rows["near"]["margin"] == pytest.approx(0.2)
    assert [rows[name]["could_become"] for name in ("near", "far", "failed")] == [
        "fail", "", "pass",
    ]  # fmt: skip
    assert rows["far"]["sentence"].endswith("moves by up to 1.2 %T; stays pass")
    assert [each.kind for each in look_back(archive.store, "bench A").errors] == ["offset", "scale"]


def test_it_ends_with_the_next_pass(archive):
    qualified(archive, ran(7.5, PASS, 50.0, of(archive, "run")))
    found = look_back(archive.store, "bench A")
    assert found.measurements["sample"].to_list() == ["near", "far", "failed"]
    assert "until its next pass on 2026-03-09" in found.sentence


def test_without_a_pass_before_everything_is_in_doubt(archive):
    found = look_back(archive.store, "bench A", failed_at=MONDAY + timedelta(days=7))
    assert "before" not in found.measurements["sample"].to_list()
    qualified(archive, ran(-3, FAIL, 49.0, of(archive, "run")))
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
    """Mean of s and p; p alone is in doubt, by 1.2 % of 84.9 %R, half of which moves the mean."""
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
        found = archive.look_back("bench A")
        assert found.ids == [lab.named("p1")]
        (verdict,) = found.verdicts.to_dicts()
        assert verdict["measurement_id"] == lab.named("s1")
        assert verdict["value"] == pytest.approx(90.1)
        assert verdict["moves_by"] == pytest.approx(0.012 * 84.9 / 2)
        assert verdict["could_become"] == "fail"
        assert archive.verdicts([lab.named("s1")])["outcome"].to_list() == ["pass"]


@pytest.mark.parametrize("what", ["offset", "wavelength shift", "stray light"])
def test_spectra_made_of_several_stay_on_their_axis(tmp_path, what):
    """Whatever the error, the altered partner is brought back to the points of the others."""
    lab = Lab(tmp_path, S_AND_P)
    with lab.archive as archive:
        lab.take(
            lab.write("s1", 95.3, Polarisation="s", Angle=45),
            lab.write("p1", 84.9, Polarisation="p", Angle=45, minute=5),
        )
        error = ObservedError(what, 0.3, "%R", "", 490, 520)
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
