"""How configurations stand, in words and as the rows of a timeline."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

from markupsafe import Markup
from speclake_dashboards.address import link
from speclake_dashboards.theme import ACCENT, FORBIDDEN, PAPER, QUIET_INK, moment
from speclake_dashboards.timeline import Row, Run, Strip, Timeline, Work, clipped

from speclake.specs.verdicts import Outcome, worst

if TYPE_CHECKING:
    from speclake.api import Archive
    from speclake.api.instruments import ConfigurationView, InstrumentView
    from speclake.fitness.states import CheckState, StateStretch
    from speclake.measurement import Measurement

_SHAPES = {
    "fit": f'<rect x="1" y="2" width="24" height="9" fill="{ACCENT}" fill-opacity=".35"'
    f' stroke="{ACCENT}"/>',
    "unfit": f'<rect x="1" y="2" width="24" height="9" fill="{FORBIDDEN}" fill-opacity=".12"'
    f' stroke="{FORBIDDEN}"/><path d="M3 11 11 2M9 11 17 2M15 11 23 2" stroke="{FORBIDDEN}"/>',
    "unknown": f'<rect x="1" y="2" width="24" height="9" fill="{PAPER}" stroke="{QUIET_INK}"'
    ' stroke-dasharray="3 2"/>',
}


def state_badge(state: object) -> Markup:
    """Piece of a timeline in the look of a state, and the word for it."""
    return Markup(
        '<span class="state"><svg viewBox="0 0 26 13" aria-hidden="true">{}</svg>{}</span>'
    ).format(Markup(_SHAPES[str(state)]), str(state))


def configuration(view: "ConfigurationView", zone: Any) -> dict[str, Any]:
    """A configuration with its state in words and where each of its checks stands."""
    programme = view.programme
    low, high = programme.range_nm
    return {
        "name": programme.name,
        "what": f"{programme.quantity}, {low:g} to {high:g} nm, "
        f"{programme.accessory or 'any accessory'}",
        "state": view.state,
        "since": moment(view.now.since, zone)[:10] if view.now.since else "",
        "reason": view.now.reason,
        "due": moment(view.due_at, zone)[:10] if view.due_at else "",
        "overdue": view.overdue,
        "checks": [_check(view, each, zone) for each in view.checks],
        "note": programme.note,
    }


def _check(view: "ConfigurationView", each: "CheckState", zone: Any) -> dict[str, Any]:
    chosen = {
        "instrument": view.programme.instrument,
        "programme": view.programme.name,
        "check": each.check,
    }
    return {
        "name": each.check,
        "what": each.what,
        "last": moment(each.last_at, zone)[:16] if each.last_at else "never",
        "outcome": each.outcome,
        "reason": each.reason,
        "due": moment(each.due_at, zone)[:10] if each.due_at else "",
        "is_overdue": each.is_overdue,
        "waits": f"to be repeated after the {each.must_repeat.what}" if each.must_repeat else "",
        "address": link("instruments", chosen),
        "look_back": link("look-back", chosen) if each.outcome is Outcome.FAIL else "",
    }


def at_scan(archive: "Archive", found: "Measurement") -> list[dict[str, Any]]:
    """State at the time of a scan of each configuration that it was made with, as known now."""
    states = archive.judge_step.states(archive.store.catalog).at_scan(found)
    return [
        {
            "name": each.programme.name,
            "state": each.stretch.state,
            "since": f"{each.stretch.since:%Y-%m-%d}" if each.stretch.since else "",
            "reason": each.stretch.reason,
            "address": link("instruments", {"instrument": each.programme.instrument}),
        }
        for each in states
    ]


def timeline(
    view: "InstrumentView", runs: Iterable[Mapping[str, Any]], start: datetime, stop: datetime
) -> Timeline:
    """What the picture of an instrument shows from `start` to `stop`.

    Parameters
    ----------
    runs : rows of qualification runs on this instrument.
    """
    by_check: dict[tuple[str, str], list[Mapping[str, Any]]] = {}
    for row in runs:
        by_check.setdefault((row["programme"], row["check"]), []).append(row)
    rows = []
    for each in view.configurations:
        name = each.programme.name
        rows.append(Row(name, strips=clipped(_strips(each.stretches, start, stop), start, stop)))
        rows += [
            Row(check.check, runs=_runs(by_check.get((name, check.check), ())))
            for check in each.checks
        ]
    works = [entry for entry in works_of(view) if start <= entry.when <= stop]
    return Timeline(tuple(rows), start, stop, tuple(works))


def works_of(view: "InstrumentView") -> list[Work]:
    """Entries of an instrument's log, numbered as its page lists them."""
    return [Work(number, entry.when, entry.what) for number, entry in enumerate(view.log, 1)]


def _strips(found: "Sequence[StateStretch]", start: datetime, stop: datetime) -> list[Strip]:
    return [
        Strip(each.since or start, each.until or stop, str(each.state), each.reason)
        for each in found
        if (each.since or start) < (each.until or stop)
    ]


def _runs(rows: Iterable[Mapping[str, Any]]) -> tuple[Run, ...]:
    """One mark for each run: the worst of its numbers."""
    by_time: dict[datetime, list[Mapping[str, Any]]] = {}
    for row in rows:
        by_time.setdefault(row["taken_at"], []).append(row)
    found = []
    for when, numbers in by_time.items():
        outcome = worst(Outcome(str(row["outcome"])) for row in numbers) or Outcome.NOT_MEASURABLE
        reasons = [r["reason"] for r in numbers if str(r["outcome"]) == outcome and r["reason"]]
        text = "; ".join([f"{when:%Y-%m-%d}: {outcome}", *dict.fromkeys(reasons)][:4])
        found.append(Run(when, outcome, text, numbers[0]["measurement_id"]))
    return tuple(found)
