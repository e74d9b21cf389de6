"""Concessions: a person accepts what failed. The verdict stays failed, the word stands beside it.

A concession is one event on each measurement that it covers, in one commit. It covers the very
verdicts that stood failed when it was given: of the named requirements, by the named version of the
specification, on the named parts, and no number that is worse than the one accepted. A later scan
that fails, another revision, a day after its end or a revocation is not covered.
"""

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, tzinfo

from speclake.archive.catalog import Catalog
from speclake.archive.rows import EventKind, EventRow
from speclake.intake.verdicts import verdicts_by_measurement
from speclake.specs.verdicts import Outcome, Verdict

KEY = "concession"
"""Detail of an event that names the concession."""


@dataclass(frozen=True)
class Accepted:
    """One failed verdict that a person accepted, with its number as it was shown.

    A number that was made of several verdicts, and the one on its first spectrum alone, are told
    apart by what they draw on. A share of sites has no margin; what it is in words is `shown`.
    """

    measurement_id: str
    requirement: str
    drawn_from: tuple[str, ...]
    margin: float | None
    shown: str

    def is_of(self, verdict: Verdict) -> bool:
        """Whether a verdict is by the same requirement, on the same measurement."""
        mine = (self.measurement_id, self.requirement)
        return mine == (verdict.measurement_id, verdict.requirement)

    def worse(self, verdict: Verdict) -> str | None:
        """In what a verdict is worse than the one accepted, in words; None where in nothing."""
        if self.margin is None:
            return None if verdict.reason == self.shown else f"it was given where {self.shown}"
        if verdict.margin is None or verdict.margin < self.margin:
            return f"it was given for {self.shown} {verdict.unit}, and the number is worse now"
        return None


@dataclass(frozen=True)
class Revocation:
    """Who took a concession back, why and when."""

    who: str
    why: str
    at: datetime


@dataclass(frozen=True, kw_only=True)
class Concession:
    """A concession as it stands in the record."""

    concession_id: str
    product: str
    lot: str
    parts: tuple[str, ...]
    spec: str
    spec_version: str
    until: date | None
    who: str
    why: str
    at: datetime
    accepted: tuple[Accepted, ...]
    revoked: Revocation | None = None

    @property
    def requirements(self) -> tuple[str, ...]:
        """Requirements that it covers, in the order of their names."""
        return tuple(sorted({each.requirement for each in self.accepted}))

    def speaks_of(self, verdict: Verdict) -> bool:
        """Whether it was given for this requirement on this measurement, by whatever version."""
        return verdict.spec == self.spec and any(each.is_of(verdict) for each in self.accepted)

    def no_longer(self, verdict: Verdict, today: date) -> str | None:
        """Why it does not cover a verdict that it speaks of, in words; None where it does."""
        if not self.speaks_of(verdict):
            return "it was given for another verdict"
        if self.revoked is not None:
            return f"it was revoked by {self.revoked.who}: {self.revoked.why}"
        if self.until is not None and today > self.until:
            return f"it ended on {self.until}"
        if verdict.spec_version != self.spec_version:
            return "it was given under another version of the specification"
        for each in self.accepted:
            if each.is_of(verdict) and each.drawn_from == tuple(verdict.drawn_from):
                return each.worse(verdict)
        return "it was given for a number that was made of other spectra"

    def told(self, today: date) -> str:
        """The concession in one line, with its identifier and whether it holds."""
        state = f"until {self.until}" if self.until else "without an end"
        if self.revoked is not None:
            state = f"revoked by {self.revoked.who}: {self.revoked.why}"
        elif self.until is not None and today > self.until:
            state = f"ended on {self.until}"
        what = f"{', '.join(self.requirements)} of {', '.join(self.parts)} by {self.spec}"
        return f"{self.concession_id}: {self.who} accepts {what}, {state}; {self.why}"


