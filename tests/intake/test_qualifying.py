"""Qualification runs among the scans that are taken in, and what they were held against."""

import json
from datetime import timedelta

import numpy as np
import pytest

from speclake.errors import BadSettings
from speclake.intake.standardbook import StandardBook, standard_row
from speclake.measurement import Kind
from speclake.specs import Outcome
from speclake.standards.certificates import Certificate
from speclake.standards.programmes import Programme
from tests.intake.bench import CERTIFICATE, MONDAY, NM, PROGRAMME, bench, scan, take

RIPPLE = 0.01 * np.sin(NM - 550.0)
"""So that no scan stands still; nothing at 550 nm."""

REPEATED = """
[[check]]
id = "repeats"
what = "repeatability"
sample = "check piece*"
scans = 3
within_h = 2
at_nm = 550
largest_sd = 0.05
unit = "%T"
every_days = 7
"""


def grey(name, value, hours=0.0, **known):
    return scan(name, value, hours, kind=Kind.STANDARD, product=None, sample="Grey 1", **known)


class TestRuns:
    def test_a_run_is_a_row_beside_its_scan_with_all_that_it_was_held_against(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            (row,) = take(archive, grey("grey 1", 30.2)).qualifications
            assert (row.programme, row.check, row.what) == (
                "bench 1, visible",
                "grey filter",
                "values",
            )
            assert (row.at, row.expected) == (550.0, 30.0)
            assert row.error == pytest.approx(0.2, abs=0.06)
            assert (row.low, row.high, row.unit) == (-0.5, 0.5, "%T")
            assert row.outcome is Outcome.PASS
            assert (row.standard, row.certificate) == ("grey filter", "C-7")
            assert row.due_at == MONDAY + timedelta(days=7)
            kept = archive.store.catalog.qualifications(instrument="bench 1").to_dicts()
            assert [each["qualification_id"] for each in kept] == [row.qualification_id]
            assert archive.verify() == []

    def test_programme_and_certificate_are_kept_as_they_were(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            (row,) = take(archive, grey("grey 1", 30.2)).qualifications
            assert take(archive, grey("grey 2", 30.1, 24)).standards == ()
            programme = archive.store.catalog.standard(row.programme_version)
            certificate = archive.store.catalog.standard(row.certificate_version)
            assert Programme.model_validate_json(programme.content).version == row.programme_version
            assert Certificate.model_validate_json(certificate.content).version == (
                row.certificate_version
            )

    def test_a_part_a_conflict_and_another_instrument_make_no_run(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            batch = take(
                archive,
                scan("A", 95.0),
                grey("grey 1", 30.0, conflict="another has these values"),
                grey("grey 2", 30.0, instrument="bench 2"),
                grey("grey 3", 30.0, instrument=None),
            )
            assert batch.qualifications == ()

    def test_an_expired_certificate_measures_nothing(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            (row,) = take(archive, grey("grey 1", 30.0, 24 * 400)).qualifications
            assert row.outcome is Outcome.NOT_MEASURABLE
            assert "valid until 2026-12-31" in row.reason

    def test_a_scan_that_is_told_later_to_be_of_a_standard_becomes_a_run(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            m, spectrum = scan("X", 30.0, kind=Kind.UNKNOWN, product=None, sample=None)
            assert take(archive, (m, spectrum)).qualifications == ()
            told = {"sample": "grey 1", "kind": "standard"}
            archive.assign([m.measurement_id], told, who="ada", why="seen on the holder")
            rows = archive.store.catalog.qualifications()
            assert rows["check"].to_list() == ["grey filter"]
            archive.assign([m.measurement_id], {"comment": "dusty"}, who="ada", why="note")
            assert archive.store.catalog.qualifications().height == 1
            assert archive.verify() == []

    def test_a_conflict_that_is_settled_becomes_a_run(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            m, spectrum = grey("grey 1", 30.0, conflict="another has these values")
            take(archive, (m, spectrum))
            archive.settle_conflict([m.measurement_id], who="ada", why="both are right")
            assert archive.store.catalog.qualifications().height == 1

    def test_a_check_of_several_scans_waits_for_them(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            path = archive.root / "qualification/bench-1.toml"
            path.write_text(PROGRAMME + REPEATED, "utf-8")
            levels = (60.00, 60.02, 60.01, 60.03)
            found = []
            for n, level in enumerate(levels):
                of_piece = {"kind": Kind.CHECK, "sample": "check piece 1", "noise": 0.0}
                m = scan(f"c{n}", level + RIPPLE, n / 4, **of_piece)
                found.append(take(archive, m).qualifications)
            assert [len(each) for each in found] == [0, 0, 1, 1]
            assert found[2][0].value == pytest.approx(np.std(levels[:3], ddof=1), abs=1e-9)
            assert found[3][0].value == pytest.approx(np.std(levels[1:], ddof=1), abs=1e-9)

    def test_scans_of_one_commit_are_told_apart_by_their_times(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            path = archive.root / "qualification/bench-1.toml"
            path.write_text(PROGRAMME + REPEATED, "utf-8")
            known = {"kind": Kind.CHECK, "sample": "check piece 1", "noise": 0.0}
            scans = [scan(f"c{n}", 60 + n / 100 + RIPPLE, n / 4, **known) for n in (2, 0, 1)]
            late = scan("c9", 60.5, 9, **known)
            rows = take(archive, *scans, late).qualifications
            assert [row.taken_at for row in rows] == [MONDAY + timedelta(hours=0.5)]


class TestBook:
    def book(self, folder, *certificates, programme=PROGRAMME):
        for name in ("standards", "qualification"):
            (folder / name).mkdir(exist_ok=True)
        for n, text in enumerate(certificates or (CERTIFICATE,)):
            (folder / f"standards/{n}.toml").write_text(text, "utf-8")
        (folder / "qualification/p.toml").write_text(programme, "utf-8")
        return StandardBook(folder)

    def test_an_archive_without_any_has_none(self, tmp_path):
        found = StandardBook(tmp_path).current()
        assert (found.certificates, found.programmes) == ((), ())

    def test_a_file_that_changes_is_read_again(self, tmp_path):
        book = self.book(tmp_path)
        assert book.current().certificates[0].certificate == "C-7"
        (tmp_path / "standards/0.toml").write_text(CERTIFICATE.replace("C-7", "C-88"), "utf-8")
        assert book.current().certificates[0].certificate == "C-88"

    def test_a_mistake_made_later_keeps_what_was_good_and_is_told(self, tmp_path):
        book = self.book(tmp_path)
        good = book.current()
        (tmp_path / "standards/0.toml").write_text(CERTIFICATE + 'colour = "grey"\n', "utf-8")
        assert book.current() == good
        assert "0.toml" in book.trouble and "colour" in book.trouble
        (tmp_path / "standards/0.toml").write_text(CERTIFICATE, "utf-8")
        assert book.current() == good and book.trouble == ""

    def test_a_mistake_at_the_start_is_refused(self, tmp_path):
        with pytest.raises(BadSettings, match="certificate in standards/: grey filter"):
            self.book(
                tmp_path, programme=PROGRAMME.replace('"grey filter"\nla', '"green filter"\nla')
            ).current()

    def test_two_of_one_name_and_date_are_refused(self, tmp_path):
        with pytest.raises(BadSettings, match=r"1.toml.*name"):
            self.book(tmp_path, CERTIFICATE, CERTIFICATE.replace("C-7", "C-8")).current()

    def test_of_several_certificates_the_last_issued_by_the_day_holds(self, tmp_path):
        renewed = CERTIFICATE.replace("C-7", "C-8").replace("2025-01-01", "2026-03-01")
        found = self.book(tmp_path, CERTIFICATE, renewed).current()
        days = {
            "C-7": MONDAY.date() - timedelta(days=30),
            "C-8": MONDAY.date(),
        }
        for number, day in days.items():
            assert found.certificate("grey filter", day).certificate == number
        long_ago = MONDAY.date() - timedelta(days=9999)
        assert found.certificate("grey filter", long_ago).certificate == "C-7"
        assert found.certificate("another", MONDAY.date()) is None

    def test_absorbance_is_the_light_of_transmittance(self, tmp_path):
        found = self.book(tmp_path).current()
        assert found.programmes_of("bench 1", "any holder", "absorbance")
        assert not found.programmes_of("bench 1", None, "reflectance")
        assert not found.programmes_of(None, None, "transmittance")

    def test_a_row_keeps_everything_that_is_said(self):
        certificate = Certificate.model_validate(
            {
                "name": "n", "material": "m", "identification": "i", "certificate": "c",
                "issued_by": "b", "issued_on": "2026-01-01", "valid_until": None,
                "band": [{"position_nm": 361.0, "uncertainty_nm": 0.1}],
            }
        )  # fmt: skip
        row = standard_row(certificate)
        assert (row.sort, row.name) == ("certificate", "n")
        assert json.loads(row.content)["band"] == [{"position_nm": 361.0, "uncertainty_nm": 0.1}]
        assert Certificate.model_validate_json(row.content) == certificate
