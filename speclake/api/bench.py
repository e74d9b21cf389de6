"""The bench: for each instrument the last scan, what it means, and what the part still lacks."""

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from speclake.api.parts import PartReport, part_reports
from speclake.intake.verdicts import current_verdicts
from speclake.judging import explain
from speclake.measurement import Measurement
from speclake.specs import Outcome, worst

if TYPE_CHECKING:
    from speclake.api.archive import Archive


@dataclass(frozen=True)
class BenchView:
    """The last scan of one instrument.

    `sentences` explain its verdicts, the worst first; `findings` say what intake and fitness
    checks remarked; `part` tells of the whole part, None where the scan is of none.
    """

    instrument: str
    measurement: Measurement
    arrived_at: datetime
    outcome: Outcome | None
    sentences: tuple[str, ...]
    findings: tuple[str, ...]
    part: PartReport | None


def views(archive: "Archive") -> list[BenchView]:
    """One view an instrument, in the order of their names."""
    latest = archive.store.catalog.latest_by_instrument(1)["measurement_id"].to_list()
    return [_view(archive, m) for m in archive.measurements(latest)]


def _view(archive: "Archive", m: Measurement) -> BenchView:
    verdicts = current_verdicts(archive.store.catalog, [m.measurement_id])
    ordered = sorted(verdicts, key=lambda v: (v.outcome is Outcome.PASS, v.margin or 0.0))
    findings = archive.findings([m.measurement_id])
    reports = part_reports(archive, ids=(m.measurement_id,))
    return BenchView(
        instrument=m.instrument or "unnamed instrument",
        measurement=m,
        arrived_at=m.arrived_at,
        outcome=worst(v.outcome for v in verdicts),
        sentences=tuple(explain(v) for v in ordered),
        findings=tuple(findings["text"].to_list()),
        part=reports[0] if reports else None,
    )
