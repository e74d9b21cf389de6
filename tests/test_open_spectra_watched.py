"""Measured spectra of the open collection go in through the watcher, or are refused for a reason.

Source: the JCAMP-DX test files described in ``tests/data/open_spectra/README.md``.
"""

import shutil
from pathlib import Path

import polars as pl

from speclake.api import Archive
from speclake.service import Service
from tests.test_service import eventually

COLLECTION = Path(__file__).parent / "data/open_spectra"
PERCENT = "importer = 'jcamp'\n[settings]\nvalue_units = { 'TRANSMITTANCE' = '%T' }\n"

OTHER_TECHNIQUES = {
    "graph_affn.jdx": "wavelength, wavenumber or photon energy",
    "mass_peaktable.jdx": "wavelength, wavenumber or photon energy",
    "nmr_affn.jdx": "wavelength, wavenumber or photon energy",
}
UNDECLARED_PERCENT = ("ir_affn_decreasing.jdx", "ir_difdup_decreasing.jdx", "ir_pac_decreasing.jdx")


def test_every_open_spectrum_is_taken_in_or_refused_for_a_chemists_reason(tmp_path: Path) -> None:
    exports, root = tmp_path / "exports", tmp_path / "lab"
    exports.mkdir()
    Archive.create(root, "open spectra").close()
    with (root / "speclake.toml").open("a", encoding="utf-8") as settings:
        settings.write(
            f'\n[[folder]]\nname = "in"\npath = "{exports.as_posix()}"\n'
            'importer = "jcamp"\nsettle_s = 0.1\nrescan_s = 0.5\n'
        )
    files = sorted(COLLECTION.glob("*.jdx"))
    with Archive.open(root) as archive:
        service = Service(archive)
        service.start(with_pages=False)
        try:
            for file in files:
                shutil.copy(file, exports)
            eventually(lambda: _seen(archive) == len(files))
        finally:
            service.close()
        archive.refresh()
        ledger = archive.files(limit=None)
        refused = {
            row["path"]: row["note"]
            for row in ledger.filter(pl.col("outcome") == "refused").iter_rows(named=True)
        }
        assert set(refused) == {*OTHER_TECHNIQUES, *UNDECLARED_PERCENT}
        for name, reason in OTHER_TECHNIQUES.items():
            assert reason in refused[name]
        for name in UNDECLARED_PERCENT:
            assert "fraction" in refused[name] or "%T" in refused[name]
        assert archive.count() == 15
        assert archive.verify() == []


def _seen(archive: Archive) -> int:
    archive.refresh()
    return archive.files(limit=None).height


def test_declared_percent_is_read_once_a_format_declares_it(tmp_path: Path) -> None:
    files = [COLLECTION / name for name in UNDECLARED_PERCENT]
    with Archive.create(tmp_path / "lab", "open spectra") as archive:
        assert archive.ingest(files).counts == {"refused": 3}
        (archive.root / "formats/percent.toml").write_text(PERCENT, "utf-8")
        again = archive.ingest(files, importer="jcamp", format="percent")
        assert again.counts == {"taken": 3}, again.refused
        assert set(archive.find()["unit"]) == {"%T"}
        assert archive.files(limit=None).height == 6
