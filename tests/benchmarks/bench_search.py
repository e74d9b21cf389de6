"""Search over a large archive, against the same question to a bare DuckDB table.

    python tests/benchmarks/bench_search.py [MEASUREMENTS] [FOLDER]

Makes an archive of invented measurements (1,000,000 unless told otherwise) without spectra: real
records and real Parquet tables, written column by column. Then it times the catalogue: built from
the chain, opened, searched with a tail of 2,000 rows on top, kept up, and the memory of a second
process. The bare table holds the same effective rows in one DuckDB file, is asked in one plain
SELECT, and has as many threads.
"""

import argparse
import hashlib
import random
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pyarrow as pa

from speclake.archive.batches import NewBatch, parquet_writer, rows_a_group
from speclake.archive.catalog import Catalog, Query
from speclake.archive.catalog.query import LISTED, where
from speclake.archive.catalog.session import Session
from speclake.archive.chain import Chain
from speclake.archive.locations import LocalDisk
from speclake.archive.rows import Batch, EventKind, EventRow
from speclake.archive.schemas import SCHEMAS
from speclake.archive.store import Store, create
from tests.build import batch, measurement

ROWS_A_COMMIT = 10_000
START = datetime(2021, 1, 4, 6, 0, tzinfo=UTC)
SECONDS_APART = 150
REQUIREMENTS = ("clear band", "blocked band", "edge")
ASKED = 60


def hashes(salt: str, first: int, n: int, digits: int) -> list[str]:
    return [
        hashlib.sha256(f"{salt}{i}".encode()).hexdigest()[:digits] for i in range(first, first + n)
    ]


def table(name: str, n: int, given: dict[str, Any]) -> pa.Table:
    """Table of a schema from some columns; the others hold nothing."""
    arrays = []
    for field in SCHEMAS[name]:
        value = given.get(field.name)
        if isinstance(value, list | np.ndarray):
            arrays.append(pa.array(value, field.type))
        else:
            one = _nothing(field.type) if value is None and not field.nullable else value
            arrays.append(pa.array([one], field.type).take(pa.array(np.zeros(n, np.int32))))
    return pa.Table.from_arrays(arrays, schema=SCHEMAS[name])


def _nothing(type_: pa.DataType) -> Any:
    if pa.types.is_list(type_) or pa.types.is_map(type_):
        return []
    if pa.types.is_boolean(type_):
        return False
    return "" if pa.types.is_string(type_) else 0


def commit_tables(first: int, n: int) -> dict[str, pa.Table]:
    """Measurements, ledger and verdicts number `first` to `first + n - 1`."""
    numbers = np.arange(first, first + n)
    ids = hashes("m", first, n, 32)
    files = hashes("f", first, n, 32)
    contents = hashes("c", first, n, 64)
    paths = [f"2021/run {i // 500:05d}/scan {i % 500:04d}.csv" for i in numbers]
    times = [START + timedelta(seconds=SECONDS_APART * int(i)) for i in numbers]
    lots = numbers // 250
    product = [f"product {i % 40}" for i in lots]
    origin = [[("lot", "header"), ("sample", "header"), ("product", "pattern bench")]] * n
    header = [[("Operator", f"person {i % 9}"), ("Sample", f"S{i // 5}")] for i in numbers]
    first_measurement = measurement("x")
    same = {
        name: getattr(first_measurement, name)
        for name in ("importer", "importer_version", "quantity", "unit", "axis_id", "axis_unit",
                     "points", "axis_first", "axis_last", "scan_direction", "trusted_time")
    }  # fmt: skip
    measurements = table(
        "measurements",
        n,
        same
        | {
            "measurement_id": ids, "file_id": files, "file": paths, "scan_sha256": contents,
            "values_sha256": hashes("v", first, n, 64), "header": header,
            "kind": ["part" if i % 50 else "blank" for i in numbers],
            "instrument": [f"bench {i % 6}" if i else "rare bench" for i in numbers],
            "origin": origin,
            "operator": [f"person {i % 9}" for i in numbers],
            "comment": [f"as coated, tray {i % 31}" if i % 3 else None for i in numbers],
            "order_number": [f"O-{i // 8:05d}" for i in lots], "product": product,
            "customer": [f"customer {i % 25}" for i in lots],
            "coating_run": [f"run {i // 2:05d}" for i in lots],
            "lot": [f"L{i:05d}" for i in lots], "sample": [f"S{i // 5:07d}" for i in numbers],
            "serial": [f"{i // 5:08x}" for i in numbers], "site": [str(i % 5) for i in numbers],
            "scanned_at": times, "arrived_at": times, "trusted_at": times,
        },
    )  # fmt: skip
    ledger = table(
        "files",
        n,
        {
            "file_id": files, "folder": "bench", "path": paths,
            "size": 40_000 + numbers % 977, "modified_ns": numbers * SECONDS_APART * 10**9,
            "sha256": contents, "outcome": "taken", "note": "1 spectrum", "importer": "columns",
            "importer_version": "1", "measurements": 1, "arrived_at": times,
            "holds_original": True,
        },
    )  # fmt: skip
    k = len(REQUIREMENTS)
    draw = np.random.default_rng(first).normal(90.0, 2.0, n * k)
    verdicts = table(
        "verdicts",
        n * k,
        {
            "measurement_id": np.repeat(np.array(ids, object), k).tolist(),
            "spectrum": "as exported", "spec": np.repeat(np.array(product, object), k).tolist(),
            "spec_version": "v1", "requirement": list(REQUIREMENTS) * n,
            "description": "at least 85 %T", "quantity": "minimum", "unit": "%T",
            "value": draw, "low": 85.0, "margin": draw - 85.0, "at": 550.0,
            "outcome": np.where(draw < 85.0, "fail", "pass").tolist(), "engine_version": "1",
        },
    )  # fmt: skip
    checked = fitness_tables(ids, first, n)
    return {"measurements": measurements, "files": ledger, "verdicts": verdicts, **checked}


