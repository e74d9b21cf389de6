"""What a commit, a spectrum on disk, reading, sealing and verifying cost, as ratios.

    python -m tests.benchmarks.bench_archive [FOLDER]

Each figure stands beside a named baseline measured in the same run. Run it alone on the machine;
the folder decides which disk is measured.
"""

import hashlib
import os
import sys
import tempfile
import time
import zlib
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from speclake.archive.catalog import Catalog
from speclake.archive.chain import Commit
from speclake.archive.digests import rows_digest
from speclake.archive.encoding import encode
from speclake.archive.originals import packed
from speclake.archive.rows import Batch, StoredSpectrum, file_id
from speclake.archive.schemas import to_table
from speclake.archive.store import Store, create
from speclake.spectrum import Spectrum
from tests import build

POINTS = 2401
BATCH = 500
BATCHES = 12


def main(folder: Path) -> None:
    """Print every ratio."""
    print(f"{os.cpu_count()} cores, {folder}")
    scans = [scan(i) for i in range(BATCH)]
    texts = [export(each, i) for i, each in enumerate(scans)]
    bench_parts(scans, texts)
    create(folder)
    clock = build.Clock()
    store = Store(folder, lambda root, _, disk: Catalog(root, disk=disk), clock=clock)
    singles = [make([f"single {i}"], scans[i : i + 1], texts[i : i + 1]) for i in range(40)]
    batches = [make([f"{b}-{i}" for i in range(BATCH)], scans, texts) for b in range(BATCHES)]
    bench_commits(store, singles, "one spectrum", folder)
    last = bench_commits(store, batches, f"{BATCH} spectra", folder)
    bench_size(folder, last, texts)
    ids = [m.measurement_id for batch in batches for m in batch.measurements]
    store.refresh()
    bench_reading(store, ids, "in batches as taken in")
    bench_sealing(store, clock)
    store.refresh()
    bench_reading(store, ids, "sealed")
    bench_verify(store)
    store.close()


def scan(number: int) -> Spectrum:
    """Invented spectrum on the 0.001 %T grid, with noise."""
    rng = np.random.default_rng(number)
    x = np.arange(POINTS)
    y = 60 + 30 * np.sin(x / 90 + number * 0.01) + rng.normal(0, 0.02, POINTS)
    return build.spectrum(np.round(y, 3), start_nm=300, step_nm=0.5)


def export(spectrum: Spectrum, number: int) -> bytes:
    """The text that an instrument would write of it."""
    lines = [f"{x:.1f};{y:.3f}" for x, y in zip(spectrum.axis.values, spectrum.values, strict=True)]
    return "\r\n".join([f"sample;S{number}", "wavelength/nm;%T", *lines, ""]).encode()


def make(names: list[str], scans: list[Spectrum], texts: list[bytes]) -> Batch:
    """Batch as intake makes it: an original, a spectrum, ten verdicts for each name."""
    contents = [f"{name}\r\n".encode() + text for name, text in zip(names, texts, strict=True)]
    hashes = [hashlib.sha256(content).hexdigest() for content in contents]
    files = [
        file_id("bench", name, 0, sha256, "") for name, sha256 in zip(names, hashes, strict=True)
    ]
    header = {f"key {i}": f"value {i}" for i in range(20)}
    return Batch(
        measurements=tuple(
            build.measurement(name, each, file_id=file, header=header)
            for name, each, file in zip(names, scans, files, strict=True)
        ),
        spectra=tuple(
            StoredSpectrum(build.identifier(name), each.axis.id, encode(each.values))
            for name, each in zip(names, scans, strict=True)
        ),
        axes=(scans[0].axis,),
        verdicts=tuple(
            build.verdict(name, requirement=f"band {i}") for name in names for i in range(10)
        ),
        specifications=(build.specification(),),
        files=tuple(
            build.file_row(name, file_id=file, sha256=sha256)
            for name, file, sha256 in zip(names, files, hashes, strict=True)
        ),
        originals=dict(zip(hashes, contents, strict=True)),
    )


def best(work: Callable[[], Any], times: int = 5) -> float:
    """Shortest time of some runs, in seconds."""
    shortest = float("inf")
    for _ in range(times):
        start = time.perf_counter()
        work()
        shortest = min(shortest, time.perf_counter() - start)
    return shortest


def tell(what: str, seconds: float, n: int, baseline: str, baseline_s: float) -> None:
    """One line: time a piece, ratio, baseline."""
    each = f"{seconds / n * 1e6:,.0f} us" if seconds / n < 0.01 else f"{seconds / n * 1e3:,.1f} ms"
    print(f"{what:58s} {each:>10s} = {seconds / baseline_s:5.1f} x {baseline}")


def bench_parts(scans: list[Spectrum], texts: list[bytes]) -> None:
    """The arithmetic of a commit, piece by piece."""
    values = [each.values for each in scans]
    tell(
        "encode a spectrum as integers", best(lambda: [encode(v) for v in values]), BATCH,
        "one multiply, round and divide", best(lambda: [np.rint(v * 1e3) / 1e3 for v in values]),
    )  # fmt: skip
    stored = [StoredSpectrum(str(i), "a", encode(v)) for i, v in enumerate(values)]
    table = to_table("spectra", stored)
    data = [v.tobytes() for v in values]
    tell(
        "digest of a spectrum's row", best(lambda: rows_digest(table)), BATCH,
        "SHA-256 of its float64", best(lambda: [hashlib.sha256(d).digest() for d in data]),
    )  # fmt: skip
    tell(
        "deflate an export", best(lambda: [packed("x", text) for text in texts]), BATCH,
        "zlib at level 1", best(lambda: [zlib.compress(text, 1) for text in texts]),
    )  # fmt: skip


