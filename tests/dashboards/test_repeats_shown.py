"""Repeats stand beside the outcome of the part, on the bench and on the page of its lot."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from speclake_dashboards import bench, lot
from speclake_dashboards.address import Address

from speclake.api import Archive
from tests.labs import export, write_files

TOLD = "one place was measured 2 times: fail, then pass; each counts"


@pytest.fixture
def archive(tmp_path: Path) -> Iterator[Archive]:
    with Archive.create(tmp_path / "lab", "lab") as made:
        write_files(made.root)
        first = export("S1", 85.0, tmp_path)
        text = first.read_text("utf-8").replace("\t8", "\t9")
        (tmp_path / "again.txt").write_text(text.replace("10:00:00", "11:00:00"), "utf-8")
        made.ingest([first, tmp_path / "again.txt"])
        yield made


@pytest.mark.parametrize(("page", "entries"), [(bench.page, {}), (lot.page, {"lot": ["L1"]})])
def test_repeats_are_told_beside_the_outcome(archive: Archive, page, entries) -> None:
    view = page(archive, Address(entries))
    assert TOLD in str(view.pieces[0].object)
