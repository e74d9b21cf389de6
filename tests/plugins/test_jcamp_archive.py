"""What an archive wrote as JCAMP-DX, another archive takes in: values, parts and times alike."""

from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from speclake.api import Archive
from speclake.api.exporting import export
from speclake.cli.app import app
from speclake.errors import CannotWrite
from speclake.measurement import IDENTITY_FIELDS, PART_FIELDS, Measurement
from tests.labs import scan_file, watching_lab, write_files


@pytest.fixture
def lab(tmp_path: Path) -> Archive:
    exports = tmp_path / "exports"
    with watching_lab(tmp_path / "lab", exports) as archive:
        for site, lowest in enumerate((91.25, 0.001, 88.0)):
            scan_file(
                exports / f"{site}.txt", lowest, Sample=f"P-{site} $$ x", Lot="L1",
                Product="plate", scanned=f"2026-05-04 10:00:{site:02d}",
            )  # fmt: skip
        outcome = archive.ingest([exports])
        assert outcome.measurements == 3
        yield archive


def all_of(archive: Archive) -> list[Measurement]:
    return archive.measurements(archive.find(limit=None)["measurement_id"].to_list())


def values_by_sample(archive: Archive) -> dict[str | None, tuple[bytes, bytes]]:
    ids = archive.find(limit=None)["measurement_id"].to_list()
    named = {m.measurement_id: m.sample for m in archive.measurements(ids)}
    return {
        named[key]: (each.axis.values.tobytes(), values.tobytes())
        for each in archive.spectra(ids)
        for key, values in zip(each.keys, each.values, strict=True)
    }


@pytest.mark.parametrize("form", ["exact", "difdup", "pairs"])
def test_an_archive_takes_in_what_another_wrote(lab: Archive, tmp_path: Path, form: str) -> None:
    target = tmp_path / "out" / "lot.JDX"
    target.parent.mkdir()
    assert export(lab, target, None, {"lot": "L1"}, "spectra", form) == 3
    assert [each.name for each in target.parent.iterdir()] == ["lot.JDX"]
    with Archive.create(tmp_path / "other", "other") as other:
        write_files(tmp_path / "other")
        outcome = other.ingest([target])
        assert (outcome.measurements, outcome.refused) == (3, [])
        assert values_by_sample(other) == values_by_sample(lab)
        theirs = {m.sample: m for m in all_of(other)}
        for m in all_of(lab):
            found = theirs[m.sample]
            for name in {*IDENTITY_FIELDS, *PART_FIELDS, "unit", "medium", "kind", "scanned_at"}:
                assert getattr(found, name) == getattr(m, name), name
            assert found.header["$Sample"] == m.header["Sample"]
            assert found.values_sha256 == m.values_sha256


def test_the_command_writes_jcamp(lab: Archive, tmp_path: Path) -> None:
    target = tmp_path / "lot.dx"
    words = ["export", str(target), "--archive", str(lab.root), "--lot", "L1"]
    result = CliRunner().invoke(app, [*words, "--form", "sqz"])
    assert (result.exit_code, result.output) == (0, f"wrote 3 spectra to {target}\n")
    text = target.read_text("ascii")
    assert text.count("##XYDATA= (X++(Y..Y))") == 3
    assert "500I125" in text


def test_a_form_that_cannot_carry_the_spectra_leaves_no_file(tmp_path: Path) -> None:
    exports = tmp_path / "exports"
    with watching_lab(tmp_path / "lab", exports) as lab:
        scan_file(exports / "a.txt", np.nextafter(1e-18, 1), Sample="a", Lot="L1", Product="plate")
        lab.ingest([exports])
        target = tmp_path / "lot.jdx"
        with pytest.raises(CannotWrite, match="the form 'dif' cannot carry"):
            export(lab, target, None, {"lot": "L1"}, "spectra", "dif")
        with pytest.raises(CannotWrite, match="found verdicts for JCAMP-DX; expected spectra"):
            export(lab, target, None, {"lot": "L1"}, "verdicts")
        assert sorted(each.name for each in tmp_path.iterdir()) == ["exports", "lab"]
