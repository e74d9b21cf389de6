"""The search page: one page of the table at a time, the whole query in the address."""

from typing import TYPE_CHECKING, Any

from speclake_dashboards.address import Address, link
from speclake_dashboards.query import ENTRIES, asked, in_words
from speclake_dashboards.theme import View, moment, render
from speclake_dashboards.verdicts import outcomes_by_spec, spec_names, why_not_judged

from speclake.archive.catalog import FINDINGS, OUTCOMES
from speclake.measurement import time_of

if TYPE_CHECKING:
    import polars

    from speclake.api import Archive

ROWS = 25
"""Rows of one page of the table."""
ORDERS = {
    "newest first": ("trusted_at", True),
    "oldest first": ("trusted_at", False),
    "by sample": ("sample", False),
    "by lot": ("lot", False),
}
IN_FORM = (
    "sample", "lot", "product", "instrument", "since", "until", "spec", "outcome", "finding",
    "text", "in_review",
)  # fmt: skip


def page(archive: "Archive", address: Address) -> View:
    """Search form and the rows that answer the query of the address."""
    address.only(ENTRIES | {"page", "order"})
    zone = archive.settings.zone
    query = asked(address, zone)
    order = address.choice("order", list(ORDERS), "newest first")
    number = address.whole("page", 1, 1, 10_000_000)
    sort, descending = ORDERS[order]
    archive.refresh()
    count = archive.count(**query)
    offset = (number - 1) * ROWS
    table = archive.find(**query, sort=sort, descending=descending, limit=ROWS, offset=offset)
    entries = address.entries(ENTRIES)
    kept = {name: value for name, value in entries.items() if name not in IN_FORM}
    rows = _rows(archive, table, zone)
    body = render(
        "search.html",
        entries={name: entries.get(name) for name in IN_FORM},
        kept=kept,
        kept_words=in_words(kept),
        without_kept=link("search", {n: v for n, v in entries.items() if n in IN_FORM}),
        products=_values(archive, "product", entries),
        instruments=_values(archive, "instrument", entries),
        specs=sorted({*spec_names(archive), *filter(None, [entries.get("spec")])}),
        outcomes=OUTCOMES,
        findings=FINDINGS,
        orders=list(ORDERS),
        order=order,
        count=count,
        first=offset + 1,
        last=offset + len(rows),
        rows=rows,
        overlay_all=link("overlay", entries) if entries else None,
        **_pages(entries, order, number, count),
    )
    return View("Search", (body,), "search")


def _pages(entries: dict[str, str], order: str, number: int, count: int) -> dict[str, Any]:
    """Links to the pages beside this one, None where there is none."""
    pages = max(-(-count // ROWS), 1)

    def to(page: int) -> str | None:
        within = 1 <= page <= pages
        return link("search", {**entries, "order": order, "page": page}) if within else None

    return {
        "page": number,
        "pages": pages,
        "first_page": to(1),
        "earlier": to(number - 1),
        "later": to(number + 1),
    }


def _values(archive: "Archive", field: str, entries: dict[str, str]) -> list[str]:
    """Choices of a list, with the one asked for even where the archive holds it no more."""
    held = [str(value) for value in archive.facets(field)["value"] if value is not None]
    return sorted({*held, *((entries[field],) if field in entries else ())})


def _rows(archive: "Archive", table: "polars.DataFrame", zone: Any) -> list[dict[str, Any]]:
    """Rows of the table, each with the outcome under every specification, or why there is none."""
    rows = table.to_dicts()
    outcomes = outcomes_by_spec(archive, [row["measurement_id"] for row in rows])
    whys = why_not_judged(archive, (r for r in rows if r["measurement_id"] not in outcomes))
    return [
        _row(row, zone)
        | {
            "outcomes": outcomes.get(row["measurement_id"], []),
            "why": whys.get(row["measurement_id"]),
        }
        for row in rows
    ]


def _row(row: dict[str, Any], zone: Any) -> dict[str, Any]:
    remarks = [
        word
        for word, said in (
            (row["kind"], row["kind"] not in ("part", "unknown")),
            ("unassigned", row["unassigned"]),
            ("under review", row["in_review"]),
            ("superseded", row["superseded_by"]),
        )
        if said
    ]
    return {
        "id": row["measurement_id"],
        "name": row["sample"] or row["serial"] or row["file"],
        "site": row["site"] or "",
        "lot": row["lot"] or "",
        "product": row["product"] or "",
        "in_conflict": row["in_conflict"],
        "withdrawn": row["withdrawn"],
        "quantity": f"{row['quantity']} ({row['unit']})",
        "instrument": row["instrument"] or "",
        "when": moment(row["trusted_at"], zone),
        "is_file_time": time_of(row["trusted_at"], row["scanned_at"]) == "file",
        "remarks": ", ".join(remarks),
    }
