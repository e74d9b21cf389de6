"""The page of a lot: its parts, what they lack, their repeats, and the concessions on them."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from markupsafe import Markup
from speclake_dashboards import theme
from speclake_dashboards.address import Address, link
from speclake_dashboards.cautions import TOLD_BY, cautions
from speclake_dashboards.conceding import ConcedingDesk
from speclake_dashboards.theme import View, moment, number, render
from speclake_dashboards.verdicts import with_revision

from speclake.api.parts import ids_behind
from speclake.specs.verdicts import SEVERITY, Outcome, Verdict

if TYPE_CHECKING:
    from speclake.api import Archive
    from speclake.api.concessions import Concessions
    from speclake.api.parts import LotReport, PartReport, SpecOutcome

PARTS, LOTS = 100, 50
"""Rows of one page of the parts of a lot, and of the list of lots."""
SAID = 4
"""Reasons of a part that are said before the rest is counted."""


def page(archive: "Archive", address: Address) -> View:
    """The lot that the address names; without one, the latest lots."""
    address.only({"lot", "product", "page"})
    archive.refresh()
    name, shown = address.text("lot"), address.whole("page", 1, 1, 1_000_000)
    if name is None:
        return View("Lots", (_choice(archive, address.text("product"), shown),), "lot")
    place = theme.live_text(Markup(""))

    def tell() -> "LotReport":
        report = archive.lot_verdict(name)
        place.object = str(_told(archive, report, shown))
        return report

    desk = ConcedingDesk(archive, tell(), tell, is_local=address.is_local)
    return View(f"Lot {name}", (place, *desk.pieces), "lot")


def _choice(archive: "Archive", product: str | None, shown: int) -> Markup:
    offset = (shown - 1) * LOTS
    rows = archive.store.catalog.lots(product, LOTS + 1, offset).to_dicts()
    zone = archive.settings.zone
    return render(
        "lot_choice.html",
        rows=[row | {"when": moment(row["last_at"], zone)} for row in rows[:LOTS]],
        product=product,
        earlier=link("lot", {"product": product, "page": shown - 1}) if shown > 1 else None,
        later=link("lot", {"product": product, "page": shown + 1}) if len(rows) > LOTS else None,
    )


def _told(archive: "Archive", report: "LotReport", shown: int) -> Markup:
    concessions = archive.concessions(ids_behind(report.parts))
    parts = sorted(report.parts, key=lambda part: (_rank(part.outcome), part.part))
    first = (shown - 1) * PARTS
    pages = max(-(-len(parts) // PARTS), 1)
    to = [link("lot", {"lot": report.lot, "page": n}) for n in (shown - 1, shown + 1)]
    return render(
        "lot.html",
        report=report,
        cautions=_cautions(archive, report),
        specs=[_spec(name, verdict, report, concessions) for name, verdict in report.specs.items()],
        parts=[_part(part, concessions) for part in parts[first : first + PARTS]],
        first=first + 1,
        earlier=to[0] if shown > 1 else None,
        later=to[1] if shown < pages else None,
        concessions=[each.told(concessions.today) for each in concessions.all],
    )


def _cautions(archive: "Archive", report: "LotReport") -> tuple[str, ...]:
    rows = archive.find(lot=report.lot, limit=None).unique(TOLD_BY).iter_rows(named=True)
    specs = {
        each.specification.version: each.specification for p in report.parts for each in p.specs
    }
    units = {each.unit for spec in specs.values() for each in spec.requirements}
    return cautions(rows, judged_in=units)


def _rank(outcome: Outcome | None) -> int:
    return len(SEVERITY) if outcome is None else SEVERITY.index(outcome)


def _spec(
    name: str, verdict: Any, report: "LotReport", concessions: "Concessions"
) -> dict[str, Any]:
    """What a specification says of the lot, and whether all parts that fail are accepted."""
    failed = [
        (part, each)
        for part in report.parts
        for each in part.specs
        if each.specification.name == name and each.verdict.outcome is Outcome.FAIL
    ]
    accepted = [concessions.accepts(each.verdict.deciding, part.part) for part, each in failed]
    counts = sorted(verdict.parts.items(), key=lambda each: _rank(each[0]))
    return {
        "name": name,
        "outcome": verdict.outcome,
        "counts": [(outcome, f"{count} {outcome}") for outcome, count in counts],
        "missing": verdict.missing,
        "reasons": [each for each in verdict.reasons if not each.startswith("missing: ")],
        "sample": ", ".join(verdict.sample) if verdict.plan is not None else "",
        "accepted": f"accepted by concession: {len([a for a in accepted if a])} of "
        f"{len(failed)} part{'' if len(failed) == 1 else 's'} that failed" if any(accepted) else "",
    }  # fmt: skip


def _part(part: "PartReport", concessions: "Concessions") -> dict[str, Any]:
    count = len(part.measurement_ids)
    aside = f", {part.set_aside} set aside" if part.set_aside else ""
    return {
        "name": part.part,
        "address": link("overlay", {"ids": part.measurement_ids}) if count else None,
        "spectra": f"{count} spectr{'um' if count == 1 else 'a'}{aside}",
        "specs": [_of_part(part, each, concessions) for each in part.specs],
    }


def _of_part(part: "PartReport", each: "SpecOutcome", concessions: "Concessions") -> dict[str, Any]:
    verdict = each.verdict
    reasons = [text for text in verdict.reasons if not text.startswith("missing: ")]
    is_open = verdict.outcome not in (Outcome.PASS, Outcome.INCOMPLETE)
    return {
        "name": with_revision(each.specification.name, each.specification.revision),
        "outcome": verdict.outcome,
        "accepted": concessions.accepts(verdict.deciding, part.part),
        "missing": verdict.missing[:SAID],
        "more_missing": max(len(verdict.missing) - SAID, 0),
        "reasons": reasons[:SAID],
        "more": max(len(reasons) - SAID, 0),
        "remarks": verdict.remarks,
        "looks": _looks(verdict.deciding[:SAID]) if is_open else [],
    }


def _looks(deciding: Sequence[Verdict]) -> list[tuple[str, str]]:
    """Words and address of the verdicts that decided, each of which has its picture there."""
    return [
        (
            f"{each.requirement}: {each.shown or number(each.value)} {each.unit}"
            if each.value is not None
            else each.requirement,
            link(
                "measurement",
                {"id": each.measurement_id, "spec": each.spec, "requirement": each.requirement},
            ),
        )
        for each in deciding
    ]
