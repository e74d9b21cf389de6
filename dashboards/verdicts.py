"""Verdicts as a page shows them: whose they are, the sentence of each, the worst first."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any

from speclake.judging import JUDGED_KINDS
from speclake.judging.explaining import explain
from speclake.specs.verdicts import SEVERITY, Outcome, Verdict, worst

if TYPE_CHECKING:
    from speclake.api import Archive


@dataclass(frozen=True)
class Explained:
    """One verdict in words; the sentence ends with its specification and revision."""

    outcome: Outcome
    sentence: str
    spec: str
    requirement: str


def revisions(archive: "Archive") -> dict[str, str]:
    """Revision of each version of a specification that was used; empty where it names none."""
    used = archive.store.catalog.specifications()
    return dict(zip(used["spec_version"], used["revision"], strict=True))


def spec_names(archive: "Archive") -> list[str]:
    """Names of the specifications that were used or are written today."""
    used = archive.store.catalog.specifications()["spec"]
    return sorted({*used, *(each.name for each in archive.specifications())})


def with_revision(spec: str, revision: str | None) -> str:
    """Name of a specification with its revision, where it has one."""
    return f"{spec}, revision {revision}" if revision else spec


def explained(archive: "Archive", measurement_id: str) -> list[Explained]:
    """Current verdicts of a measurement in words, the worst first."""
    return explained_by_measurement(archive, [measurement_id]).get(measurement_id, [])


def explained_by_measurement(archive: "Archive", ids: Sequence[str]) -> dict[str, list[Explained]]:
    """Current verdicts of measurements in words, the worst first; without those not judged."""
    found: dict[str, list[Explained]] = {}
    by_version = revisions(archive)
    for row in archive.verdicts(list(ids)).iter_rows(named=True):
        verdict = Verdict(**{n: row[n] for n in _NAMES} | {"outcome": Outcome(row["outcome"])})
        whose = with_revision(verdict.spec, by_version.get(verdict.spec_version))
        sentence = f"{explain(verdict).removesuffix('.')} ({whose})."
        found.setdefault(verdict.measurement_id, []).append(
            Explained(verdict.outcome, sentence, verdict.spec, verdict.requirement)
        )
    for verdicts in found.values():
        verdicts.sort(key=lambda each: (_ORDER.index(each.outcome), each.spec))
    return found


def outcomes_by_spec(
    archive: "Archive", ids: Sequence[str]
) -> dict[str, list[tuple[str, Outcome]]]:
    """Specification and outcome, the worst of its requirements, for each measurement judged."""
    found: dict[str, dict[str, list[Outcome]]] = {}
    for key, spec, outcome in (
        archive.verdicts(list(ids)).select("measurement_id", "spec", "outcome").iter_rows()
    ):
        found.setdefault(key, {}).setdefault(spec, []).append(Outcome(outcome))
    return {
        key: [(spec, of_all) for spec in sorted(specs) if (of_all := worst(specs[spec]))]
        for key, specs in found.items()
    }


def why_not_judged(archive: "Archive", rows: Iterable[Mapping[str, Any]]) -> dict[str, str]:
    """Why each of some measurements without a verdict has none, in words."""
    found: dict[str, str] = {}
    has_specs: dict[tuple[Any, ...], bool] = {}
    for row in rows:
        key = row["measurement_id"]
        if row["conflict"]:
            found[key] = "in conflict"
        elif row["kind"] not in JUDGED_KINDS:
            found[key] = (
                "kind unknown" if row["kind"] == "unknown" else f"not a part: {row['kind']}"
            )
        else:
            chosen_by = (row["product"], row["order_number"], row["customer"], row["lot"])
            if chosen_by not in has_specs:
                has_specs[chosen_by] = bool(archive.specifications_for(key))
            fits = has_specs[chosen_by]
            found[key] = "no requirement applies" if fits else "no specification"
    return found


_ORDER = (*SEVERITY, Outcome.LAPSED)


_NAMES = tuple(each.name for each in fields(Verdict))
