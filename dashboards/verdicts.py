"""Verdicts as a page shows them: whose they are, the sentence of each, the worst first."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, NamedTuple

from speclake.intake.verdicts import verdicts_by_measurement
from speclake.judging import JUDGED_KINDS
from speclake.judging.explaining import explain
from speclake.specs.verdicts import SEVERITY, Outcome, Verdict, worst

if TYPE_CHECKING:
    from speclake.api import Archive


@dataclass(frozen=True)
class Explained:
    """One verdict in words; the sentence ends with its specification and revision.

    `concession` is what concessions say of it, empty where they say nothing; `asked` what was
    asked for; `reason` why the outcome is what it is.
    """

    outcome: Outcome
    sentence: str
    spec: str
    requirement: str
    concession: str = ""
    asked: str = ""
    reason: str = ""


class Overall(NamedTuple):
    """What a specification says of a measurement, and who accepts it if it failed."""

    spec: str
    outcome: Outcome
    accepted: str


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


def whose_sentence(sentence: str, verdict: Verdict, by_version: Mapping[str, str]) -> str:
    """Sentence of a verdict with its specification and revision."""
    whose = with_revision(verdict.spec, by_version.get(verdict.spec_version))
    return f"{sentence.removesuffix('.')} ({whose})."


def explained_by_measurement(archive: "Archive", ids: Sequence[str]) -> dict[str, list[Explained]]:
    """Current verdicts of measurements in words, the worst first; without those not judged."""
    by_version, concessions = revisions(archive), archive.concessions(ids)
    return {
        key: [
            Explained(
                each.outcome,
                whose_sentence(explain(each), each, by_version),
                each.spec,
                each.requirement,
                concessions.said(each),
                each.description,
                each.reason,
            )
            for each in sorted(verdicts, key=lambda v: (SEVERITY.index(v.outcome), v.spec))
        ]
        for key, verdicts in verdicts_by_measurement(archive.store.catalog, ids).items()
    }


def reasons_once(said: Sequence[Explained]) -> list[Explained]:
    """Verdicts of which those that are not measurable tell a reason that they share once."""
    told: set[str] = set()
    found = []
    for each in said:
        is_known = each.outcome is Outcome.NOT_MEASURABLE and each.reason in told
        if is_known:
            asked = each.asked[:1].upper() + each.asked[1:]
            each = replace(
                each, sentence=f"{asked}: {each.outcome}, for the same reason ({each.spec})."
            )
        told.add(each.reason)
        found.append(each)
    return found


def outcomes_by_spec(archive: "Archive", ids: Sequence[str]) -> dict[str, list[Overall]]:
    """What each specification says of each measurement judged: the worst of its requirements."""
    concessions = archive.concessions(ids)
    found: dict[str, list[Overall]] = {}
    for key, verdicts in verdicts_by_measurement(archive.store.catalog, ids).items():
        by_spec: dict[str, list[Verdict]] = {}
        for each in verdicts:
            by_spec.setdefault(each.spec, []).append(each)
        found[key] = [
            Overall(spec, outcome, concessions.accepts(of_spec))
            for spec, of_spec in sorted(by_spec.items())
            if (outcome := worst(each.outcome for each in of_spec))
        ]
    return found


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
