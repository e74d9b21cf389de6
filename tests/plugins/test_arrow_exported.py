"""What speclake exported to Parquet it reads back bit for bit, with all that was known."""

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import polars as pl
import pyarrow.parquet as pq
import pytest
from speclake_plugins.arrowtables import ArrowImporter

from speclake.api import Archive, exporting
from speclake.api.exporting import export
from speclake.errors import MalformedFile, NotFound
from speclake.measurement import IDENTITY_FIELDS, PART_FIELDS
from tests import labs
from tests.labs import scan_file, watching_lab, write_files
from tests.plugins.arrow_files import source


@pytest.fixture
def exported(tmp_path: Path):
    exports = tmp_path / "exports"
    with watching_lab(tmp_path / "lab", exports) as archive:
        for site, lowest in enumerate((91.25, 0.001, 88.0)):
            scan_file(
                exports / f"{site}.txt", lowest, Sample=f"P-{site}", Lot="L1",
                Product="plate", scanned=f"2026-05-04 10:00:{site:02d}",
            )  # fmt: skip
        archive.ingest([exports])
        target = tmp_path / "lot.parquet"
        assert export(archive, target, None, {"lot": "L1"}, "spectra") == 3
        yield archive, target


def test_every_bit_and_every_word_comes_back(exported):
    archive, target = exported
    spectra = list(ArrowImporter().read(source(target.read_bytes())))
    frame = pl.read_parquet(target)
    found = {m.measurement_id: m for m in archive.measurements(frame["measurement_id"].to_list())}
    stored = {
        key: (each.axis, values)
        for each in archive.spectra(list(found))
        for key, values in zip(each.keys, each.values, strict=True)
    }
    assert len(spectra) == len(found) == 3
    for spectrum, key in zip(spectra, frame["measurement_id"], strict=True):
        m, (axis, values) = found[key], stored[key]
        assert spectrum.values.tobytes() == values.tobytes()
        assert spectrum.axis.id == axis.id
        assert (spectrum.unit, spectrum.scan_direction) == (m.unit, m.scan_direction)
        assert spectrum.header == dict(m.header)
        assert spectrum.notes[:-1] == m.notes
        assert key in spectrum.notes[-1]
        assert spectrum.fields["sample"] == m.sample
        assert spectrum.fields["scanned"] == m.scanned_at.isoformat()


def test_what_is_known_of_the_beam_path_comes_back(tmp_path, monkeypatch):
    told = 'sample = "Sample"\nbaseline_at = "Baseline"\npurge_min = "Purged"\naverages = "Scans"\n'
    monkeypatch.setattr(labs, "FORMAT", labs.FORMAT.replace('sample = "Sample"\n', told))
    exports = tmp_path / "exports"
    with watching_lab(tmp_path / "lab", exports) as archive:
        scan_file(
            exports / "1.txt", 90.0, Sample="P-1", Baseline="2026-05-04 08:30:00", Purged="12.5",
            Scans="3",
        )  # fmt: skip
        scan_file(exports / "2.txt", 91.0, Sample="P-2", Baseline="this morning")
        archive.ingest([exports])
        found = {m.sample: m for m in archive.measurements(archive.find()["measurement_id"])}
        assert found["P-1"].baseline_at == datetime(2026, 5, 4, 8, 30, tzinfo=UTC)
        assert found["P-2"].baseline_at is None
        assert any("baseline_at not read: found 'this morning'" in n for n in found["P-2"].notes)
        for name in ("all.parquet", "all.jdx"):
            export(archive, tmp_path / name, None, {}, "spectra")
    with Archive.create(tmp_path / "other", "other") as other:
        for name in ("all.parquet", "all.jdx"):
            other.ingest([tmp_path / name])
        again = other.measurements(other.find(sample="P-1")["measurement_id"])
    assert len(again) == 2
    for m in again:
        assert (m.purge_min, m.averages, m.oxygen_ppm) == (12.5, 3.0, None)
        assert m.baseline_at == found["P-1"].baseline_at


def test_another_archive_takes_it_in(exported, tmp_path):
    archive, target = exported
    with Archive.create(tmp_path / "other", "other") as other:
        write_files(tmp_path / "other")
        outcome = other.ingest([target])
        assert (outcome.measurements, outcome.refused) == (3, [])

        def by_sample(of: Archive):
            ids = of.find(limit=None)["measurement_id"].to_list()
            return {m.sample: m for m in of.measurements(ids)}

        theirs = by_sample(other)
        for sample, m in by_sample(archive).items():
            for name in {*IDENTITY_FIELDS, *PART_FIELDS, "unit", "kind", "scanned_at"}:
                assert getattr(theirs[sample], name) == getattr(m, name), name


def test_an_export_with_a_word_that_speclake_never_writes_is_refused(exported, tmp_path):
    _, target = exported
    changed = tmp_path / "changed.parquet"
    pl.read_parquet(target).with_columns(unit=pl.lit("percent")).write_parquet(changed)
    with pytest.raises(MalformedFile, match="row 1: found unit 'percent'"):
        list(ArrowImporter().read(source(changed.read_bytes())))


def test_missing_values_stay_missing(exported, tmp_path):
    _, target = exported
    changed = tmp_path / "changed.parquet"
    frame = pl.read_parquet(target)
    frame.with_columns(
        values=pl.col("values").list.eval(
            pl.when(pl.element() > 91.3).then(float("nan")).otherwise(pl.element())
        )
    ).write_parquet(changed)
    spectra = list(ArrowImporter().read(source(changed.read_bytes())))
    missing = [bool(np.isnan(spectrum.values).any()) for spectrum in spectra]
    wanted = [max(values) > 91.3 for values in frame["values"].to_list()]
    assert missing == wanted
    assert any(missing)


@pytest.mark.parametrize("ending", [".parquet", ".csv", ".jdx"])
def test_an_export_that_fails_leaves_the_older_file_as_it_was(exported, tmp_path, ending):
    archive, _ = exported
    target = tmp_path / f"again{ending}"
    target.write_bytes(b"older")
    in_the_way = tmp_path / f"again{ending}.part"
    in_the_way.mkdir()
    with pytest.raises(OSError, match=r"\.part"):
        export(archive, target, None, {"lot": "L1"}, "spectra")
    assert target.read_bytes() == b"older"


def test_rows_written_in_pieces_are_the_same_rows(exported, tmp_path, monkeypatch):
    archive, whole = exported
    monkeypatch.setattr(exporting, "SPECTRA_AT_A_TIME", 2)
    assert archive.export(tmp_path / "pieces.parquet", lot="L1") == 3
    assert pq.ParquetFile(tmp_path / "pieces.parquet").num_row_groups == 2
    assert pl.read_parquet(tmp_path / "pieces.parquet").equals(pl.read_parquet(whole))


def test_no_identifiers_are_not_all_of_them(exported, tmp_path):
    archive, _ = exported
    with pytest.raises(NotFound, match="no measurement to export"):
        archive.export(tmp_path / "none.parquet", [])
    assert not list(tmp_path.glob("none*"))
