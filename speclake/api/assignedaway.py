"""Spectra that were of a part and were assigned to something else since, from the record."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from speclake.api.partkeys import PartKey, part_key
from speclake.archive.catalog import Catalog
from speclake.archive.rows import PART_IS_TOLD_BY
from speclake.judging import AssignedAway
from speclake.specs import Outcome, Specification, worst

Row = Mapping[str, Any]


@dataclass(frozen=True)
class Away:
    """Assignments that took spectra from parts, and all verdicts that these spectra ever had."""

    by_part: Mapping[PartKey, Sequence[Row]]
    verdicts: Mapping[str, Sequence[Row]]

    def of(self, part: PartKey, specification: Specification) -> tuple[AssignedAway, ...]:
        """What was assigned away from a part, for one specification."""
        return tuple(
            AssignedAway(row["who"], row["why"], row["at"].date(), self._found(row, specification))
            for row in self.by_part.get(part, ())
        )

    def _found(self, act: Row, specification: Specification) -> Outcome | None:
        """The worst that a spectrum had found by the last version that judged it until the act.

        What had lapsed by then was found all the same.
        """
        earlier = [
            row
            for row in self.verdicts.get(act["measurement_id"], ())
            if row["spec"] == specification.name
            and row["commit_number"] < act["commit_number"]
            and row["outcome"] != Outcome.LAPSED
        ]
        last = {
            row["requirement"]: Outcome(row["outcome"])
            for row in earlier
            if row["spec_version"] == earlier[-1]["spec_version"]
        }
        return worst(last.values())


def assigned_away(catalog: Catalog, parts: Collection[PartKey]) -> Away:
    """What was assigned away from some parts; a spectrum that came back to its part is not."""
    by_name: dict[str, list[PartKey]] = {}
    for part in parts:
        by_name.setdefault(part[2], []).append(part)
    by_part: dict[PartKey, dict[str, Row]] = {}
    names = sorted(name for name in by_name if name)
    for row in catalog.assigned_from(names).to_dicts() if names else ():
        former = part_key({name: row[f"{name}_before"] for name in PART_IS_TOLD_BY})
        assert former is not None  # the catalogue gives those of parts with one of these names
        for part in by_name[former[2]]:
            if _is_taken(former, part_key(row), part):
                by_part.setdefault(part, {})[row["measurement_id"]] = row
    ids = sorted({key for rows in by_part.values() for key in rows})
    verdicts: dict[str, list[Row]] = {}
    for row in catalog.verdicts(ids, current=False).to_dicts() if ids else ():
        verdicts.setdefault(row["measurement_id"], []).append(row)
    return Away({part: tuple(rows.values()) for part, rows in by_part.items()}, verdicts)


def _is_taken(former: PartKey, now: PartKey | None, part: PartKey) -> bool:
    """Whether a spectrum that was of one part, and is of another now, is missed by a part.

    The product or the lot of a part may have become known since its spectrum was taken from it.
    """
    if former == part:
        return now != part
    return _may_be_same(former, part) and (now is None or not _may_be_same(former, now))


def _may_be_same(one: PartKey, other: PartKey) -> bool:
    return one[2] == other[2] and all(
        a == b or not (a and b) for a, b in zip(one[:2], other[:2], strict=True)
    )