def fitness_tables(ids: list[str], first: int, n: int) -> dict[str, pa.Table]:
    """Noise of four stretches and two steps of every measurement; a finding on each twentieth."""
    stretches = ((200.0, 350.0), (350.0, 860.0), (860.0, 1100.0), (1100.0, 2500.0))
    k = len(stretches) + 2
    draw = np.random.default_rng(first).gamma(9.0, 0.003, n * k)
    figures = table(
        "figures",
        n * k,
        {
            "figure_id": hashes("g", first * k, n * k, 32),
            "measurement_id": np.repeat(np.array(ids, object), k).tolist(),
            "name": (["noise"] * len(stretches) + ["step"] * 2) * n, "value": draw, "unit": "%T",
            "start": np.tile([low for low, _ in (*stretches, (330.0, 370.0), (840.0, 880.0))], n),
            "stop": np.tile([high for _, high in (*stretches, (330.0, 370.0), (840.0, 880.0))], n),
            "at": ([None] * len(stretches) + [350.0, 860.0]) * n, "version": "1",
        },
    )  # fmt: skip
    doubted = [i for i in range(n) if i % 20 == 0]
    findings = table(
        "findings",
        len(doubted),
        {
            "finding_id": hashes("d", first, len(doubted), 32),
            "measurement_id": [ids[i] for i in doubted], "check": "change-over",
            "severity": ["doubt" if i % 40 else "remark" for i in doubted],
            "text": "a step of 0.30 %T at 860 nm", "value": 0.3, "unit": "%T", "at": 860.0,
        },
    )  # fmt: skip
    return {"figures": figures, "findings": findings}


def make_archive(root: Path, n: int) -> None:
    create(root)
    disk, chain = LocalDisk(), Chain(root)
    head = None
    for first in range(0, n, ROWS_A_COMMIT):
        at = START + timedelta(seconds=SECONDS_APART * first)
        new = NewBatch(root, at, disk)
        entries = []
        for name, rows in commit_tables(first, min(ROWS_A_COMMIT, n - first)).items():
            with disk.create(new.path(name)) as sink, parquet_writer(sink, name, rows.schema) as w:
                w.write_table(rows, row_group_size=rows_a_group(name))
            entries.append(new.entry(name, rows.num_rows, sink.size, sink.sha256))
        new.release()
        head = chain.append(head, at=at, who="bench", why="bench", kind="bench", adds=entries)


def add_tail(store: Store[Catalog], n: int) -> None:
    """2,000 rows after the snapshot: 1,500 new, and newer versions of 500 old ones."""
    for commit in range(3):
        names = [f"tail {commit} {i}" for i in range(500)]
        made = batch(*names, with_axes=commit == 0)
        late = START + timedelta(seconds=SECONDS_APART * n + commit)
        rows = tuple(replace(m, trusted_at=late) for m in made.measurements)
        rows_of = replace(made, measurements=rows)
        store.commit(lambda _, b=rows_of: b, who="bench", why="bench", kind="bench")  # type: ignore[misc]  # bound at once
    chosen = random.Random(1).sample(range(n), min(500, n))
    events = tuple(
        EventRow(
            event_id=f"event {i}", kind=EventKind.ASSIGN, subject=hashes("m", i, 1, 32)[0],
            details={"stage": "after humidity"}, who="bench", why="bench", at=START,
        )
        for i in chosen
    )  # fmt: skip
    store.commit(lambda _: Batch(events=events), who="bench", why="bench", kind="bench")
    store.refresh()


