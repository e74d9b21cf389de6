"""One file of a gigabyte and 10,000 spectra: memory of each process, and time against a bare read.

Work: an invented JCAMP-DX file of many blocks is read, hashed, imported, stored and committed by
``speclake ingest``; then the archive is verified, and the file that was taken in is sealed together
with a small one. Baseline: the file is read and hashed. Peak memory is that of private pages
(what the system cannot take back), looked at twenty times a second.

    python -m tests.benchmarks.bench_large [spectra] [points]
"""

import hashlib
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import psutil

from speclake.api import Archive

MB = 2**20
COMMAND = [sys.executable, "-c", "from speclake.cli.app import main; main()"]


def write_blocks(file: Path, spectra: int, points: int) -> None:
    """Compound JCAMP-DX file of blocks in AFFN form; each differs from all others in one value."""
    rng = np.random.default_rng(1)
    base = 91 + 0.5 * np.sin(np.arange(points) / 90)
    kinds = [np.round(1000 * (base + rng.normal(0, 0.02, points))).astype(int) for _ in range(50)]
    tables = [
        "\n".join(f"{3000 + k} " + " ".join(map(str, y[k : k + 9])) for k in range(0, points, 9))
        for y in kinds
    ]
    with file.open("w", encoding="ascii") as stream:
        stream.write("##TITLE= invented\n##JCAMP-DX= 5.01\n##DATA TYPE= LINK\n")
        stream.write(f"##BLOCKS= {spectra}\n##ORIGIN= invented\n##OWNER= invented\n")
        for i in range(spectra):
            table, _, last = tables[i % 50].rpartition(" ")
            stream.write(
                f"##TITLE= scan {i}\n##JCAMP-DX= 5.01\n##DATA TYPE= UV-VIS SPECTRUM\n"
                f"##ORIGIN= invented\n##OWNER= invented\n##BLOCK_ID= {i + 1}\n"
                "##XUNITS= NANOMETERS\n##YUNITS= TRANSMITTANCE\n"
                f"##FIRSTX= 300.0\n##LASTX= {300 + 0.1 * (points - 1):.1f}\n"
                f"##NPOINTS= {points}\n##FIRSTY= {kinds[i % 50][0] / 100_000:.5f}\n##DELTAX= 0.1\n"
                "##XFACTOR= 0.1\n##YFACTOR= 0.00001\n##XYDATA= (X++(Y..Y))\n"
                f"{table} {int(last) + i}\n##END=\n"
            )
        stream.write("##END=\n")


class Watch:
    """Peak of private memory of a process, and of the largest of those it started."""

    def __init__(self, process: psutil.Process) -> None:
        self.own = self.child = 0.0
        self._process = process
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._look)

    def __enter__(self) -> "Watch":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ended.set()
        self._thread.join()

    def _look(self) -> None:
        while not self._ended.wait(0.05):
            try:
                self.own = max(self.own, private_mb(self._process))
                for child in self._process.children(recursive=True):
                    self.child = max(self.child, private_mb(child))
            except psutil.NoSuchProcess:
                continue


def private_mb(process: psutil.Process) -> float:
    memory = process.memory_info()
    return float(memory.rss - getattr(memory, "shared", 0)) / MB


def timed(work: Callable[[], object]) -> tuple[float, float]:
    """Seconds, and the peak of this process in MB."""
    with Watch(psutil.Process()) as watch:
        started = time.perf_counter()
        work()
        took = time.perf_counter() - started
    return took, watch.own


def read_and_hash(file: Path) -> None:
    with file.open("rb") as stream:
        hashlib.file_digest(stream, "sha256")


def main(spectra: int, points: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        root, file = Path(folder) / "lake", Path(folder) / "run.jdx"
        write_blocks(file, spectra, points)
        size = file.stat().st_size / MB
        print(f"{spectra} spectra of {points} points in {size:.0f} MB")
        Archive.create(root, "benchmark").close()
        bare, _ = timed(lambda: read_and_hash(file))
        print(f"read and hash      {bare:7.1f} s  {size / bare:7.0f} MB/s")
        started = time.perf_counter()
        command = [*COMMAND, "ingest", "--archive", str(root), str(file)]
        with subprocess.Popen(command) as process, Watch(psutil.Process(process.pid)) as watch:
            assert process.wait() == 0
        took = time.perf_counter() - started
        print(f"speclake ingest    {took:7.1f} s  {size / took:7.0f} MB/s  ratio {took / bare:.0f}")
        print(f"  peak memory      {watch.own:7.0f} MB, of its worker {watch.child:.0f} MB")
        with Archive.open(root) as archive:
            assert archive.count() == spectra
            took, peak = timed(archive.verify)
            print(f"verify             {took:7.1f} s  peak memory {peak:.0f} MB")
            small = Path(folder) / "small.jdx"
            write_blocks(small, 1, points)
            archive.ingest([small])
            tomorrow = (datetime.now(UTC) + timedelta(days=1)).date()
            took, peak = timed(lambda: archive.seal(tomorrow, who="benchmark", why="benchmark"))
            print(f"seal               {took:7.1f} s  peak memory {peak:.0f} MB")
        scratch = root / "scratch"
        assert not any(scratch.iterdir()), "something was left in scratch"


if __name__ == "__main__":
    numbers = [int(each) for each in sys.argv[1:]]
    main(*(numbers or [10_000, 14_500]))
