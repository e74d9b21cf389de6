"""One scan arriving: from settled to its verdict on the bench, while the service watches.

Baseline: the same file read by pandas and one minimum taken, in this process.

    python -m tests.benchmarks.bench_arrival [scans]
"""

import statistics
import sys
import tempfile
import time
from pathlib import Path

import pandas as pd

from speclake.service import Service
from tests.benchmarks.bench_intake import make_archive, write_exports

SETTLE_S = 0.5


def main(scans: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        made, exports = Path(folder) / "made", Path(folder) / "exports"
        made.mkdir()
        exports.mkdir()
        write_exports(made, scans)
        archive = make_archive(Path(folder) / "lake", exports, f"settle_s = {SETTLE_S}\n")
        service = Service(archive)
        service.start(with_pages=False)
        service.is_at_rest.wait()
        delays, bare = [], []
        for file in sorted(made.glob("*.txt")):
            started = time.perf_counter()
            pd.read_csv(file, sep="\t", skiprows=5).iloc[:, 1].min()
            bare.append(time.perf_counter() - started)
            file.rename(exports / file.name)
            dropped = time.perf_counter()
            while True:
                archive.refresh()
                views = archive.bench()
                if views and views[0].measurement.file == file.name and views[0].sentences:
                    break
                time.sleep(0.005)
            delays.append(time.perf_counter() - dropped - SETTLE_S)
        service.close()
        archive.close()
    middle, longest = statistics.median(delays[1:]), max(delays[1:])
    print(f"settled to verdict on the bench, first scan: {delays[0]:.3f} s (goal: below 1 s)")
    print(f"later scans: median {middle:.3f} s, longest {longest:.3f} s")
    ratio = middle / statistics.median(bare)
    print(
        f"bare pandas read and minimum: {statistics.median(bare) * 1e3:.2f} ms; ratio {ratio:.0f}"
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 30)
