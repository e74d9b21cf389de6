"""One instrument: its configurations over time, its checks, its noise, and the work on it."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from markupsafe import Markup
from speclake_dashboards import checked, courses, findings, indoubt, taken, theme, timeline
from speclake_dashboards.address import Address, BadAddress, link
from speclake_dashboards.cautions import PURGE, ULTRAVIOLET
from speclake_dashboards.deskwork import LogDesk
from speclake_dashboards.standing import configuration, state_badge, works_of
from speclake_dashboards.standing import timeline as timeline_of
from speclake_dashboards.theme import View, moment, render

from speclake.checks import Severity
from speclake.errors import NotFound
from speclake.measurement import Kind

if TYPE_CHECKING:
    from speclake.api import Archive
    from speclake.api.instruments import InstrumentView

DAYS = 91
"""Shown before the day of the page, unless the address says from when."""
FIGURES = ("noise", "step")
PURGED_BELOW_NM, LAMPS_BELOW_NM = 200.0, 315.0


def page(
    archive: "Archive",
    address: Address,
    views: "Sequence[InstrumentView]",
    name: str,
    now: datetime,
    *,
    is_today: bool,
) -> View:
    """Everything that the archive knows of how one instrument stands."""
    from speclake_dashboards.instruments import as_of

    view = next((each for each in views if each.instrument == name), None)
    if view is None:
        known = ", ".join(repr(each.instrument) for each in views) or "none yet"
        raise NotFound(f"No scan of an instrument {name!r} has come in; known: {known}.")
    zone = archive.settings.zone
    stop = address.moment("until", zone, end_of_day=True) or now
    start = address.moment("since", zone) or stop - timedelta(days=DAYS)
    if start >= stop:
        raise BadAddress("since in the address is not before until.")
    runs = archive.store.catalog.qualifications(instrument=name, since=start, until=stop)
    pieces: list[Any] = [
        as_of(archive, now, is_today=is_today, address=address),
        render(
            "instrument_states.html",
            cautions=cautions_of(view),
            configurations=[configuration(each, zone) for each in view.configurations],
            state_badge=state_badge,
            in_doubt=indoubt.open_failures(archive, name, now),
            bench=link("bench", {"instrument": name}),
            scans=link("search", {"instrument": name}),
            doubts=link("search", {"instrument": name, "finding": "doubt"}),
        ),
    ]
    if view.configurations:
        shown = timeline_of(view, runs.to_dicts(), start, stop)
        pieces += [theme.live_picture(timeline.picture(shown)), _in_words(shown, zone)]
    pieces += checked.pieces(archive, address, view, runs.to_dicts(), stop)
    pieces += _figures(archive, address, view, start, stop)
    pieces.append(_log(view, zone))
    pieces += LogDesk(archive, view, is_local=address.is_local).pieces
    return View(name, tuple(pieces), "instruments")


def cautions_of(view: "InstrumentView") -> tuple[str, ...]:
    """Cautions owed where lamps and a purged path are spoken of."""
    lowest = [each.programme.range_nm[0] for each in view.configurations]
    lamps = any(entry.what.startswith("lamp") for entry in view.log)
    is_ultraviolet = lamps or any(low < LAMPS_BELOW_NM for low in lowest)
    is_purged = any(low < PURGED_BELOW_NM for low in lowest)
    return (*([ULTRAVIOLET] if is_ultraviolet else []), *([PURGE] if is_purged else []))


def _in_words(shown: timeline.Timeline, zone: Any) -> Markup:
    """What the picture shows, as text: each state of each configuration, the newest first."""
    return render(
        "instrument_timeline.html",
        looks=[(state_badge(state), words) for state, words in timeline.LOOK_WORDS.items()],
        rows=[
            {
                "name": row.name,
                "strips": [
                    {
                        "state": strip.state,
                        "since": moment(strip.since, zone)[:16],
                        "until": moment(strip.until, zone)[:16],
                        "reason": strip.reason,
                    }
                    for strip in reversed(row.strips)
                ],
            }
            for row in shown.rows
            if row.strips
        ],
        works=[(work.number, moment(work.when, zone)[:16], work.text) for work in shown.works],
        state_badge=state_badge,
    )


def _figures(
    archive: "Archive", address: Address, view: "InstrumentView", start: datetime, stop: datetime
) -> list[Any]:
    """Noise by region, or the steps at change-overs, over time."""
    figure = address.choice("figure", FIGURES, FIGURES[0])
    found = archive.store.catalog.figures(
        instrument=view.instrument, name=figure, since=start, until=stop
    )
    rows = found.to_dicts()
    blanks = [row for row in rows if row["kind"] == Kind.BLANK]
    if figure == "step" and blanks:
        rows = blanks  # an edge or a fringe of a sample looks like a step of the instrument
    shown = taken.figures(rows, figure, works_of(view))
    kept = address.entries({"instrument", "on", "since", "until", "programme", "check", "at"})
    pieces: list[Any] = [
        render(
            "instrument_figures.html",
            figure=figure,
            of_blanks=figure == "step" and bool(blanks),
            found=_found(archive, view, start, stop),
            choices=[(each, link("instruments", {**kept, "figure": each})) for each in FIGURES],
            told=[
                (stroke, each, taken.summary(each, group.unit))
                for group in shown
                for stroke, each in zip(taken.strokes(group), group.courses, strict=True)
            ],
        )
    ]
    return [*pieces, *(theme.live_picture(courses.picture(group)) for group in shown)]


def _found(
    archive: "Archive", view: "InstrumentView", start: datetime, stop: datetime
) -> list[dict[str, Any]]:
    """How many scans each check found something on, most first."""
    counted = archive.finding_counts(view.instrument, start, stop)
    scans: dict[tuple[str, str], int] = {}
    for row in counted.to_dicts():
        key = (row["check"], row["severity"])
        scans[key] = scans.get(key, 0) + row["measurements"]
    return [
        {
            "check": check,
            "scans": count,
            "weight": findings.WORDS[Severity(severity)],
            "address": link("search", {"instrument": view.instrument, "finding": check}),
        }
        for (check, severity), count in sorted(scans.items(), key=lambda each: -each[1])
    ]


def _log(view: "InstrumentView", zone: Any) -> Markup:
    return render(
        "instrument_log.html",
        entries=[
            {
                "number": number,
                "when": moment(entry.when, zone)[:16],
                "what": entry.what,
                "where": _where(entry),
                "who": entry.who,
                "why": "; ".join(filter(None, (entry.why, entry.note))),
                "touched": [name for name, entries in view.touched.items() if entry in entries],
            }
            for number, entry in reversed(list(enumerate(view.log, 1)))
        ],
    )


def _where(entry: Any) -> str:
    low, high = entry.range_nm
    ends = f"{'' if low is None else f'from {low:g}'} {'' if high is None else f'to {high:g}'}"
    reach = f"{ends.strip()} nm" if ends.strip() else ""
    return ", ".join(filter(None, (entry.accessory, entry.quantity, reach)))
