"""Verdicts as the record has them and what lapses; specifications as the record keeps them."""

from collections.abc import Iterable, Sequence
from dataclasses import fields, replace
from datetime import UTC, datetime

from speclake.archive.catalog import Catalog
from speclake.archive.rows import SpecificationRow
from speclake.specs import Outcome, Specification, Verdict


def lapsed(before: Iterable[Verdict], now: Iterable[Verdict], why: str) -> list[Verdict]:
    """Rows that say which earlier verdicts are not among those of today."""
    said = {(v.measurement_id, v.spec, v.requirement) for v in now}
    return [
        replace(
            v, outcome=Outcome.LAPSED, value=None, margin=None, at=None, side=None, shown="",
            reason=f"it no longer applies: {why}",
        )
        for v in before
        if (v.measurement_id, v.spec, v.requirement) not in said
    ]  # fmt: skip


def current_verdicts(catalog: Catalog, ids: Sequence[str]) -> list[Verdict]:
    """Current verdicts of measurements, as the vocabulary of judging has them."""
    names = [each.name for each in fields(Verdict)]
    rows = catalog.verdicts(list(ids)).select(names).to_dicts()
    return [Verdict(**row | {"outcome": Outcome(row["outcome"])}) for row in rows]


def verdicts_by_measurement(catalog: Catalog, ids: Sequence[str]) -> dict[str, list[Verdict]]:
    """Current verdicts of each of some measurements that has one."""
    found: dict[str, list[Verdict]] = {}
    for each in current_verdicts(catalog, ids):
        found.setdefault(each.measurement_id, []).append(each)
    return found


def row_of(specification: Specification) -> SpecificationRow:
    """Specification as the archive keeps it, so that a verdict can be made again."""
    return SpecificationRow(
        spec_version=specification.version,
        spec=specification.name,
        revision=specification.revision,
        content=specification.to_json(),
        first_used_at=datetime.now(UTC),
    )
