"""Verdicts as a page shows them: the sentence of each, the worst first."""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

from speclake.judging.explaining import explain
from speclake.specs.verdicts import SEVERITY, Outcome, Verdict

if TYPE_CHECKING:
    from speclake.api import Archive


@dataclass(frozen=True)
class Explained:
    """One verdict in words."""

    outcome: Outcome
    sentence: str
    spec: str
    requirement: str


def explained(archive: "Archive", measurement_id: str) -> list[Explained]:
    """Current verdicts of a measurement in words, the worst first."""
    return explained_by_measurement(archive, [measurement_id]).get(measurement_id, [])


def explained_by_measurement(archive: "Archive", ids: Sequence[str]) -> dict[str, list[Explained]]:
    """Current verdicts of measurements in words, the worst first; without those not judged."""
    found: dict[str, list[Explained]] = {}
    for row in archive.verdicts(list(ids)).iter_rows(named=True):
        verdict = Verdict(**{n: row[n] for n in _NAMES} | {"outcome": Outcome(row["outcome"])})
        found.setdefault(verdict.measurement_id, []).append(
            Explained(verdict.outcome, explain(verdict), verdict.spec, verdict.requirement)
        )
    for verdicts in found.values():
        verdicts.sort(key=lambda each: (SEVERITY.index(each.outcome), each.spec))
    return found


_NAMES = tuple(each.name for each in fields(Verdict))
