"""Small builders of spectra, measurements, batches and archives; everything in them is invented."""

import hashlib
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from speclake.archive.catalog import Catalog, Resources
from speclake.archive.chain import Commit
from speclake.archive.encoding import encode
from speclake.archive.rows import (
    Batch,
    EventKind,
    EventRow,
    FigureRow,
    FileOutcome,
    FileRow,
    FindingRow,
    QualificationRow,
    SpecificationRow,
    StandardRow,
    StoredSpectrum,
    file_id,
)
from speclake.archive.store import Store, create
from speclake.checks import Check, Severity
from speclake.measurement import Measurement
from speclake.specs.verdicts import Outcome, Verdict
from speclake.spectrum import Spectrum
from speclake.units import QUANTITY_OF_UNIT, ValueUnit

NOON = datetime(2026, 3, 10, 12, 0, tzinfo=UTC)
"""When everything happens, unless a test says otherwise."""


def spectrum(
    values: npt.ArrayLike | None = None,
    *,
    start_nm: float = 400.0,
    step_nm: float = 1.0,
    points: int = 5,
    unit: ValueUnit = "%T",
    header: Mapping[str, str] | None = None,
    place: str = "",
) -> Spectrum:
    """Spectrum on an even wavelength grid, flat at 90 unless values are given."""
    y = np.full(points, 90.0) if values is None else np.asarray(values, dtype=np.float64)
    x = start_nm + step_nm * np.arange(y.size)
    return Spectrum.as_listed(x, y, axis_unit="nm", unit=unit, header=header, place=place)


def measurement(name: str = "A1", of: Spectrum | None = None, **changes: Any) -> Measurement:
    """Measurement of a spectrum, known by a name from which its identifier is made."""
    scan = of or spectrum()
    content = original(name)
    facts: dict[str, Any] = {
        "measurement_id": identifier(name),
        "file_id": file_id("bench", f"{name}.csv", 0, hashlib.sha256(content).hexdigest(), ""),
        "file": f"{name}.csv",
        "place": scan.place,
        "importer": "columns",
        "importer_version": "1",
        "scan_sha256": hashlib.sha256(content).hexdigest(),
        "values_sha256": hashlib.sha256(scan.values.tobytes()).hexdigest(),
        "header": dict(scan.header),
        "quantity": QUANTITY_OF_UNIT[scan.unit],
        "unit": scan.unit,
        "axis_id": scan.axis.id,
        "axis_unit": scan.axis.unit,
        "medium": scan.axis.medium,
        "points": len(scan.axis),
        "axis_first": float(scan.axis.values[0]),
        "axis_last": float(scan.axis.values[-1]),
        "scan_direction": scan.scan_direction,
        "sample": name,
        "scanned_at": NOON,
        "arrived_at": NOON,
        "trusted_at": NOON,
        "trusted_time": "scanned",
    }
    return Measurement(**(facts | changes))


def identifier(name: str) -> str:
    """Identifier made from a name."""
    return hashlib.sha256(name.encode()).hexdigest()[:32]


def original(name: str) -> bytes:
    """Bytes of an invented export."""
    return f"sample;{name}\n400;90.000\n401;90.000\n".encode() * 3


def file_row(name: str = "A1", **changes: Any) -> FileRow:
    """Ledger line of the file of a measurement."""
    content = original(name)
    sha256 = hashlib.sha256(content).hexdigest()
    facts: dict[str, Any] = {
        "file_id": file_id("bench", f"{name}.csv", 0, sha256, ""),
        "folder": "bench",
        "path": f"{name}.csv",
        "size": len(content),
        "modified_ns": 0,
        "sha256": sha256,
        "outcome": FileOutcome.TAKEN,
        "note": "1 spectrum",
        "importer": "columns",
        "importer_version": "1",
        "measurements": 1,
        "arrived_at": NOON,
    }
    return FileRow(**(facts | changes))


def batch(
    *names: str, of: Sequence[Spectrum] | None = None, with_axes: bool = True, judged: bool = True
) -> Batch:
    """Batch as intake makes it: a file, its original, a measurement and a verdict for each name."""
    scans = of or [spectrum() for _ in names]
    axes = {scan.axis.id: scan.axis for scan in scans} if with_axes else {}
    return Batch(
        measurements=tuple(measurement(n, s) for n, s in zip(names, scans, strict=True)),
        spectra=tuple(
            StoredSpectrum(identifier(n), s.axis.id, encode(s.values))
            for n, s in zip(names, scans, strict=True)
        ),
        axes=tuple(axes.values()),
        verdicts=tuple(verdict(n) for n in names) if judged else (),
        findings=tuple(finding(n) for n in names) if judged else (),
        specifications=(specification(),) if judged else (),
        files=tuple(file_row(n) for n in names),
        originals={hashlib.sha256(original(n)).hexdigest(): original(n) for n in names},
    )


