"""Corrected spectra on the page of the measurement that they were made of."""

from collections.abc import Iterator

import panel as pn
import pytest
from bokeh.models import TapTool
from speclake_dashboards import corrected
from speclake_dashboards.app import view_of

from speclake.api import Archive
from tests.api.test_correcting import CERTIFICATE
from tests.api.two_benches import export, make


@pytest.fixture
def archive(tmp_path) -> Iterator[Archive]:
    with make(tmp_path) as made:
        (made.root / "standards").mkdir(exist_ok=True)
        (made.root / "standards/mirror.toml").write_text(CERTIFICATE, "utf-8")
        export(tmp_path / "exports", "raw", 92.0, 1)
        made.ingest([tmp_path / "exports"])
        made.assign(only(made), {"correction": "raw ratio"}, who="q", why="as set up")
        yield made


def only(archive: Archive) -> list[str]:
    return archive.find(sample="raw")["measurement_id"].to_list()


def told(archive: Archive) -> str:
    (key,) = only(archive)
    return "".join(map(str, view_of(archive, "measurement", {"id": [key.encode()]}).pieces))


def test_a_corrected_spectrum_is_listed_with_its_mark_and_drawn_beside_the_measured_one(archive):
    assert "Corrected spectra" not in told(archive)
    assert corrected.pieces(archive, only(archive)[0]) == []
    (made,) = archive.correct(only(archive), standard="mirror 7", who="q", why="absolute values")
    page = told(archive)
    for words in ("Corrected spectra", made.derived_id, "by q on", "not as measured"):
        assert words in page, words
    _, live = corrected.pieces(archive, only(archive)[0])
    (pane,) = live.select(pn.pane.Bokeh)
    lines = {each.name: each.data_source.data for each in pane.object.renderers}
    assert list(lines) == ["as measured", "corrected"]
    assert set(lines["as measured"]["y"]) == {92.0}
    (derived,) = archive.derived([made.derived_id])
    assert lines["corrected"]["y"] == pytest.approx(derived.values[0], nan_ok=True)
    assert not pane.object.select(TapTool), "a corrected spectrum is no measurement to open"
