"""The page of specifications: their revisions, how two differ, and what one would change."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, tzinfo
from typing import TYPE_CHECKING, Any

from markupsafe import Markup
from speclake_dashboards import theme
from speclake_dashboards.address import Address, BadAddress, link
from speclake_dashboards.background import work_apart
from speclake_dashboards.border import caught
from speclake_dashboards.query import name_of
from speclake_dashboards.theme import View, moment, render

from speclake.api.revisions import Revision, approval, ends_in_effect, told_apart, whom_for
from speclake.archive.catalog import NOT_JUDGED
from speclake.specs.differences import differences
from speclake.specs.model import Specification

if TYPE_CHECKING:
    from speclake.api import Archive
    from speclake.api.packs import Listed
    from speclake.api.whatif import WhatIf

LISTED = 50
"""Changed outcomes that are listed one by one."""


def page(archive: "Archive", address: Address) -> View:
    """List of revisions, and below it what the address asks for."""
    address.only({"spec", "before", "after", "what_if"})
    archive.refresh()
    every = archive.revisions()
    name = address.text("spec")
    shown = archive.revisions(name)
    by_version = {each.version: each for each in every}
    before, after, asked = (
        _chosen(by_version, address, entry) for entry in ("before", "after", "what_if")
    )
    if (before is None) != (after is None):
        raise BadAddress("The address names one revision to compare; expected before and after.")
    pieces: list[Any] = []
    if before is not None and after is not None:
        pieces.append(_compared(before, after))
    if asked is not None:
        pieces.append(_what_if_in_time(archive, asked))
    pieces.append(_list(shown, name, archive.settings.zone))
    entries = {entry: address.text(entry) for entry in ("before", "after")}
    pieces.append(render("specs_compare.html", revisions=_options(every), **entries))
    pieces.append(_packs(archive.validation_packs(), archive.settings.zone))
    return View("Specifications", tuple(pieces), "specs")


def _chosen(
    by_version: Mapping[str, Revision], address: Address, entry: str
) -> Specification | None:
    """Specification that an entry names by its version; None where there is no such entry."""
    version = address.text(entry)
    if version is None:
        return None
    found = by_version.get(version)
    if found is None:
        raise BadAddress(
            f"{entry} is {version!r} in the address, which is no version of a specification here."
        )
    if found.specification is None:
        raise BadAddress(found.trouble)
    return found.specification


def _list(found: Sequence[Revision], name: str | None, zone: tzinfo | None) -> Markup:
    today = datetime.now(UTC).date()
    rows = [
        {
            "name": each.name,
            "title": each.specification.title if each.specification else each.trouble,
            "revision": each.revision,
            "version": each.version[:8],
            "whom_for": whom_for(each),
            "standing": each.standing(today),
            "days": ends_in_effect(each),
            "approval": approval(each),
            "first_used": moment(each.first_used_at, zone) if each.first_used_at else "",
            "measurements": each.measurements,
            "own": link("specs", {"spec": each.name}),
            "changes": _link_to_changes(found, number),
            "what_if": each.specification and link("specs", {"what_if": each.version}),
        }
        for number, each in enumerate(found)
    ]
    return render("specs_list.html", rows=rows, name=name)


def _link_to_changes(found: Sequence[Revision], number: int) -> str | None:
    """Address that compares a revision with the one before it; None where nothing differs."""
    if not told_apart(found, number):
        return None
    versions = {"before": found[number - 1].version, "after": found[number].version}
    return link("specs", versions)


def _options(found: Sequence[Revision]) -> list[tuple[str, str]]:
    """Version and name of each revision that can be compared."""
    return [(each.version, in_words(each)) for each in found if each.specification is not None]


def in_words(each: Revision | Specification) -> str:
    """Name, revision and beginning of the version."""
    revision = f", revision {each.revision}" if each.revision else ""
    return f"{each.name}{revision}, version {each.version[:8]}"


def _compared(before: Specification, after: Specification) -> Markup:
    told: dict[str, list[str]] = {}
    for each in differences(before, after):
        told.setdefault(each.requirement, []).append(each.words)
    return render(
        "specs_differences.html",
        before=in_words(before),
        after=in_words(after),
        told=told,
        what_if=link("specs", {"what_if": after.version}),
    )


def _what_if_in_time(archive: "Archive", specification: Specification) -> Any:
    """Place that says what is being done, and later what came out."""
    import panel as pn

    waiting = render("specs_waiting.html", name=in_words(specification))
    place = pn.Column(theme.live_text(waiting), sizing_mode="stretch_width", margin=0)

    def show(text: Markup) -> None:
        place[:] = [theme.live_text(text)]

    def text() -> Markup:
        return what_if_text(archive.what_if(specification.version))

    document = pn.state.curdoc
    if document is not None:  # without a visit there is nobody to wait for it
        pn.state.onload(
            lambda: work_apart(document, lambda: caught(text, lambda message: message), show)
        )
    return place


def what_if_text(found: "WhatIf") -> Markup:
    """What past measurements would come to under a specification, in words and as tables."""
    counts = [
        {"requirement": name, "before": _mark(then), "after": _mark(now), "count": count,
         "is_other": then != now}
        for name, outcomes in found.outcomes.items()
        for (then, now), count in outcomes.items()
    ]  # fmt: skip
    return render(
        "specs_what_if.html",
        name=in_words(found.specification),
        found=found,
        counts=sorted(counts, key=lambda each: not each["is_other"]),
        moved={name: count for name, count in found.moved.items() if count},
        rows=_changed(found),
        changed=found.changed_measurements,
        total=found.changes.height,
    )


def _mark(outcome: str) -> str | None:
    return None if outcome == NOT_JUDGED else outcome


def _changed(found: "WhatIf") -> list[dict[str, Any]]:
    return [
        {
            **row,
            "name": name_of(row),
            "address": link("measurement", {"id": row["measurement_id"]}),
            "before": _mark(row["before"]),
            "after": _mark(row["after"]),
        }
        for row in found.changes.head(LISTED).iter_rows(named=True)
    ]


def _packs(packs: "Sequence[Listed]", zone: tzinfo | None) -> Markup:
    rows = [
        {
            "name": each.name,
            "kept": f"{moment(each.kept.at, zone)}, {each.kept.who}",
            "verdicts": each.kept.details.get("verdicts", ""),
            "validated": each.validated and f"{moment(each.validated.at, zone)}, "
                         f"{each.validated.who}, with speclake "
                         f"{each.validated.details['speclake']}",
            "changes": each.validated.details["changes"] if each.validated else None,
            "changed": each.validated.details["changed"] if each.validated else "",
            "trouble": each.trouble,
            "due": ", ".join(f"{of} {now}" for of, _, now in each.other_versions),
        }
        for each in packs
    ]  # fmt: skip
    return render("specs_packs.html", packs=rows)
