"""Overlay of many spectra: from the address to the picture, against NumPy alone.

Run: python -m tests.benchmarks.bench_overlay [SPECTRA ...]

Makes an archive of invented spectra of 2,401 points on the 0.001 %T grid and asks the overlay page
for all of them. Told are: the baseline, plain NumPy min and max of each wavelength over the same
array, already in memory; the density alone, from the same array; the page's own work from the
address to the finished picture, reading included; the whole until a Chromium has drawn it, where
one is found; and the memory of the process. To reach: first picture of 10,000 spectra under 2 s,
of 100,000 under 10 s.
"""

import argparse
import hashlib
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import psutil
from speclake_dashboards import overlay
from speclake_dashboards.address import Address
from speclake_dashboards.app import Pages
from speclake_dashboards.crowd import CHUNK
from speclake_dashboards.density import Density

from speclake.api import Archive
from speclake.archive.encoding import encode
from speclake.archive.lake import create_lake
from speclake.archive.rows import Batch, StoredSpectrum
from speclake.spectrum import Axis, FloatArray, Spectrum
from tests.build import measurement

POINTS = 2_401
A_COMMIT = 2_000
TO_REACH_S = {10_000: 2.0, 100_000: 10.0}
SETTINGS = 'name = "benchmark (invented)"\ninvented = true\n'


DRAWN = "new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))"


def values(axis: Axis, first: int, n: int) -> FloatArray:
    """Edges that drift, with noise, on the 0.001 %T grid."""
    random = np.random.default_rng(first)
    edge = 520.0 + random.normal(0.0, 3.0, (n, 1))
    level = 92.0 + random.normal(0.0, 0.3, (n, 1))
    drawn = level / (1.0 + np.exp((edge - axis.values) / 6.0))
    drawn += random.normal(0.0, 0.05, drawn.shape)
    return np.asarray(np.round(drawn, 3))


def blocks(axis: Axis, spectra: int) -> Iterator[tuple[int, FloatArray]]:
    for first in range(0, spectra, A_COMMIT):
        yield first, values(axis, first, min(A_COMMIT, spectra - first))


def filled(folder: Path, axis: Axis, spectra: int) -> Archive:
    """Archive of that many spectra."""
    folder.mkdir(parents=True)
    (folder / "speclake.toml").write_text(SETTINGS, "utf-8")
    for name in ("specs", "formats", "plugins"):
        (folder / name).mkdir()
    lake = create_lake(folder)
    model = measurement("m", Spectrum(axis, np.zeros(POINTS), "%T"))
    known = {name: getattr(model, name) for name in model.__dataclass_fields__}
    for first, block in blocks(axis, spectra):
        names = [hashlib.sha256(str(first + i).encode()).hexdigest() for i in range(len(block))]
        batch = Batch(
            measurements=tuple(
                type(model)(**known | {
                    "measurement_id": name[:32], "sample": f"S{first + i}", "product": "filter",
                    "values_sha256": name, "scan_sha256": name,
                })
                for i, name in enumerate(names)
            ),
            spectra=tuple(
                StoredSpectrum(name[:32], axis.id, encode(row))
                for name, row in zip(names, block, strict=True)
            ),
            axes=() if first else (axis,),
        )  # fmt: skip
        lake.commit(lambda _, b=batch: b, who="benchmark", why="to be drawn", kind="intake")
    lake.close()
    return Archive.open(folder)


def seconds(work: Callable[[], object]) -> float:
    started = time.perf_counter()
    work()
    return time.perf_counter() - started


def density_of(axis: Axis, array: FloatArray) -> None:
    density = Density(float(axis.values[0]), float(axis.values[-1]))
    for first in range(0, len(array), CHUNK):
        density.add(axis.values, array[first : first + CHUNK])
    density.picture()


def picture_from_address(archive: Archive) -> None:
    """What the page does for the first picture, without a browser."""
    request = overlay.request_of(Address({"product": ["filter"]}))
    table = archive.find(product="filter", limit=overlay.MOST_SPECTRA)
    figure, _ = overlay.crowd_picture(archive, table, request)
    assert figure is not None


def seconds_in_browser(archive: Archive) -> float | None:
    """From the request to the drawn picture in Chromium, None where none is found."""
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        return None
    from playwright.sync_api import sync_playwright

    pages = Pages(archive, "127.0.0.1", 0).start()
    with sync_playwright() as started:
        browser = started.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        page.goto(pages.url + "search")  # the browser has the scripts, as on any later visit
        before = time.perf_counter()
        page.goto(pages.url + "overlay?product=filter")
        page.wait_for_selector("canvas", timeout=120_000)
        page.evaluate(
            "new Promise((drawn) => requestAnimationFrame(() => requestAnimationFrame(drawn)))"
        )
        taken = time.perf_counter() - before
        browser.close()
    pages.stop()
    return taken


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("spectra", type=int, nargs="*", default=[10_000, 100_000])
    axis = Axis(np.linspace(200.0, 1400.0, POINTS), "nm", "air")
    for spectra in parser.parse_args().spectra:
        with tempfile.TemporaryDirectory() as folder:
            archive = filled(Path(folder) / "archive", axis, spectra)
            told(archive, axis, spectra)
            archive.close()


def told(archive: Archive, axis: Axis, spectra: int) -> None:
    whole = seconds(lambda: picture_from_address(archive))
    process = psutil.Process()
    memory = process.memory_info().rss / 1e6
    browser = seconds_in_browser(archive)
    array = np.concatenate([block for _, block in blocks(axis, spectra)])
    baseline = min(seconds(lambda: (array.min(axis=0), array.max(axis=0))) for _ in range(2))
    density = seconds(lambda: density_of(axis, array))
    reach = TO_REACH_S.get(spectra)
    print(f"{spectra:,} spectra of {POINTS:,} points")
    rows = (
        ("plain NumPy min and max in memory", baseline),
        ("density in memory", density),
        ("address to picture", whole),
        ("request to drawn in Chromium", browser),
    )
    for name, taken in rows:
        if taken is not None:
            print(f"  {name:34}{taken:8.3f} s   {taken / baseline:6.1f} x")
    print(f"  memory of the process              {memory:8.0f} MB")
    if reach is not None:
        print(f"  to reach: first picture under {reach:g} s")


if __name__ == "__main__":
    main()
