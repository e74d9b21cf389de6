"""What stands against a measurement when it is judged: findings, the instrument's state, review.

Findings are what was known when the scan was taken in. The state of the instrument and a person's
review count as they are known now.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import NamedTuple

from speclake.archive.catalog import Catalog, Query
from speclake.archive.rows import EventKind, EventRow, FindingRow
from speclake.checks import Check, Severity
from speclake.fitness.states import State
from speclake.intake.states import StateOf, States
from speclake.judging import JUDGED_KINDS, Conditions
from speclake.judging.conditions import Doubt
from speclake.measurement import Measurement
from speclake.units import AxisUnit, convert_positions

LIVE = frozenset({Check.UNFIT, Check.STATE_UNKNOWN, Check.REVIEW})
"""Checks that are looked up anew whenever a verdict is made."""

CHECK_OF_STATE = {State.UNFIT: Check.UNFIT, State.UNKNOWN: Check.STATE_UNKNOWN}

Doubts = Mapping[str, tuple[Doubt, ...]]
"""Doubts by measurement."""


class Review(NamedTuple):
    """Who put a measurement aside, and why."""

    who: str
    why: str


Reviews = Mapping[str, Review | None]
"""By measurement, who puts it aside with the commit; None for one that is released by it."""


@dataclass(frozen=True)
class Evidence:
    """What stands for and against scans when the verdicts of one commit are made.

    Parameters
    ----------
    states : of the instruments.
    new : findings on measurements that the archive does not hold yet, by measurement; an empty
        entry for one without any.
    reviews : what the commit says of reviews, which goes before the catalogue.
    without : checks that the settings leave out.
    """

    states: States
    new: Mapping[str, Sequence[FindingRow]] = field(default_factory=dict)
    reviews: Reviews = field(default_factory=dict)
    without: Collection[Check] = ()

    def conditions(
        self, catalog: Catalog, measurements: Sequence[Measurement]
    ) -> dict[str, Conditions]:
        """How measurements were made, with all doubts about them, by measurement."""
        held = [m.measurement_id for m in measurements if m.measurement_id not in self.new]
        found = {**findings_held(catalog, held), **self.new}
        standing = {**_reviews(catalog, held), **self.reviews}
        return {
            m.measurement_id: Conditions.of(m)._replace(
                doubts=(
                    *_review(standing.get(m.measurement_id)),
                    *(doubt_of(m, row) for row in found.get(m.measurement_id, ()) if _weighs(row)),
                    *doubts_of_states(m, self.states, self.without),
                )
            )
            for m in measurements
        }


def _weighs(row: FindingRow) -> bool:
    return row.severity is Severity.DOUBT and row.check not in LIVE


def doubt_of(m: Measurement, row: FindingRow) -> Doubt:
    """A finding as a doubt; it reaches one point farther, for numbers are interpolated."""
    if row.start is None or row.stop is None:
        return Doubt(row.check, None, None, row.text)
    step = _interval(m)
    return Doubt(row.check, row.start - step, row.stop + step, row.text)


def _interval(m: Measurement) -> float:
    """Usual distance of two points on the axis, in its unit; the widest that is stated."""
    usual = abs(m.axis_last - m.axis_first) / max(m.points - 1, 1)
    stated = [each.interval_nm for each in m.ranges if each.interval_nm] if _is_nm(m) else []
    return max([usual, *stated])


def _is_nm(m: Measurement) -> bool:
    return m.axis_unit == "nm"


def findings_held(catalog: Catalog, ids: Sequence[str]) -> dict[str, Sequence[FindingRow]]:
    """Findings on measurements that the archive holds, by measurement."""
    found: defaultdict[str, list[FindingRow]] = defaultdict(list)
    if ids:
        for row in catalog.findings(ids).to_dicts():
            row = {name: row[name] for name in FindingRow.__dataclass_fields__}
            row |= {"check": Check(row["check"]), "severity": Severity(row["severity"])}
            found[row["measurement_id"]].append(FindingRow(**row))
    return dict(found)


# --- review -----------------------------------------------------------------------------------


def _reviews(catalog: Catalog, ids: Sequence[str]) -> dict[str, Review | None]:
    """Those of the measurements that are put aside, as the catalogue has it."""
    if not ids:
        return {}
    query = Query(ids=tuple(ids), in_review=True, withdrawn="show", superseded="show", limit=None)
    return {
        row["measurement_id"]: Review(row["review_by"], row["review_why"])
        for row in catalog.search(query).to_dicts()
    }


def standing_reviews(catalog: Catalog, ids: Sequence[str]) -> dict[str, tuple[EventRow, ...]]:
    """Events that put measurements aside for a reason that was not released since."""
    found: dict[str, list[EventRow]] = {}
    for event in catalog.review_events(sorted(catalog.under_review(ids))):
        held = found.setdefault(event.subject, [])
        if event.kind is EventKind.PUT_ASIDE:
            held.append(event)
        else:
            of = event.details.get("of")
            said = ((each.why, each.details.get("failure")) for each in held)
            kept = [of is not None and of not in each for each in said]
            found[event.subject] = [e for e, stays in zip(held, kept, strict=True) if stays]
    return {name: tuple(events) for name, events in found.items() if events}


def review_of(reasons: Sequence[EventRow]) -> Review | None:
    """Several reasons for a review as one; None without any."""
    if not reasons:
        return None
    people, why = (
        dict.fromkeys(said) for said in zip(*((e.who, e.why) for e in reasons), strict=True)
    )
    return Review(" and ".join(people), "; ".join(why))


def _review(found: Review | None) -> tuple[Doubt, ...]:
    if found is None:
        return ()
    return (Doubt(Check.REVIEW, None, None, f"put aside by {found.who}: {found.why}"),)


# --- the instrument's state -------------------------------------------------------------------


def doubts_of_states(m: Measurement, states: States, without: Collection[Check]) -> Iterable[Doubt]:
    """What the states of the instrument at the time of a scan say against it."""
    for found in states.at_scan(m):
        check = CHECK_OF_STATE.get(found.stretch.state)
        if check is not None and check not in without:
            start, stop = _on_axis(found.programme.range_nm, m.axis_unit)
            yield Doubt(check, start, stop, state_in_words(found))


def state_in_words(found: StateOf) -> str:
    """State of a configuration as a sentence without a full stop."""
    programme, stretch = found.programme, found.stretch
    low, high = programme.range_nm
    words = f"state of {programme.name} ({programme.quantity}, {low:g} nm to {high:g} nm) is "
    maybe = f" (nobody knows if the scan was with {programme.accessory})"
    maybe = "" if found.is_certain else maybe
    return f"{words}{stretch.state}{_since(stretch.since)}: {stretch.reason}{maybe}"


def _since(when: datetime | None) -> str:
    return f" since {when:%Y-%m-%d}" if when is not None else ""


def state_findings(
    measurements: Iterable[Measurement], states: States, without: Collection[Check], version: str
) -> list[FindingRow]:
    """What was known of the instruments' states when scans of parts were taken in, as findings."""
    return [
        FindingRow(
            finding_id=f"{m.measurement_id}-state-{version}-{number}",
            measurement_id=m.measurement_id,
            check=doubt.check,
            severity=Severity.DOUBT if doubt.check is Check.UNFIT else Severity.REMARK,
            text=doubt.text,
            advice=_ADVICE[doubt.check],
            start=doubt.start,
            stop=doubt.stop,
            version=version,
        )
        for m in measurements
        if m.kind in JUDGED_KINDS
        for number, doubt in enumerate(doubts_of_states(m, states, without))
    ]


_ADVICE = {
    Check.UNFIT: "find out why, have the check pass again, and measure the part once more",
    Check.STATE_UNKNOWN: "run the checks of the programme that are named",
}


def _on_axis(range_nm: tuple[float, float], unit: AxisUnit) -> tuple[float, float]:
    ends = range_nm
    if unit != "nm":
        ends = tuple(convert_positions(list(ends), "nm", "vacuum", unit, "vacuum").tolist())
    return min(ends), max(ends)
