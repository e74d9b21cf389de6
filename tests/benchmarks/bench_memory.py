"""Memory of the intake: peak of the process with a long backlog against a short one.

Baseline: the same intake of the short backlog, in a process of its own, in the same run.

    python -m tests.benchmarks.bench_memory [short] [long]
"""

import resource
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

from tests.benchmarks.bench_intake import make_archive


def write_small_exports(folder: Path, files: int) -> None:
    rng = np.random.default_rng(1)
    for i in range(files):
        values = 91 + rng.random(61)
        head = (
            f"Sample: S{i:07}\nLot: L{i // 50:05}\nProduct: plate\nScanned: 2026-05-01 00:00:00\n"
        )
        body = "".join(f"{300 + 40 * k}\t{value:.3f}\n" for k, value in enumerate(values))
        below = folder / f"{i // 1000:04}"
        below.mkdir(exist_ok=True)
        (below / f"S{i:07}.txt").write_text(f"{head}\nnm\t%T\n{body}", "ascii")


def peak_mb(files: int) -> float:
    """Peak resident memory of one intake of so many files, in this process."""
    with tempfile.TemporaryDirectory() as folder:
        exports = Path(folder) / "exports"
        exports.mkdir()
        write_small_exports(exports, files)
        with make_archive(Path(folder) / "lake", exports) as archive:
            tally = archive.ingest([exports])
            assert tally.counts["taken"] == files, tally.counts
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main(short: int, long: int) -> None:
    peaks = {}
    for files in (short, long):
        done = subprocess.run(
            [sys.executable, "-m", "tests.benchmarks.bench_memory", "--one", str(files)],
            capture_output=True, text=True, check=True,
        )  # fmt: skip
        peaks[files] = float(done.stdout.split()[-1])
        print(f"backlog of {files:7} files: peak {peaks[files]:.0f} MB")
    print(f"ratio {peaks[long] / peaks[short]:.2f} (goal: flat)")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        print(peak_mb(int(sys.argv[2])))
    else:
        numbers = [int(word) for word in sys.argv[1:]] or [10_000, 100_000]
        main(*numbers)
