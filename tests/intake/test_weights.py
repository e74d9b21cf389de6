"""A lab's table of weights in an archive: kept with the specification, whatever becomes of it."""

import pytest

from speclake.api import Archive
from speclake.errors import BadSettings
from speclake.intake.verdicts import specification_of
from speclake.judging import Conditions, judge
from tests.labs import export, write_files

SPEC = """
name = "plate"
products = ["plate"]
[[requirement]]
id = "lamp"
what = "weighted mean"
method = "works instruction"
edition = "B"
weights = "lamp"
integration = "sum"
unit = "%T"
largest_interval = 1
at_least = 90
"""
LAMP = "# kind: lines\n# unit: nm\n# source: invented lamp\nposition,weight\n501,1\n502,3\n"


@pytest.fixture
def archive(tmp_path):
    root = tmp_path / "lab"
    Archive.create(root, "lab").close()
    write_files(root)
    (root / "specs" / "plate.toml").write_text(SPEC)
    (root / "weights").mkdir()
    (root / "weights" / "lamp.csv").write_text(LAMP)
    with Archive.open(root) as opened:
        yield opened


def test_a_verdict_can_be_made_again_after_the_table_is_gone(archive, tmp_path):
    archive.ingest([export("S1", 90.0, tmp_path)])
    (name,) = archive.find()["measurement_id"]
    (first,) = archive.verdicts([name]).to_dicts()
    assert first["value"] == (91.0 + 3 * 92.0) / 4
    assert "weights lamp (invented lamp)" in first["description"]
    for path in (archive.root / "weights" / "lamp.csv", archive.root / "specs" / "plate.toml"):
        path.unlink()
    kept = specification_of(archive.store.catalog, first["spec_version"])
    (spectra,) = archive.store.spectra([name])
    (again,) = judge(spectra, kept, [Conditions.of(archive.measurement(name))])
    assert (again.value, again.spec_version) == (first["value"], first["spec_version"])


def test_another_table_is_another_version_in_the_record(archive, tmp_path):
    archive.ingest([export("S1", 90.0, tmp_path)])
    (name,) = archive.find()["measurement_id"]
    (before,) = archive.verdicts([name]).to_dicts()
    (archive.root / "weights" / "lamp.csv").write_text(LAMP.replace("502,3", "502,1"))
    archive.judge([name], spec="plate", who="quality", why="a new certificate of the lamp")
    (after,) = archive.verdicts([name]).to_dicts()
    assert after["value"] == 91.5
    assert after["spec_version"] != before["spec_version"]


def test_a_table_that_is_missing_at_the_start_is_told_and_nothing_is_taken_in(archive, tmp_path):
    (archive.root / "weights" / "lamp.csv").unlink()
    with pytest.raises(BadSettings, match=r"plate\.toml, weights"):
        archive.ingest([export("S1", 90.0, tmp_path)])
    assert archive.find().is_empty()
