"""A small lab with two benches, for tests: exports that name their bench, and runs of a check."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from speclake.api import Archive
from speclake.archive.rows import Batch, QualificationRow
from speclake.intake.standardbook import standard_row
from speclake.specs.verdicts import Outcome
from speclake.standards.programmes import Programme
from tests import labs

MONDAY = datetime(2026, 3, 2, 8, tzinfo=UTC)
NM = np.arange(480.0, 531.0)

FORMAT = labs.FORMAT.replace(
    'product = "Product"', 'product = "Product"\ninstrument = "Bench"\nbaseline_at = "Baseline"'
)
SPEC = """
name = "plate"
products = ["plate"]
[[requirement]]
id = "green"
what = "mean"
unit = "%T"
band = [500, 510]
at_least = "90.0"
"""
PROGRAMME = Programme.model_validate(
    {
        "name": "bench A, visible",
        "instrument": "bench A",
        "quantity": "transmittance",
        "range_nm": (490, 520),
        "check": [
            {
                "id": "grey filter",
                "what": "check sample",
                "every_days": 7,
                "at_nm": 500.0,
                "unit": "%T",
                "target": 50.0,
                "tolerance": 0.3,
            }
        ],
    }
)


def make(folder: Path) -> Archive:
    """Empty archive with format and specification."""
    made = Archive.create(folder / "lab", "lab")
    (made.root / "formats/plain.toml").write_text(FORMAT, "utf-8")
    (made.root / "specs/plate.toml").write_text(SPEC, "utf-8")
    return made


def export(
    folder: Path, name: str, values, day: float, *, bench: str = "bench A", sample: str = "",
    more: str = "",
) -> Path:  # fmt: skip
    """Export of one plate, `values` over `NM` or one level, so many days after `MONDAY`.

    `more` are lines of the header.
    """
    folder.mkdir(exist_ok=True)
    levels = np.broadcast_to(values, NM.shape)
    points = "".join(f"{at:g}\t{value:.4f}\n" for at, value in zip(NM, levels, strict=True))
    when = MONDAY + timedelta(days=day)
    file = folder / f"{name}.txt"
    file.write_text(
        f"Sample: {sample or name}\nLot: L1\nProduct: plate\nBench: {bench}\n"
        f"Scanned: {when:%Y-%m-%d %H:%M:%S}\n{more}nm\t%T\n{points}",
        "utf-8",
    )
    return file


def ran(day: float, outcome: Outcome, value: float, of: str = "") -> QualificationRow:
    """One number of the grey filter, so many days after `MONDAY`."""
    check = PROGRAMME.check[0]
    return QualificationRow(
        qualification_id=f"q{day}{check.id}",
        measurement_id=of,
        programme=PROGRAMME.name,
        programme_version=PROGRAMME.version,
        check=check.id,
        what=check.what,
        instrument=PROGRAMME.instrument,
        quantity=PROGRAMME.quantity,
        start_nm=490.0,
        stop_nm=520.0,
        taken_at=MONDAY + timedelta(days=day),
        at=500.0,
        expected=50.0,
        value=value,
        error=value - 50.0,
        uncertainty=0.02,
        low=-0.3,
        high=0.3,
        unit="%T",
        outcome=outcome,
        reason=f"{value - 50:+.2f} %T lies outside ± 0.3 %T" if outcome == "fail" else "",
        due_at=MONDAY + timedelta(days=day + 7),
    )


def qualified(archive: Archive, *rows: QualificationRow, programme: Programme = PROGRAMME) -> None:
    """Put runs on record, with the programme that they were judged by."""
    rows = tuple(replace(each, programme_version=programme.version) for each in rows)
    batch = Batch(qualifications=rows, standards=(standard_row(programme),))
    archive.store.commit(lambda _: batch, who="test", why="runs", kind="taking in")
    archive.refresh()