def verdict(name: str = "A1", **changes: Any) -> Verdict:
    """Verdict on a measurement: 90 %T against at least 85 %T."""
    facts: dict[str, Any] = {
        "measurement_id": identifier(name),
        "spectrum": "as exported",
        "spec": "window",
        "spec_version": specification().spec_version,
        "requirement": "clear band",
        "description": "minimum of transmittance, 400 to 404 nm, at least 85 %T",
        "quantity": "minimum",
        "unit": "%T",
        "value": 90.0,
        "low": 85.0,
        "high": None,
        "margin": 5.0,
        "uncertainty": None,
        "at": 400.0,
        "outcome": Outcome.PASS,
        "side": None,
        "reason": "",
        "engine_version": "1",
    }
    return Verdict(**(facts | changes))


def specification() -> SpecificationRow:
    """Specification that `verdict` is of."""
    return SpecificationRow(
        spec_version=identifier("window"),
        spec="window",
        revision="A",
        content="{}",
        first_used_at=NOON,
    )


def finding(name: str = "A1") -> FindingRow:
    """Finding about a measurement."""
    return FindingRow(
        finding_id=identifier(f"finding {name}"),
        measurement_id=identifier(name),
        check=Check.BASELINE,
        severity=Severity.REMARK,
        text="the baseline was 3 days old",
        value=3.0,
        unit="d",
    )


def figure(of: str = "A1", value: float = 0.02, **changes: Any) -> FigureRow:
    """Noise of a measurement."""
    facts: dict[str, Any] = {
        "figure_id": identifier(f"figure {of} {value} {changes}"),
        "measurement_id": identifier(of),
        "name": "noise",
        "value": value,
        "unit": "%T",
        "start": 400.0,
        "stop": 860.0,
        "version": "1",
    }
    return FigureRow(**(facts | changes))


def qualification(of: str = "A1", taken_at: datetime = NOON, **changes: Any) -> QualificationRow:
    """Band of a standard that a measurement found 0.1 nm off."""
    facts: dict[str, Any] = {
        "qualification_id": identifier(f"qualification {of} {taken_at} {changes}"),
        "measurement_id": identifier(of),
        "programme": "bench 1",
        "programme_version": standard().standard_version,
        "check": "holmium",
        "what": "band positions",
        "instrument": "bench 1",
        "quantity": "transmittance",
        "start_nm": 240.0,
        "stop_nm": 640.0,
        "taken_at": taken_at,
        "at": 361.3,
        "expected": 361.3,
        "value": 361.4,
        "error": 0.1,
        "low": -0.5,
        "high": 0.5,
        "unit": "nm",
        "outcome": Outcome.PASS,
        "version": "1",
    }
    return QualificationRow(**(facts | changes))


def standard() -> StandardRow:
    """Programme that `qualification` is of."""
    return StandardRow(
        standard_version=identifier("bench 1"),
        sort="programme",
        name="bench 1",
        content="{}",
        first_used_at=NOON,
    )


def event(
    name: str = "A1", kind: EventKind = EventKind.ASSIGN, at: datetime = NOON, **details: str
) -> EventRow:
    """What a person did to a measurement."""
    return EventRow(
        event_id=identifier(f"{kind} {name} {at} {details}"),
        kind=kind,
        subject=identifier(name),
        details=details,
        who="operator",
        why="read from the run sheet",
        at=at,
    )


class Clock:
    """Clock that stands still until it is moved."""

    def __init__(self, time: datetime = NOON) -> None:
        self.time = time

    def __call__(self) -> datetime:
        return self.time

    def move(self, **by: float) -> None:
        """Go on by a time as `timedelta` takes it."""
        self.time += timedelta(**by)


def archive(root: Path, clock: Callable[[], datetime] | None = None) -> Store[Catalog]:
    """Store of a new archive, with its catalogue in a small database."""
    create(root)
    small = Resources(memory_mb=100, threads=1)
    return Store(
        root,
        lambda folder, _, disk: Catalog(folder, disk=disk, resources=small),
        clock=clock or Clock(),
    )


def add(store: Store[Any], batch_: Batch, kind: str = "take") -> Commit:
    """Commit of a batch as it is."""
    commit = store.commit(lambda _: batch_, who="tester", why="test", kind=kind)
    assert commit is not None
    return commit
