"""Importers against a plain library's reading of the same numbers, on one core.

Run: python -m tests.benchmarks.bench_importers [--points 400000] [--only jcamp]
Every line is one export, made in memory. Its numbers are also written as rows of text that a
general library reads: the baselines, which check nothing and keep no header. Times are those of the
processor, the best of some runs taken in turn; a ratio is the importer's time over the baseline's.
"""

import argparse
import io
import time
import tomllib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pyarrow as pa
from pyarrow import csv
from speclake_plugins.columns import ColumnsImporter
from speclake_plugins.jcamp import JcampImporter

from speclake.importing import Source
from speclake.importing.interface import Importer
from speclake.spectrum import FloatArray, Spectrum
from speclake.writing.forms import Form
from speclake.writing.jcamp import blocks


@dataclass(frozen=True)
class Case:
    """One export and the same numbers for the baselines.

    Parameters
    ----------
    name : importer and kind of export.
    importer, content : who reads what.
    rows : the numbers as text of equal rows, blank between the cells.
    formats : descriptions by name; the first is taken.
    """

    name: str
    importer: Importer
    content: bytes
    rows: bytes
    formats: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)

    def read(self) -> int:
        """Points that the importer reads."""
        source = Source("export", self.content, self.formats, next(iter(self.formats), None))
        return sum(spectrum.values.size for spectrum in self.importer.read(source))


def with_numpy(rows: bytes) -> object:
    return np.loadtxt(io.BytesIO(rows))


def with_pyarrow(rows: bytes) -> object:
    pa.set_cpu_count(1)
    return csv.read_csv(
        io.BytesIO(rows),
        csv.ReadOptions(autogenerate_column_names=True, use_threads=False),
        csv.ParseOptions(delimiter=" "),
    )


BASELINES: dict[str, Callable[[bytes], object]] = {
    "numpy.loadtxt": with_numpy,
    "pyarrow.csv, one thread": with_pyarrow,
}


def scan(points: int, seed: int = 0) -> Spectrum:
    """An invented scan on the 0.001 %T grid, smooth with some noise."""
    place = np.arange(points)
    noise = np.random.default_rng(seed).normal(0, 0.03, points)
    values = np.round(50 + 40 * np.sin(place / 200) + noise, 3)
    header = {f"Entry {number}": f"value {number}" for number in range(12)}
    positions = np.round(300 + 0.25 * place, 2)
    return Spectrum.as_listed(positions, values, axis_unit="nm", unit="%T", header=header)


def rows_of(spectrum: Spectrum, per_row: int = 8) -> bytes:
    """Rows of a position and ordinates, as whole thousandths, as a JCAMP-DX table has them."""
    thousandths = np.rint(spectrum.values * 1000).astype(np.int64)
    whole = thousandths.size // per_row
    lines = (
        f"{x} {' '.join(map(str, each))}\n"
        for x, each in zip(
            spectrum.axis.values[::per_row].tolist(),
            thousandths[: whole * per_row].reshape(whole, per_row).tolist(),
            strict=False,
        )
    )
    return "".join(lines).encode()


def columns_of(positions: FloatArray, values: FloatArray, between: str) -> bytes:
    return "".join(
        f"{x}{between}{y}\n" for x, y in zip(positions.tolist(), values.tolist(), strict=True)
    ).encode()


def jcamp_cases(points: int) -> Iterator[Case]:
    one = scan(points)
    forms: tuple[Form, ...] = ("affn", "pac", "sqz", "dif", "difdup")
    for form in forms:
        content = "".join(blocks([one], form)).encode()
        yield Case(f"jcamp, {form}", JcampImporter(), content, rows_of(one))
    many = [scan(2401, seed) for seed in range(points // 2401)]
    rows = b"".join(rows_of(each) for each in many)
    for form in ("affn", "difdup"):
        content = "".join(blocks(many, form)).encode()
        yield Case(f"jcamp, {form}, blocks of 2,401 points", JcampImporter(), content, rows)
    values = one.values / 3
    full = Spectrum(one.axis, values, "%T")
    content = "".join(blocks([full], "pairs")).encode()
    rows = columns_of(one.axis.values, values, " ")
    yield Case("jcamp, pairs, all digits of a float64", JcampImporter(), content, rows)


PLAIN_COLUMNS = """
[recognise]
file_name = "*"
[text]
encoding = "ascii"
delimiter = "tab"
decimal_sign = "."
[axis]
unit = "nm"
[values]
columns = [2]
unit = "%T"
"""


def columns_cases(points: int) -> Iterator[Case]:
    one = scan(points)
    positions, values = one.axis.values, one.values
    content, rows = columns_of(positions, values, "\t"), columns_of(positions, values, " ")
    formats = {"plain": tomllib.loads(PLAIN_COLUMNS)}
    yield Case("columns, two with a tab between", ColumnsImporter(), content, rows, formats)


CASES: dict[str, Callable[[int], Iterator[Case]]] = {
    "jcamp": jcamp_cases,
    "columns": columns_cases,
}
"""Exports to read, by importer. A new importer adds a function here."""


def processor_time_s(run: Callable[[], object]) -> float:
    start = time.process_time()
    run()
    return time.process_time() - start


def compare(case: Case, repeats: int) -> None:
    points = case.read()
    assert points > 0
    best = dict.fromkeys(("", *BASELINES), float("inf"))
    for _ in range(repeats):
        best[""] = min(best[""], processor_time_s(case.read))
        for name, baseline in BASELINES.items():
            taken = processor_time_s(lambda read=baseline: read(case.rows))
            best[name] = min(best[name], taken)
    speed = len(case.content) / best[""] / 1e6
    rate = points / best[""] / 1e6
    ratios = "  ".join(f"{best[''] / best[name]:>23.2f}" for name in BASELINES)
    print(f"{case.name:<40} {speed:>7.1f} {rate:>9.2f}  {ratios}")


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--points", type=int, default=400_000)
    arguments.add_argument("--repeats", type=int, default=5)
    arguments.add_argument("--only", choices=CASES, default=None)
    chosen = arguments.parse_args()
    titles = "  ".join(f"{name:>23}" for name in BASELINES)
    print(f"{'importer and export':<40} {'MB/s':>7} {'Mpoints/s':>9}  {titles}")
    for name in [chosen.only] if chosen.only else CASES:
        for case in CASES[name](chosen.points):
            compare(case, chosen.repeats)


if __name__ == "__main__":
    main()
