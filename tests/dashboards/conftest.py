"""A small real archive, made once from the first weeks of the demo, and the pages of it."""

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

NASTY = '<img src=x onerror="document.title=1">'
"""A sample name that would run a script if a page put it in as it stands."""


@pytest.fixture(scope="session")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Iterator[object]:
    """Archive of the demo's first three weeks, one part of which has a hostile name."""
    from speclake_demo import generate

    from speclake import demo

    folder = tmp_path_factory.mktemp("archive")
    opened = demo.prepared(folder)
    exports = folder / "exports"
    generate.write(exports, upto=datetime(2026, 3, 22, tzinfo=UTC))
    scan = next(sorted(exports.glob("bench_a/*"))[0].glob("CW*-01.txt"))
    _put_hostile_twin(scan)
    opened.ingest(sorted(exports.iterdir()))
    yield opened
    opened.close()


def _put_hostile_twin(scan: Path) -> None:
    serial = scan.stem.encode()
    content = scan.read_bytes()
    assert serial in content
    scan.with_name("hostile.txt").write_bytes(content.replace(serial, NASTY.encode()))


@pytest.fixture
def pages(archive: object) -> Iterator[object]:
    """Pages of the archive, on a free port; visits are forgotten after half a second."""
    from speclake_dashboards.app import Pages

    served = Pages(archive, "127.0.0.1", 0, unused_ms=500).start()
    yield served
    served.stop()
