"""Intake against a bare loop: files a second from disk to a durable, judged commit.

Work: invented delimited exports of 2,401 points on the 0.001 %T grid are read, hashed, imported,
stored, judged against 10 requirements and committed. Baseline: one pandas loop in one process that
reads each of the same files and takes one minimum.

    python -m tests.benchmarks.bench_intake [files]
"""

import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from speclake.api import Archive

FORMAT = """
description = "two columns under a short header"
[recognise]
file_name = "*.txt"
[text]
encoding = "ascii"
delimiter = "tab"
decimal_sign = "."
[header]
between = ":"
next_line = "^nm"
[table]
title_lines = 1
[axis]
column = 1
unit = "nm"
[values]
unit = "%T"
[scanned]
entries = ["Scanned"]
patterns = ["%Y-%m-%d %H:%M:%S"]
zone = "UTC"
[fields]
sample = "Sample"
lot = "Lot"
product = "Product"
"""
REQUIREMENTS = "".join(
    f"""
[[requirement]]
id = "r{i}"
what = "{what}"
unit = "%T"
band = [{400 + 100 * i}, {480 + 100 * i}]
at_least = "60.00"
"""
    for i, what in enumerate(["minimum", "mean"] * 5)
)


def write_exports(folder: Path, files: int) -> None:
    rng = np.random.default_rng(1)
    axis = np.linspace(300, 2700, 2401)
    base = 91 + 0.5 * np.sin(axis / 90)
    for i in range(files):
        values = base + rng.normal(0, 0.02, axis.size)
        head = (
            f"Sample: S{i:06}\nLot: L{i // 50:04}\nProduct: plate\n"
            f"Scanned: 2026-05-{1 + i // 86400 % 28:02} "
            f"{i // 3600 % 24:02}:{i // 60 % 60:02}:{i % 60:02}\n\nnm\t%T\n"
        )
        body = "\n".join(f"{x:.0f}\t{y:.3f}" for x, y in zip(axis, values, strict=True))
        (folder / f"S{i:06}.txt").write_text(head + body + "\n", "ascii")


def make_archive(root: Path, exports: Path, more: str = "") -> Archive:
    (root / "formats").mkdir(parents=True)
    (root / "specs").mkdir()
    (root / "formats/plain.toml").write_text(FORMAT, "utf-8")
    spec = 'name = "plate"\nproducts = ["plate"]\n' + REQUIREMENTS
    (root / "specs/plate.toml").write_text(spec, "utf-8")
    (root / "speclake.toml").write_text(
        f'name = "benchmark"\n[[folder]]\nname = "in"\npath = "{exports.as_posix()}"\n'
        'importer = "columns"\nformat = "plain"\nfields = { kind = "part", instrument = "bench" }\n'
        f"{more}",
        "utf-8",
    )
    from speclake.archive.lake import create_lake

    create_lake(root).close()
    return Archive.open(root)


def pandas_loop(exports: Path) -> float:
    import pandas as pd

    started = time.perf_counter()
    for path in sorted(exports.glob("*.txt")):
        pd.read_csv(path, sep="\t", skiprows=5).iloc[:, 1].min()
    return time.perf_counter() - started


def main(files: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        exports = Path(folder) / "exports"
        exports.mkdir()
        write_exports(exports, files)
        pandas_loop(exports)
        bare = pandas_loop(exports)
        with make_archive(Path(folder) / "lake", exports) as archive:
            archive.ingest([next(exports.glob("*.txt"))])
            started = time.perf_counter()
            tally = archive.ingest([exports])
            took = time.perf_counter() - started
        stored = sum(p.stat().st_size for p in (Path(folder) / "lake/batches").rglob("*.parquet"))
    assert tally.counts["taken"] == files - 1, tally
    assert sum(tally.verdicts.values()) == 10 * (files - 1), tally.verdicts
    ours, theirs = (files - 1) / took, files / bare
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"bare pandas loop   {theirs:8.0f} files/s")
    print(f"speclake intake    {ours:8.0f} files/s   ratio {ours / theirs:.2f} (goal: 1 or more)")
    print(f"beside originals   {stored / files:8.0f} bytes a spectrum (goal: below 4,096)")
    print(f"peak memory of the process {peak:.0f} MB")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 5000)
