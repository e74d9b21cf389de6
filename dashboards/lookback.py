"""What a failed check puts in doubt: measurements, by how much verdicts could move, and reports."""

from typing import TYPE_CHECKING, Any

from speclake_dashboards.address import Address, link
from speclake_dashboards.deskwork import ReviewDesk
from speclake_dashboards.query import name_of
from speclake_dashboards.theme import View, moment, render

if TYPE_CHECKING:
    from speclake.api import Archive
    from speclake.api.lookingback import LookBack

LISTED = 200
"""Measurements listed, those that could change first; all of them are put aside."""


def page(archive: "Archive", address: Address) -> View:
    """Look-back from the latest failure of a check, and where its measurements are put aside."""
    address.only({"instrument", "programme", "check", "failed"})
    instrument = address.needed("instrument")
    found = archive.look_back(
        instrument,
        programme=address.text("programme"),
        check=address.text("check"),
        failed_at=address.moment("failed", archive.settings.zone),
    )
    held = archive.under_review(found.ids)
    for_this = {
        name
        for name, reasons in held.items()
        if any(each.failure == found.failure for each in reasons)
    }
    text = render(
        "lookback.html",
        found=found,
        errors=[each.words for each in found.errors],
        instrument=link("instruments", {"instrument": instrument}),
        by_product=found.by_product.to_dicts(),
        reports=_reports(found),
        rows=_rows(archive, found),
        listed=LISTED,
        total=len(found.ids),
        overlay=link("overlay", {"ids": tuple(found.changing[:LISTED])}) if found.changing else "",
    )
    failed = found.window.failed
    desk = ReviewDesk(
        archive,
        [key for key in found.ids if key not in for_this],
        list(held),
        changing=found.changing,
        failure=found.failure,
        why=f"{found.check.id} failed on {failed.taken_at:%Y-%m-%d}",
        is_local=address.is_local,
    )
    return View(f"Looking back from {found.check.id}", (text, *desk.pieces), "instruments")


def _reports(found: "LookBack") -> list[dict[str, Any]]:
    """One line for each report and customer, with how many of the measurements are on it."""
    counted: dict[tuple[str, str], int] = {}
    for row in found.reports.to_dicts():
        key = (row["report"], row["customer"])
        counted[key] = counted.get(key, 0) + 1
    return [
        {"report": report, "customer": customer, "measurements": count}
        for (report, customer), count in counted.items()
    ]


def _rows(archive: "Archive", found: "LookBack") -> list[dict[str, Any]]:
    sentences: dict[str, list[str]] = {}
    for row in found.verdicts.to_dicts():
        sentences.setdefault(row["measurement_id"], []).append(row["sentence"])
    ordered = sorted(found.measurements.to_dicts(), key=lambda row: not row["could_become"])
    return [
        {
            "address": link("measurement", {"id": row["measurement_id"]}),
            "name": name_of({**row, "file": row["measurement_id"][:8]}),
            "product": ", ".join(filter(None, (row["product"], row["lot"]))) or row["kind"],
            "when": moment(row["trusted_at"], archive.settings.zone)[:16],
            "outcome": row["outcome"],
            "could_become": row["could_become"],
            "in_review": row["in_review"],
            "gone": row["gone"],
            "reports": row["reports"],
            "sentences": sentences.get(row["measurement_id"], []),
        }
        for row in ordered[:LISTED]
    ]
