"""Which part a measurement is of."""

from collections.abc import Mapping
from typing import Any

from speclake.measurement import Kind

PartKey = tuple[str, str, str]
"""Product, lot and name; a text that is empty is unknown."""


def part_key(row: Mapping[str, Any]) -> PartKey | None:
    """Product, lot and name of the part that a measurement is of.

    None where it is of no part, or where neither its name nor its lot is known.
    """
    name = row["serial"] or row["sample"] or ""
    if row["kind"] != Kind.PART or not (name or row["lot"]):
        return None
    return (row["product"] or "", row["lot"] or "", name)
