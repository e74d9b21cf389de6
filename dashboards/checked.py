"""The numbers of one check over time: its last run in a table, and its chart in phases."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from math import isfinite
from typing import TYPE_CHECKING, Any

from speclake_dashboards import courses, taken, theme
from speclake_dashboards.address import Address, BadAddress, link
from speclake_dashboards.courses import Course, Courses, Phase, Point
from speclake_dashboards.standing import works_of
from speclake_dashboards.theme import moment, number, render

from speclake.errors import NotFound
from speclake.specs.verdicts import Outcome, worst

if TYPE_CHECKING:
    from speclake.api import Archive
    from speclake.api.checkcharts import CheckChart
    from speclake.api.instruments import InstrumentView


def pieces(
    archive: "Archive",
    address: Address,
    view: "InstrumentView",
    runs: Sequence[Mapping[str, Any]],
    stop: datetime,
) -> list[Any]:
    """Table and picture of the check that the address names; nothing where it names none.

    A check of several bands is drawn with the errors of all of them, or, where the address says
    ``at``, as the control chart of one.
    """
    check, programme = address.text("check"), address.text("programme")
    if check is None and programme is None:
        return []
    rows = [r for r in runs if (r["programme"], r["check"]) == (programme, check)]
    if not rows or check is None or programme is None:
        raise NotFound(f"No run of the check {check!r} of {programme!r} lies in these days.")
    newest = [row for row in rows if row["taken_at"] == rows[-1]["taken_at"]]
    charted = _charted(archive, programme, check, _place(address), rows[0]["taken_at"], stop)
    several = charted is not None and len(charted.places) > 1
    works = works_of(view)
    if charted is None or (several and "at" not in address):
        shown = taken.errors(rows, works)
        words = ""
    else:
        shown = chart(charted, works)
        words = chart_words(charted)
    chosen = {"instrument": view.instrument, "programme": programme, "check": check}
    kept = chosen | address.entries({"on", "since", "until"})
    text = render(
        "instrument_numbers.html",
        check=check,
        programme=programme,
        outcome=worst(Outcome(str(row["outcome"])) for row in newest),
        has_failed=any(str(row["outcome"]) == Outcome.FAIL for row in rows),
        when=moment(rows[-1]["taken_at"], archive.settings.zone),
        newest=[taken.told(row) for row in newest],
        chart=words,
        strokes=taken.legend(shown),
        places=[
            (f"{number(at, 4)} nm", link("instruments", {**kept, "at": f"{at:g}"}))
            for at in (charted.places if several and charted else ())
        ],
        look_back=link("look-back", chosen),
    )
    return [text, *([theme.live_picture(courses.picture(shown))] if shown.courses else [])]


def _place(address: Address) -> float | None:
    text = address.text("at")
    if text is None:
        return None
    try:
        found = float(text)
    except ValueError as error:
        raise BadAddress(f"at is {text!r} in the address; expected a number of nm.") from error
    if not isfinite(found):
        raise BadAddress(f"at is {text!r} in the address; expected a number of nm.")
    return found


def _charted(
    archive: "Archive",
    programme: str,
    check: str,
    at: float | None,
    since: datetime,
    stop: datetime,
) -> "CheckChart | None":
    """Chart of a check, None where none of its runs gave a number."""
    try:
        return archive.check_chart(programme, check, at=at, since=since, until=stop)
    except NotFound:
        return None


def chart(found: "CheckChart", works: Sequence[Any]) -> Courses:
    """What the picture shows of the chart of a check."""
    points = [
        Point(when, value, uncertainty if isfinite(uncertainty) else None, key)
        for when, value, uncertainty, key in zip(
            found.times, found.values, found.uncertainties, found.measurement_ids, strict=True
        )
    ]
    out = {p.key for p, is_out in zip(points, found.out, strict=True) if is_out}
    name = found.check if found.at is None else f"{found.check} at {number(found.at)} nm"
    return Courses(
        courses.shortened([Course(name, tuple(p for p in points if isfinite(p.value)))]),
        f"{found.shows} of {found.check}",
        found.unit,
        tuple(works),
        low=found.limit_low,
        high=found.limit_high,
        phases=tuple(
            Phase(
                found.times[phase.start],
                found.times[phase.stop - 1],
                phase.chart.centre,
                phase.chart.lower,
                phase.chart.upper,
            )
            for phase in found.phases
        ),
        out=frozenset(out),
    )


def chart_words(found: "CheckChart") -> str:
    """The phases of a chart in one sentence."""
    told = []
    for phase in found.phases:
        begins = f"after the {phase.begins_with.what}" if phase.begins_with else "at first"
        centre = "–" if phase.chart.centre is None else number(phase.chart.centre, 5)
        limits = (
            "no control limits yet"
            if phase.chart.lower is None
            else f"control limits {number(phase.chart.lower, 5)} and {number(phase.chart.upper, 5)}"
        )
        count = phase.stop - phase.start
        told.append(
            f"{begins} {count} run{'' if count == 1 else 's'}, mean {centre} {found.unit}, {limits}"
        )
    beyond = sum(found.out)
    return f"{'; '.join(told)}; {beyond or 'no'} point{'' if beyond == 1 else 's'} beyond them"
