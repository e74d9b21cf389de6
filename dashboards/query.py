"""What a search asks for: entries of the address turned into the archive's own query."""

from collections.abc import Mapping
from datetime import tzinfo
from typing import Any

from speclake_dashboards.address import Address

from speclake.archive.catalog import FINDINGS, OUTCOMES
from speclake.measurement import Kind

TEXTS = (
    "sample", "lot", "product", "instrument", "text", "serial", "order_number", "customer",
    "coating_run", "site", "file", "spec", "quantity",
)  # fmt: skip
FLAGS = ("unassigned", "in_conflict", "in_review")
SHOWN = ("withdrawn", "superseded")
"""Measurements that a search hides unless the entry says ``show`` or ``only``."""
ENTRIES = frozenset((*TEXTS, *FLAGS, *SHOWN, "kind", "outcome", "finding", "since", "until"))
"""Every entry of an address that narrows a search."""

WORDS = {
    "order_number": "order",
    "coating_run": "coating run",
    "in_conflict": "in conflict",
    "in_review": "under review",
    "text": "any text",
    "outcome": "verdict",
    "since": "from",
    "until": "to",
    "spec": "specification",
}
"""How an entry is called on a page where its own name would not do."""


def asked(address: Address, zone: tzinfo | None) -> dict[str, Any]:
    """Keywords of `Archive.find` that an address asks for.

    Raises
    ------
    speclake_dashboards.address.BadAddress
        An entry says something impossible.
    """
    found: dict[str, Any] = {name: address.text(name) for name in TEXTS}
    found |= {name: address.flag(name) for name in FLAGS}
    found["since"] = address.moment("since", zone)
    found["until"] = address.moment("until", zone, end_of_day=True)
    found |= {name: address.choice(name, ("hide", "show", "only"), "hide") for name in SHOWN}
    found["outcome"] = address.choice("outcome", ["", *OUTCOMES], "") or None
    found["finding"] = address.choice("finding", ["", *FINDINGS], "") or None
    found["kind"] = address.choice("kind", ["", *Kind], "") or None
    return {name: value for name, value in found.items() if value is not None}


def in_words(entries: Mapping[str, str]) -> list[str]:
    """Each entry of a query as a short phrase."""
    return [f"{WORDS.get(name, name)}: {value}" for name, value in entries.items()]


NAMED_BY = ("sample", "serial", "file", "site")
"""Fields of a measurement that `name_of` reads."""


def name_of(row: Mapping[str, Any]) -> str:
    """What a person calls a measurement: sample or serial number with the site, else its file."""
    name = row["sample"] or row["serial"] or row["file"]
    return f"{name} site {row['site']}" if row["site"] else str(name)
