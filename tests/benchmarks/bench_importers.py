"""Importers against a plain library's reading of the same numbers, on one core.

Run: python -m tests.benchmarks.bench_importers [--points 400000] [--only jcamp]
Every line is one export, made in memory. Its numbers are also written as rows of text that a
general library reads: the baselines, which check nothing and keep no header. Times are those of the
processor, the best of some runs taken in turn; a ratio is the importer's time over the baseline's.
The last column is over the importer's own library reading the very file, where it has one.
"""

import argparse
import io
import time
import tomllib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import h5py
import numpy as np
import openpyxl
import pyarrow as pa
from pyarrow import csv, parquet
from python_calamine import load_workbook
from speclake_plugins.arrowtables import ArrowImporter
from speclake_plugins.columns import ColumnsImporter
from speclake_plugins.hdf5 import Hdf5Importer
from speclake_plugins.jcamp import JcampImporter
from speclake_plugins.workbook import WorkbookImporter

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
    own_library : reads the file with the library that the importer is built on, if there is one.
    """

    name: str
    importer: Importer
    content: bytes
    rows: bytes
    formats: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    own_library: Callable[[bytes], object] | None = None

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


OWN_LIBRARY = "its own library"
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


PLAIN_SHEET = """
[sheets]
[axis]
unit = "nm"
[values]
unit = "%T"
"""


def with_calamine(content: bytes) -> object:
    workbook = load_workbook(io.BytesIO(content))
    return [workbook.get_sheet_by_name(name).to_python() for name in workbook.sheet_names]


def workbook_cases(points: int) -> Iterator[Case]:
    scans = [scan(2401, seed).values for seed in range(24)]
    positions = scan(2401).axis.values
    several = max(1, points // (2401 * len(scans)))
    rows = np.column_stack([positions, *scans]).tolist()
    book = openpyxl.Workbook(write_only=True)
    for number in range(several):
        sheet = book.create_sheet(f"scans {number + 1}")
        for row in rows:
            sheet.append(row)
    stream = io.BytesIO()
    book.save(stream)
    text = "".join(f"{' '.join(map(str, row))}\n" for row in rows * several).encode()
    yield Case(
        f"workbook, {several} sheets of 24 scans of 2,401 points", WorkbookImporter(),
        stream.getvalue(), text, {"plain": tomllib.loads(PLAIN_SHEET)}, with_calamine,
    )  # fmt: skip


def stacked(points: int) -> tuple[FloatArray, FloatArray, bytes]:
    """Axis, spectra in rows, and both as rows of text with a column a spectrum."""
    scans = [scan(2401, seed) for seed in range(max(1, points // 2401))]
    positions, values = scans[0].axis.values, np.stack([each.values for each in scans])
    rows = np.column_stack([positions, *values]).tolist()
    text = "".join(f"{' '.join(map(str, row))}\n" for row in rows).encode()
    return positions, values, text


NAMED_DATASETS = """
importer = "hdf5"
[settings.axis]
dataset = "/wavelength"
unit = "nm"
[settings.values]
datasets = ["/transmittance"]
unit = "%T"
"""


def with_h5py(content: bytes) -> object:
    with h5py.File(io.BytesIO(content), "r") as file:
        return file["wavelength"][()], file["transmittance"][()]


def hdf5_cases(points: int) -> Iterator[Case]:
    positions, values, text = stacked(points)
    deflated = {"compression": "gzip", "chunks": (1, 2401)}
    options: dict[str, dict[str, Any]] = {"contiguous": {}, "deflate, a chunk a spectrum": deflated}
    formats = {"named": tomllib.loads(NAMED_DATASETS)}
    for name, stored in options.items():
        stream = io.BytesIO()
        with h5py.File(stream, "w") as file:
            file["wavelength"] = positions
            file.create_dataset("transmittance", data=values, **stored)
        content = stream.getvalue()
        yield Case(f"hdf5, {name}", Hdf5Importer(), content, text, formats, with_h5py)


ROWS_OF_LISTS = """
importer = "arrow"
[settings]
rows = "spectra"
[settings.axis]
column = "wavelength"
unit = "nm"
[settings.values]
columns = ["transmittance"]
unit = "%T"
"""
ROWS_OF_POINTS = """
importer = "arrow"
[settings]
rows = "points"
keys = ["scan"]
[settings.axis]
column = "wavelength"
unit = "nm"
[settings.values]
columns = ["transmittance"]
unit = "%T"
"""


def with_parquet(content: bytes) -> object:
    return parquet.read_table(io.BytesIO(content), use_threads=False)


def arrow_cases(points: int) -> Iterator[Case]:
    positions, values, text = stacked(points)
    number = len(values)
    lists = {"wavelength": [positions] * number, "transmittance": list(values)}
    flat = {
        "scan": np.repeat(np.arange(number), positions.size),
        "wavelength": np.tile(positions, number),
        "transmittance": values.ravel(),
    }
    for name, table, described in (
        ("a row a spectrum", lists, ROWS_OF_LISTS),
        ("a row a point", flat, ROWS_OF_POINTS),
    ):
        stream = io.BytesIO()
        parquet.write_table(pa.table(table), stream, compression="zstd")
        formats = {"described": tomllib.loads(described)}
        content = stream.getvalue()
        yield Case(f"arrow, Parquet, {name}", ArrowImporter(), content, text, formats, with_parquet)


CASES: dict[str, Callable[[int], Iterator[Case]]] = {
    "jcamp": jcamp_cases,
    "columns": columns_cases,
    "workbook": workbook_cases,
    "hdf5": hdf5_cases,
    "arrow": arrow_cases,
}
"""Exports to read, by importer. A new importer adds a function here."""


def processor_time_s(run: Callable[[], object]) -> float:
    start = time.process_time()
    run()
    return time.process_time() - start


def compare(case: Case, repeats: int) -> None:
    points = case.read()
    assert points > 0
    baselines = {name: partial(read, case.rows) for name, read in BASELINES.items()}
    if case.own_library is not None:
        baselines[OWN_LIBRARY] = partial(case.own_library, case.content)
    best = dict.fromkeys(("", *baselines), float("inf"))
    for _ in range(repeats):
        best[""] = min(best[""], processor_time_s(case.read))
        for name, baseline in baselines.items():
            best[name] = min(best[name], processor_time_s(baseline))
    speed = len(case.content) / best[""] / 1e6
    rate = points / best[""] / 1e6
    ratios = "  ".join(f"{best[''] / best[name]:>23.2f}" for name in baselines)
    print(f"{case.name:<50} {speed:>7.1f} {rate:>9.2f}  {ratios}")


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--points", type=int, default=400_000)
    arguments.add_argument("--repeats", type=int, default=5)
    arguments.add_argument("--only", choices=CASES, default=None)
    chosen = arguments.parse_args()
    titles = "  ".join(f"{name:>23}" for name in (*BASELINES, OWN_LIBRARY))
    print(f"{'importer and export':<50} {'MB/s':>7} {'Mpoints/s':>9}  {titles}")
    for name in [chosen.only] if chosen.only else CASES:
        for case in CASES[name](chosen.points):
            compare(case, chosen.repeats)


if __name__ == "__main__":
    main()