def timed(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return (time.perf_counter() - start) * 1e3


def p95(times: Sequence[float]) -> float:
    return statistics.quantiles(times, n=20)[-1]


class Bare:
    """The same rows in one plain table of a DuckDB file."""

    def __init__(self, catalog: Catalog, folder: Path) -> None:
        path = folder / "bare.duckdb"
        self._session = catalog._upkeep.session
        ask: Callable[[Session], Any] = lambda s: s._connection.execute(  # noqa: E731  # one line
            f"ATTACH '{path}' AS bare; CREATE TABLE bare.measurements AS SELECT * FROM "
            "memory.measurements ORDER BY measurement_no; CREATE TABLE bare.verdicts AS SELECT * "
            "FROM memory.verdicts; DETACH bare"
        )
        catalog._upkeep.ask(ask)
        self._connection = duckdb.connect(str(path), read_only=True, config={"threads": 2})
        self._connection.execute("SET TimeZone = 'UTC'")

    def search(self, query: Query) -> Any:
        found = where(self._session, query)
        condition = found.sql.replace("current_verdicts", "(SELECT * FROM verdicts WHERE current)")
        listed = ", ".join(f'"{name}"' for name in LISTED)
        sql = (
            f"SELECT {listed} FROM measurements {condition} ORDER BY trusted_at DESC, "
            f"measurement_no DESC LIMIT {query.limit}"
        )
        return self._connection.sql(sql, params=found.parameters).pl()


def questions(n: int) -> dict[str, Callable[[random.Random], Query]]:
    def span(r: random.Random) -> Query:
        since = START + timedelta(seconds=SECONDS_APART * r.randrange(n))
        return Query(since=since, until=since + timedelta(days=r.choice([1, 7, 30])))

    return {
        "everything, newest first": lambda _: Query(),
        "sample": lambda r: Query(sample=f"S{r.randrange(n) // 5:07d}"),
        "date span": span,
        "substring": lambda r: Query(text=f"tray {r.randrange(31)}"),
        "rare substring": lambda r: Query(text=f"{r.randrange(n) // 5:07d}"),
        "verdict": lambda r: Query(outcome=r.choice(["fail", "pass", "undecided"])),
        "verdict of a specification": lambda r: Query(
            spec=f"product {r.randrange(40)}", outcome="fail"
        ),
        "sample with wildcard": lambda r: Query(sample=f"*{r.randrange(1000):03d}", lot="L0*"),
    }


def compare(catalog: Catalog, bare: Bare, n: int) -> None:
    print(f"\n{'search, page of 100':32s} {'p95':>9s} {'bare p95':>9s} {'ratio':>6s}")
    for name, ask in questions(n).items():
        r = random.Random(name)
        ours, theirs = [], []
        for _ in range(ASKED):
            query = ask(r)
            ours.append(timed(lambda q=query: catalog.search(q)))  # type: ignore[misc]  # bound at once
            theirs.append(timed(lambda q=query: bare.search(q)))  # type: ignore[misc]  # bound at once
            assert catalog.search(query).equals(bare.search(query)), query
        a, b = p95(ours), p95(theirs)
        print(f"{name:32s} {a:6.1f} ms {b:6.1f} ms {a / b:6.2f}")


def look_ups(catalog: Catalog, n: int) -> None:
    print(f"\n{'look-ups of 500, p95':32s} {'known':>9s} {'new':>9s}")
    r = random.Random(2)

    def ids(salt: str, digits: int, shift: int) -> list[str]:
        return [hashes(salt, r.randrange(n) + shift, 1, digits)[0] for _ in range(500)]

    def listing(shift: int) -> list[tuple[str, int, int]]:
        first = r.randrange(max(1, n - 500))
        return [
            (f"2021/run {i // 500:05d}/scan {i % 500:04d}.csv", 40_000 + i % 977 + shift,
             i * SECONDS_APART * 10**9)
            for i in range(first, first + 500)
        ]  # fmt: skip

    for name, ask in {
        "known_ids": lambda s: catalog.known_ids(ids("m", 32, s)),
        "same_values": lambda s: catalog.same_values(ids("v", 64, s)),
        "has_original": lambda s: catalog.has_original(ids("c", 64, s)),
        "known_file_ids": lambda s: catalog.known_file_ids(ids("f", 32, s)),
        "from_path": lambda s: catalog.from_path("bench", [p for p, *_ in listing(0)] if not s
                                                 else [f"new {i}" for i in range(500)]),
        "unseen": lambda s: catalog.unseen("bench", listing(s)),
        "places": lambda s: catalog.places("spectra", ids("m", 32, s)),
        "verdicts": lambda s: catalog.verdicts(ids("m", 32, s)),
    }.items():  # fmt: skip
        times = [p95([timed(lambda s=s, q=ask: q(s)) for _ in range(20)]) for s in (0, 10 * n)]  # type: ignore[misc]  # bound at once
        print(f"{name:32s} {times[0]:6.1f} ms {times[1]:6.1f} ms")
    print(f"\n{'other questions, median':32s}")
    for name, once in {
        "count(outcome)": lambda: catalog.count(Query(outcome="fail")),
        "facets(lot)": lambda: catalog.facets("lot"),
        "latest_by_instrument": lambda: catalog.latest_by_instrument(1),
        "lots": lambda: catalog.lots(),
        "part_rows(lot)": lambda: catalog.part_rows(lot="L00007"),
        "series": lambda: catalog.series("product 7", "product 7", "edge"),
        "pinned_versions": lambda: catalog.pinned_versions(["O-00003"]),
        "unjudged": lambda: catalog.unjudged(),
        "refused": lambda: catalog.refused(),
        "totals": lambda: catalog.totals(),
        "usual_figures, 6 benches": lambda: catalog.usual_figures(
            [(f"bench {i}", None) for i in range(6)], 10
        ),
        "usual_figures, a rare bench": lambda: catalog.usual_figures([("rare bench", None)], 10),
        "latest_of_kind": lambda: catalog.latest_of_kind(
            "bench 3", None, "transmittance", "blank", START + timedelta(days=400)
        ),
        "figures of a month": lambda: catalog.figures(
            instrument="bench 2",
            name="noise",
            since=START + timedelta(days=300),
            until=START + timedelta(days=330),
        ),
        "findings_of(lot)": lambda: catalog.findings_of(Query(lot="L00007")),
        "count(finding)": lambda: catalog.count(Query(finding="doubt")),
        "finding_counts of a month": lambda: catalog.finding_counts(
            since=START + timedelta(days=300), until=START + timedelta(days=330)
        ),
        "refresh, nothing new": lambda: catalog.refresh(),
    }.items():
        print(f"{name:32s} {statistics.median([timed(once) for _ in range(9)]):6.1f} ms")


_SECOND = """
import sys, time
from pathlib import Path
start = time.perf_counter()
from speclake.archive.catalog import Catalog, Query
imported = time.perf_counter()
catalog = Catalog(Path(sys.argv[1]))
opened = time.perf_counter()
for query in (Query(), Query(text="tray 7"), Query(sample="*77"), Query(outcome="fail"),
              Query(spec="product 3", outcome="fail"), Query(sort="lot")):
    catalog.search(query), catalog.count(query)
catalog.series("product 7", "product 7", "edge"), catalog.lots(), catalog.facets("sample", 50)
peak = next(line for line in open("/proc/self/status") if line.startswith("VmHWM")).split()[1]
print(f"import {imported - start:.2f} s, open {opened - imported:.3f} s, "
      f"peak memory after searching {int(peak) / 1024:.0f} MB")
"""


def second_reader(root: Path) -> None:
    said = subprocess.run(
        [sys.executable, "-c", _SECOND, str(root)], capture_output=True, text=True, check=True
    )
    print(f"\na second reader: {said.stdout.strip()}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("measurements", nargs="?", type=int, default=1_000_000)
    parser.add_argument("folder", nargs="?", type=Path, help="kept and used again if given")
    given = parser.parse_args()
    n: int = given.measurements
    with tempfile.TemporaryDirectory() as scratch:
        root = given.folder or Path(scratch) / "archive"
        if not (root / "chain").exists():
            print(f"archive of {n:,}: {timed(lambda: make_archive(root, n)) / 1e3:.1f} s to make")
            built = timed(lambda: Catalog(root).rebuild())
            print(f"catalogue from the chain: {built / 1e3:.1f} s")
            store = Store(root, lambda r, _, d: Catalog(r, disk=d))
            print(f"tail of 2,000 rows: {timed(lambda: add_tail(store, n)) / 1e3:.1f} s")
            store.close()
        size = sum(p.stat().st_size for p in (root / "catalog").iterdir()) / 1e6
        print(f"snapshots: {size:.0f} MB")
        catalog = Catalog(root)
        bare = Bare(catalog, Path(scratch))
        compare(catalog, bare, n)
        look_ups(catalog, n)
        second_reader(root)
        print(f"\na new snapshot with the tail: {timed(catalog.publish) / 1e3:.1f} s")


if __name__ == "__main__":
    main()
