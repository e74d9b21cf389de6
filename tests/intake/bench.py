"""An archive with one instrument, and scans that are taken in without files; all invented."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from speclake.api import Archive
from speclake.archive.catalog import Catalog
from speclake.archive.encoding import encode
from speclake.archive.rows import Batch, StoredSpectrum
from speclake.intake.gathering import Gathered, Ruled, known_of
from speclake.intake.spool import Scans
from speclake.measurement import Kind, Measurement
from speclake.spectrum import Spectrum
from tests.build import file_row, measurement, original

MONDAY = datetime(2026, 3, 2, 8, tzinfo=UTC)
NM = np.arange(400.0, 701.0)

CERTIFICATE = """
name = "grey filter"
material = "neutral glass"
identification = "G-1"
certificate = "C-7"
issued_by = "an invented laboratory"
issued_on = 2025-01-01
valid_until = 2026-12-31
recognised_as = ["grey*"]
unit = "%T"
[[value]]
at_nm = 550
value = 30.0
uncertainty = 0.1
"""
PROGRAMME = """
name = "bench 1, visible"
instrument = "bench 1"
quantity = "transmittance"
range_nm = [400, 700]
[[check]]
id = "grey filter"
what = "values"
standard = "grey filter"
largest_error = 0.5
every_days = 7
"""
SPECIFICATION = """
name = "window"
products = ["window"]
[[requirement]]
id = "mean"
what = "mean"
unit = "%T"
band = [450, 650]
at_least = 90.0
[[requirement]]
id = "whatever was found"
what = "value"
unit = "%T"
at = 500
at_least = 90.0
blocked_by = []
"""


def bench(folder: Path, *, settings: str = "", specification: str = SPECIFICATION) -> Archive:
    """Archive with one specification, a programme for ``bench 1`` and the standard it needs."""
    Archive.create(folder, "lab").close()
    for name, text in (
        ("specs/window.toml", specification),
        ("standards/grey.toml", CERTIFICATE),
        ("qualification/bench-1.toml", PROGRAMME),
    ):
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_text(text, "utf-8")
    with (folder / "speclake.toml").open("a", encoding="utf-8") as stream:
        stream.write(settings)
    return Archive.open(folder)


def scan(
    name: str,
    level: float | npt.ArrayLike,
    hours: float = 0.0,
    *,
    noise: float = 0.02,
    nm: npt.NDArray[np.float64] = NM,
    **known: Any,
) -> tuple[Measurement, Spectrum]:
    """Scan of bench 1 some hours after Monday morning: a level in %T, with noise of its own."""
    rng = np.random.default_rng(abs(hash_of(name)))
    values = np.round(np.broadcast_to(level, nm.shape) + rng.normal(0, noise, nm.size), 3)
    spectrum = Spectrum.as_listed(nm, values, axis_unit="nm", unit="%T")
    when = MONDAY + timedelta(hours=hours)
    facts: dict[str, Any] = {
        "kind": Kind.PART, "product": "window", "lot": "L1", "instrument": "bench 1",
        "scanned_at": when, "trusted_at": when,
    }  # fmt: skip
    return measurement(name, spectrum, **(facts | known)), spectrum


def hash_of(name: str) -> int:
    """A number made from a name, the same in every process."""
    return int.from_bytes(name.encode()[:6], "little")


def take(archive: Archive, *scans: tuple[Measurement, Spectrum], judged: bool = True) -> Batch:
    """What the commit added that took some scans in."""
    made: list[Batch] = []

    def prepare(catalog: Catalog) -> Batch:
        gathered, ruled = Gathered(), Ruled()
        measurements = tuple(m for m, _ in scans)
        stored = tuple(
            StoredSpectrum(m.measurement_id, s.axis.id, encode(s.values)) for m, s in scans
        )
        axes = {s.axis.id: s.axis for _, s in scans}
        known = known_of(
            {}, [m.measurement_id for m in measurements],
            [m.values_sha256 for m in measurements], catalog,
        )  # fmt: skip
        gathered.take("bench", Scans(measurements, stored, tuple(axes.values())), known, ruled)
        batch = gathered.batch_with_drawn(archive.judge_step, catalog, lambda _: judged)
        made[:] = [_with_files(batch, measurements)]
        return made[0]

    archive.store.commit(prepare, who="intake", why="test", kind="intake")
    archive.refresh()
    return made[0]


def _with_files(batch: Batch, measurements: Sequence[Measurement]) -> Batch:
    names = [str(m.file).removesuffix(".csv") for m in measurements]
    files = tuple(file_row(name) for name in names)
    originals = {row.sha256: original(name) for row, name in zip(files, names, strict=True)}
    return replace(batch, files=files, originals=originals)


def outcomes(archive: Archive, name: str) -> dict[str, tuple[str, str]]:
    """Outcome and reason of each requirement on a scan, by the scan's sample."""
    ids = archive.find(sample=name, withdrawn="show")["measurement_id"].to_list()
    rows = archive.verdicts(ids).to_dicts()
    return {row["requirement"]: (row["outcome"], row["reason"]) for row in rows}
