"""Conflicts as a page states them, on both of the measurements that claim the same values."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from speclake_dashboards.address import link
from speclake_dashboards.query import name_of

from speclake.measurement import LinkKind, Measurement

if TYPE_CHECKING:
    from speclake.api import Archive

CLAIMS = "its values are the same as those of"
# what intake says of each name in which the two differ
_SIDES = re.compile(r"('.*?'|\".*?\") there, ('.*?'|\".*?\") here(?=; |$)")
IS_CLAIMED = "its values are also claimed by"


@dataclass(frozen=True)
class Stated:
    """One side of a conflict: what it is, with whom, and in what the two differ."""

    words: str
    name: str
    address: str
    file: str
    difference: str


def conflicts(archive: "Archive") -> dict[str, list[Stated]]:
    """What is in conflict with each measurement that is, in the words of that side."""
    disputed = archive.find(in_conflict=True, withdrawn="show", superseded="show", limit=None)
    rows = {row["measurement_id"]: row for row in disputed.iter_rows(named=True)}
    claiming = [key for key, row in rows.items() if row["conflict"] and not row["withdrawn"]]
    found: dict[str, list[Stated]] = {}
    for claim in archive.measurements(claiming):
        key = claim.measurement_id
        for target, difference in _claimed(claim):
            if target not in rows:
                continue
            found.setdefault(key, []).append(_stated(CLAIMS, rows[target], difference))
            found.setdefault(target, []).append(_stated(IS_CLAIMED, rows[key], _turned(difference)))
    return found


def _claimed(claim: Measurement) -> list[tuple[str, str]]:
    return [
        (each.target, each.evidence)
        for each in claim.links
        if each.kind is LinkKind.SAME_VALUES_AS and not each.by_name
    ]


def _turned(difference: str) -> str:
    """The difference as the other side sees it: what stands there stands here."""
    return _SIDES.sub(r"\2 there, \1 here", difference)


def _stated(words: str, row: Mapping[str, Any], difference: str) -> Stated:
    name = f"{name_of(row)}, lot {row['lot']}" if row["lot"] else name_of(row)
    address = link("measurement", {"id": row["measurement_id"]})
    return Stated(words, name, address, row["file"], difference)