class Concessions:
    """The concessions on some measurements, as of a day."""

    def __init__(self, concessions: Iterable[Concession], today: date) -> None:
        self.today = today
        self.all = tuple(concessions)
        self._of: dict[str, list[Concession]] = {}
        for each in self.all:
            for key in {accepted.measurement_id for accepted in each.accepted}:
                self._of.setdefault(key, []).append(each)

    def covering(self, verdict: Verdict, part: str | None = None) -> Concession | None:
        """The latest concession that covers a failed verdict, None where there is none.

        Parameters
        ----------
        part : the part for which the verdict is asked, where one spectrum stands for several.
        """
        if verdict.outcome is not Outcome.FAIL:
            return None
        found = [
            each
            for each in self._speaking(verdict, part)
            if each.no_longer(verdict, self.today) is None
        ]
        return found[-1] if found else None

    def said(self, verdict: Verdict, part: str | None = None) -> str:
        """What concessions say of a failed verdict, in words; empty where they say nothing."""
        if verdict.outcome is not Outcome.FAIL:
            return ""
        if (found := self.covering(verdict, part)) is not None:
            end = f" until {found.until}" if found.until else ""
            return f"accepted by concession of {found.who}{end}: {found.why}"
        speaking = self._speaking(verdict, part)
        if not speaking:
            return ""
        why = speaking[-1].no_longer(verdict, self.today)
        return f"a concession of {speaking[-1].who} does not cover it: {why}"

    def accepts(self, verdicts: Iterable[Verdict], part: str | None = None) -> str:
        """Who accepts all failed ones of some verdicts, in words; empty where one is not covered.

        Empty too where none of them failed.
        """
        failed = [each for each in verdicts if each.outcome is Outcome.FAIL]
        covering = [self.covering(each, part) for each in failed]
        if not failed or None in covering:
            return ""
        names = dict.fromkeys(each.who for each in covering if each is not None)
        return f"accepted by concession of {' and '.join(names)}"

    def _speaking(self, verdict: Verdict, part: str | None) -> list[Concession]:
        return [
            each
            for each in self._of.get(verdict.measurement_id, ())
            if each.speaks_of(verdict) and part in (None, *each.parts)
        ]


def concessions_on(catalog: Catalog, ids: Sequence[str], zone: tzinfo | None) -> Concessions:
    """Concessions that speak of some measurements, as of today in the zone of the archive."""
    given = catalog.events_among(EventKind.CONCEDE, ids)
    revoked = catalog.events_among(EventKind.REVOKE_CONCESSION, ids) if given else []
    return Concessions(_read(given, revoked), today_in(zone))


def accepted(catalog: Catalog, ids: Sequence[str], zone: tzinfo | None) -> dict[str, str]:
    """Who accepts measurements, in words, by measurement; only where all that failed is covered."""
    concessions = concessions_on(catalog, ids, zone)
    if not concessions.all:
        return {}
    verdicts = verdicts_by_measurement(catalog, ids)
    said = {key: concessions.accepts(found) for key, found in verdicts.items()}
    return {key: words for key, words in said.items() if words}


def today_in(zone: tzinfo | None) -> date:
    """The day that it is in the zone of an archive."""
    return datetime.now(zone or UTC).date()


def _read(given: Iterable[EventRow], revoked: Iterable[EventRow]) -> list[Concession]:
    """Concessions from their events on measurements, in the order of the chain."""
    ended = {each.details[KEY]: Revocation(each.who, each.why, each.at) for each in revoked}
    by_id: dict[str, list[EventRow]] = {}
    for each in given:
        by_id.setdefault(each.details[KEY], []).append(each)
    return [concession_from(key, events, ended.get(key)) for key, events in by_id.items()]


def concession_from(
    key: str, events: Sequence[EventRow], revoked: Revocation | None = None
) -> Concession:
    """Concession from its events on measurements."""
    first = events[0]
    said = first.details
    return Concession(
        concession_id=key,
        product=said["product"],
        lot=said["lot"],
        parts=tuple(dict.fromkeys(p for e in events for p in json.loads(e.details["parts"]))),
        spec=said["spec"],
        spec_version=said["spec_version"],
        until=date.fromisoformat(said["until"]) if said["until"] else None,
        who=first.who,
        why=first.why,
        at=first.at,
        accepted=tuple(
            Accepted(
                each.subject,
                number["requirement"],
                tuple(number["drawn_from"]),
                number["margin"],
                number["shown"],
            )
            for each in events
            for number in json.loads(each.details["accepted"])
        ),
        revoked=revoked,
    )
