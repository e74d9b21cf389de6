"""The intake page: is each folder reachable, what came in, what was refused and why."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, tzinfo
from typing import TYPE_CHECKING, Any

from markupsafe import Markup
from speclake_dashboards.address import Address, link
from speclake_dashboards.conflicts import Stated, conflicts
from speclake_dashboards.live import as_of_now, renewed
from speclake_dashboards.query import name_of
from speclake_dashboards.theme import View, moment, render

from speclake.archive.rows import FileOutcome

if TYPE_CHECKING:
    import polars

    from speclake.api import Archive

PERIOD_MS = 2_000
ROWS = 25
LISTED = 10
"""Unassigned and conflicting measurements listed; the search page has the rest."""

TOLD = ("measurements", "not_judged", "files", "refused")
"""Counts of the archive that the page tells."""

FILE_WORDS = {
    FileOutcome.TAKEN: "taken in",
    FileOutcome.REPEATED: "held already",
    FileOutcome.CONFLICT: "conflict",
    FileOutcome.REFUSED: "refused",
}


def page(archive: "Archive", address: Address) -> View:
    """Folders and open questions, kept up to date, and the ledger as far as the address asks."""
    address.only({"outcome", "folder", "page"})
    zone = archive.settings.zone
    number = address.whole("page", 1, 1, 10_000_000)
    outcome = address.choice("outcome", ["", *FileOutcome], "")
    folder = address.text("folder")

    def questions() -> Markup:
        return as_of_now(archive, "open questions", lambda: _questions(archive))

    def ledger() -> Markup:
        question = ("ledger", outcome, folder, number)
        return as_of_now(archive, question, lambda: _ledger(archive, zone, *question[1:]))

    parts = (lambda: _folders(archive, zone), questions, ledger)
    return View("Intake", tuple(renewed(part, PERIOD_MS) for part in parts), "intake")


def _folders(archive: "Archive", zone: tzinfo | None) -> Markup:
    states = [_folder(state, zone) for state in archive.watch_states()]
    return render("intake_folders.html", folders=states)


def _questions(archive: "Archive") -> Markup:
    """What waits for a person."""
    disputed = conflicts(archive)
    needs, totals = archive.settings.part_needs, archive.totals()
    return render(
        "intake_questions.html",
        totals={name: totals[name] for name in TOLD},
        unassigned=_open(archive.find(unassigned=True, limit=LISTED), needs, disputed),
        unassigned_count=archive.count(unassigned=True),
        conflicts=_open(archive.find(in_conflict=True, limit=LISTED), needs, disputed),
        conflict_count=archive.count(in_conflict=True),
    )


def _folder(state: Any, zone: tzinfo | None) -> dict[str, Any]:
    reachable = {True: "reachable", False: "not reachable", None: "not watched now"}
    return {
        "name": state.name,
        "path": state.path,
        "state": reachable[state.is_reachable],
        "is_reachable": state.is_reachable,
        "trouble": state.trouble,
        "last_look": _clock(state.last_look_s, zone),
        "last_file": _clock(state.last_file_s, zone),
        "waiting": state.waiting,
        "under_way": [f"reading {path}: {how}" for path, how in state.under_way.items()],
    }


def _clock(seconds: float | None, zone: tzinfo | None) -> str:
    return "never" if seconds is None else moment(datetime.fromtimestamp(seconds, UTC), zone)


def _open(
    table: "polars.DataFrame", needs: Sequence[str], disputed: Mapping[str, list[Stated]]
) -> list[dict[str, Any]]:
    return [
        {
            "name": name_of(row),
            "address": link("measurement", {"id": row["measurement_id"]}),
            "file": row["file"],
            "conflicts": disputed.get(row["measurement_id"], []),
            "why": row["conflict"] or _lacks(row, needs),
        }
        for row in table.iter_rows(named=True)
    ]


def _lacks(row: dict[str, Any], needs: Sequence[str]) -> str:
    """What the settings ask of a part and the measurement does not tell."""
    lacking = [need for need in needs if not any(row.get(n) for n in need.split(" or "))]
    return f"lacks {', '.join(lacking)}" if lacking else ""


def _ledger(
    archive: "Archive", zone: tzinfo | None, outcome: str, folder: str | None, number: int
) -> Markup:
    asked = {"outcome": outcome or None, "folder": folder}
    table = archive.files(
        outcome=FileOutcome(outcome) if outcome else None,
        folder=folder,
        limit=ROWS + 1,
        offset=(number - 1) * ROWS,
    )
    rows = table.head(ROWS).to_dicts()
    return render(
        "intake_ledger.html",
        rows=[
            {**row, "when": moment(row["arrived_at"], zone), "word": FILE_WORDS[row["outcome"]]}
            for row in rows
        ],
        outcomes=[("", "all"), *((str(each), word) for each, word in FILE_WORDS.items())],
        outcome=outcome,
        folder=folder,
        page=number,
        earlier=link("intake", {**asked, "page": number - 1}) if number > 1 else None,
        later=link("intake", {**asked, "page": number + 1}) if table.height > ROWS else None,
    )