def bench_commits(store: Store[Catalog], batches: list[Batch], what: str, folder: Path) -> Commit:
    """Commits of batches that differ, the first left out: it warms everything up."""
    times = []
    for batch in batches:
        store.refresh()
        start = time.perf_counter()
        commit = build.add(store, batch)
        times.append(time.perf_counter() - start)
    sizes = [entry.size for entry in commit.adds]
    bare = median(bare_files(folder.with_name("bare"), sizes) for _ in range(10))
    files = f"{len(sizes)} files of these sizes, fsynced, no more"
    tell(f"commit of {what}", median(times[1:]), 1, files, bare)
    return commit


def bare_files(folder: Path, sizes: list[int]) -> float:
    """Seconds to write and fsync files and their folder."""
    folder.mkdir()
    contents = [os.urandom(size) for size in sizes]
    start = time.perf_counter()
    for number, content in enumerate(contents):
        with (folder / str(number)).open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
    handle = os.open(folder, os.O_RDONLY)
    os.fsync(handle)
    os.close(handle)
    spent = time.perf_counter() - start
    for number in range(len(sizes)):
        (folder / str(number)).unlink()
    folder.rmdir()
    return spent


def bench_size(folder: Path, commit: Commit, texts: list[bytes]) -> None:
    """Bytes of a spectrum and of its original."""
    sizes = {entry.table: entry.size for entry in commit.adds}
    table = pq.read_table(folder / commit.entry("spectra").path)  # type: ignore[union-attr]  # it has one
    floats = pa.array([(np.array(v) / 1000).tolist() for v in table["integers"].to_pylist()])
    sink = pa.BufferOutputStream()
    pq.write_table(pa.table({"values": floats}), sink, compression="zstd")
    usual = len(sink.getvalue()) / BATCH
    text = sum(map(len, texts)) / BATCH
    rest = sum(size for table, size in sizes.items() if table not in ("spectra", "originals"))
    for what, size, against, baseline in (
        ("a spectrum on the 0.001 grid", sizes["spectra"], usual, "float64 in Parquet's own way"),
        ("its original", sizes["originals"], text, "the export"),
        ("the rest of its rows, ten verdicts among them", rest, text, "the export"),
    ):
        print(f"{what:58s} {size / BATCH:8,.0f} B = {size / BATCH / against:5.2f} x {baseline}")


def bench_reading(store: Store[Catalog], ids: list[str], how: str) -> None:
    """One spectrum at random, and all."""
    rng = np.random.default_rng(1)
    paths = sorted(store.root.glob("batches/*/*/spectra.parquet"), key=lambda p: -p.stat().st_size)
    one = []
    for i in rng.integers(0, len(ids), 60):
        start = time.perf_counter()
        store.spectra([ids[i]])
        one.append(time.perf_counter() - start)
    group = median(best(lambda: pq.ParquetFile(paths[0]).read_row_group(0), 1) for _ in range(30))
    tell(f"one spectrum at random, {how}", median(one), 1, "one row group read bare", group)
    whole = best(lambda: store.spectra(ids), 3)
    bare = best(lambda: [divided(path) for path in paths], 3)
    tell(f"{len(ids):,} spectra, {how}, each", whole, len(ids), "read and divided bare", bare)


def divided(path: Path) -> list[Any]:
    """Values of a file of spectra, as short as one can write it for this one file."""
    column = pq.read_table(path, columns=["integers"])["integers"]
    return [chunk.values.to_numpy() / 1000 for chunk in column.chunks]


def bench_sealing(store: Store[Catalog], clock: build.Clock) -> None:
    """A month put together, cleaned of what it replaces."""
    files = [path for path in store.root.glob("batches/*/*/*") if path.is_file()]
    copied = best(lambda: [hashlib.sha256(path.read_bytes()).digest() for path in files], 3)
    clock.move(days=31)
    start = time.perf_counter()
    commits = store.seal(clock().date(), who="night", why="benchmark")
    spent = time.perf_counter() - start
    rows = sum(e.rows for commit in commits for e in commit.adds if e.table == "spectra")
    tell(
        f"seal {rows:,} spectra with their originals, each",
        spent,
        rows,
        "SHA-256 of all files",
        copied,
    )
    clock.move(days=365 * 100)
    store.refresh()
    store.clean(timedelta(0))


def bench_verify(store: Store[Catalog]) -> None:
    """Everything read and held against the records."""
    files = [path for path in store.root.rglob("*") if path.is_file()]
    hashed = best(lambda: [hashlib.sha256(path.read_bytes()).digest() for path in files], 3)
    start = time.perf_counter()
    found = store.verify()
    spent = time.perf_counter() - start
    assert found == [], found
    what = "verify, each spectrum with all of its rows"
    tell(what, spent, BATCH * BATCHES, "SHA-256 of all files", hashed)


if __name__ == "__main__":
    with tempfile.TemporaryDirectory(dir=sys.argv[1] if len(sys.argv) > 1 else None) as made:
        main(Path(made) / "archive")
