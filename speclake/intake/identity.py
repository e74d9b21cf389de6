"""Is this scan new, the same again, a re-export, or a conflict? Decided from content and identity.

Two identities differ where a field, or the scan time, is known on both sides and not the same; what
is unknown on one side speaks against nothing. The rules, in order:

1. The same content, place and identity under the same reader: *repeated*, nothing is added.
2. The same values and header, or the same place of a file that grew, and no difference: *repeated*,
   and what the new file knows beyond that is remarked; known under the same name, see rule 4.
3. The same values with a difference: a *conflict* for a person, unless both tell different scan
   times; then it is new, and remarked, since a stuck export looks like this.
4. Another state of the same file at the same place without a difference, and two of these agree:
   sample or serial, scan time, every value. That is a re-export. The state saved later supersedes
   the other, whichever comes first, and is told which part it is where only the other knew. Where
   the state that is held is put aside for review, so is the one that comes in.
5. Anything else is a new measurement, whatever the file is called.
"""

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import islice
from typing import Any

from speclake.archive.rows import EventKind, EventRow
from speclake.intake.doubts import Review, review_of
from speclake.intake.resolving import disputed
from speclake.measurement import (
    ASSIGNABLE,
    IDENTITY_FIELDS,
    Kind,
    Link,
    LinkKind,
    Measurement,
)

SAME_SCAN_PRECISION_S = 60.0
"""A scan takes minutes: two scans of one sample within one minute's reading are one scan."""

_OF_THE_NUMBERS = frozenset(
    {"comment", "correction", "bounces", "zero_line_applied", "smoothed", "clipped"}
)
"""What another export of the same scan may differ in: never handed on."""


@dataclass
class States:
    """Measurements from the states of one file, by their places in it.

    A file may hold a hundred thousand, and every one of them is asked about.
    """

    ids: set[str] = field(default_factory=set)
    by_place: dict[str, list[Measurement]] = field(default_factory=dict)
    _places: dict[str, dict[str, None]] = field(default_factory=dict)

    def add(self, m: Measurement) -> None:
        """Count one more measurement among them."""
        self.ids.add(m.measurement_id)
        self.by_place.setdefault(m.place, []).append(m)
        self._places.setdefault(m.file_id, {})[m.place] = None

    def places_of_others(self, file_id: str) -> set[str]:
        """Places in the states other than one: all of them, or two or more if there are more."""
        return {
            place
            for state, places in self._places.items()
            if state != file_id
            for place in islice(places, 2)
        }


@dataclass
class Known:
    """Earlier measurements by what the rules look them up with; grows as a batch is decided.

    `aside` names those that were superseded or withdrawn, `reviews` what put some aside for review.
    """

    ids: set[str] = field(default_factory=set)
    by_values: dict[str, list[Measurement]] = field(default_factory=dict)
    by_path: dict[tuple[str, str], States] = field(default_factory=dict)
    aside: set[str] = field(default_factory=set)
    reviews: dict[str, Sequence[EventRow]] = field(default_factory=dict)

    @classmethod
    def of(
        cls,
        ids: Iterable[str],
        same_values: Iterable[Measurement],
        same_path: Mapping[tuple[str, str], Sequence[Measurement]],
        aside: Iterable[str],
        reviews: Mapping[str, Sequence[EventRow]] | None = None,
    ) -> "Known":
        """Earlier measurements as the catalogue gives them."""
        known = cls(ids=set(ids), aside=set(aside), reviews=dict(reviews or {}))
        for m in same_values:
            known.by_values.setdefault(m.values_sha256, []).append(m)
        for (folder, _), ms in same_path.items():
            for m in ms:
                known._add_state(folder, m)
        return known

    def _add_state(self, folder: str, m: Measurement) -> None:
        self.by_path.setdefault((folder, m.file), States()).add(m)

    def add(self, folder: str, m: Measurement) -> None:
        """Count a measurement of this batch as known."""
        self.ids.add(m.measurement_id)
        self.by_values.setdefault(m.values_sha256, []).append(m)
        self._add_state(folder, m)
        self.aside |= {link.target for link in m.links if link.kind is LinkKind.SUPERSEDES}


@dataclass(frozen=True)
class Ruling:
    """What one scan is. `measurement` is None where nothing is to be added.

    `events` stand beside it; `handed_on` are the fields that one of them gives the measurement, and
    `review` is what put another state of it aside.
    """

    measurement: Measurement | None
    remark: str = ""
    is_conflict: bool = False
    events: tuple[EventRow, ...] = ()
    handed_on: Mapping[str, Any] = field(default_factory=dict)
    review: Review | None = None


def rule(folder: str, m: Measurement, known: Known) -> Ruling:
    """Ruling on one scan by the rules of this module."""
    if m.measurement_id in known.ids:
        return Ruling(None, "the same scan is held already")
    twins = known.by_values.get(m.values_sha256, [])
    earlier = known.by_path.get((folder, m.file)) or States()
    for twin in twins:
        if _is_of_another_file(twin, m) and _is_repeated(m, twin, earlier):
            return Ruling(None, _repeated(m, twin))
    counting = [t for t in twins if t.measurement_id not in known.aside]
    opposed = [t for t in counting if differing(t, m) and not _are_timed_apart(t, m)]
    if opposed:
        return _conflict(m, opposed)
    return _re_exported(m, counting, earlier, known)


def differing(one: Measurement, other: Measurement) -> list[str]:
    """Fields that are known of both and not the same, with both values, in words."""
    told = [(name, getattr(one, name), getattr(other, name)) for name in IDENTITY_FIELDS]
    told.append(("quantity", one.quantity, other.quantity))
    if _are_timed_apart(one, other):
        told.append(("scan time", one.scanned_text, other.scanned_text))
    return [
        f"{name} {str(a)!r} there, {str(b)!r} here"
        for name, a, b in told
        if a is not None and b is not None and a != b
    ]


def _are_timed_apart(one: Measurement, other: Measurement) -> bool:
    """Whether both tell a scan time, and not the same: as instants, or else as both write them."""
    if one.scanned_at and other.scanned_at:
        return one.scanned_at != other.scanned_at
    if one.scanned_at or other.scanned_at or not (one.scanned_text and other.scanned_text):
        return False
    return one.scanned_text != other.scanned_text


def _added(held: Measurement, m: Measurement) -> list[str]:
    """Identity that a scan knows and an earlier one lacks, in words."""
    names = (*IDENTITY_FIELDS, "scanned_text")
    return [
        f"{name} {str(getattr(m, name))!r}"
        for name in names
        if getattr(held, name) is None and getattr(m, name) is not None
    ]


def _is_of_another_file(twin: Measurement, m: Measurement) -> bool:
    """Whether two scans come from two files, or two members of one zip."""
    return (twin.file_id, twin.file) != (m.file_id, m.file)


def _is_repeated(m: Measurement, twin: Measurement, earlier: States) -> bool:
    is_same_name = twin.measurement_id in earlier.ids
    has_several = len(earlier.places_of_others(m.file_id)) > 1
    grew = is_same_name and twin.place == m.place and has_several
    if differing(twin, m) or not (grew or twin.scan_sha256 == m.scan_sha256):
        return False
    return not (is_same_name and _added(twin, m))


def _repeated(m: Measurement, twin: Measurement) -> str:
    text = f"the same scan is held already, from {twin.file}"
    added = _added(twin, m)
    return f"{text}; only here: {', '.join(added)}" if added else text


def _conflict(m: Measurement, opposed: Sequence[Measurement]) -> Ruling:
    texts, links = [], []
    for twin in opposed:
        where = f"{twin.file}, {twin.place}" if twin.place else twin.file
        difference = "; ".join(differing(twin, m))
        texts.append(
            f"the same values as measurement {twin.measurement_id} ({where}), "
            f"yet another identity: {difference}"
        )
        links.append(Link(LinkKind.SAME_VALUES_AS, twin.measurement_id, False, difference))
    text = "; ".join(texts)
    return Ruling(replace(m, conflict=text, links=(*m.links, *links)), text, is_conflict=True)


def _with_twins(m: Measurement, twins: Sequence[Measurement]) -> Measurement:
    links = tuple(
        Link(LinkKind.SAME_VALUES_AS, t.measurement_id, by_name=False, evidence="bit for bit")
        for t in twins
    )
    return replace(m, links=(*m.links, *links))


def _re_exported(
    m: Measurement, twins: Sequence[Measurement], earlier: States, known: Known
) -> Ruling:
    """Rules 4 and 5; what a re-export stands for is the state that counted until now."""
    states = [
        (p, evidence)
        for p in earlier.by_place.get(m.place, ())
        if p.file_id != m.file_id
        and p.measurement_id not in known.aside
        and (evidence := _evidence(p, m))
    ]
    if states:
        prior, evidence = max(enumerate(states), key=lambda s: (_saved_s(s[1][0]), s[0]))[1]
        new = _with_twins(m, [t for t in twins if t not in [p for p, _ in states]])
        if m.saved_at and prior.saved_at and prior.saved_at > m.saved_at:
            known.aside.add(m.measurement_id)
            ruling = _older_state(new, prior, evidence)
        else:
            ruling = _newer_state(new, prior, evidence)
        return _put_aside_too(ruling, m, prior, known)
    new = _with_twins(m, twins)
    if earlier.places_of_others(m.file_id) == {m.place}:
        return Ruling(new, "the file name was used before for another scan; this is a new one")
    return Ruling(new)


def _saved_s(m: Measurement) -> float:
    return m.saved_at.timestamp() if m.saved_at else float("-inf")


def _newer_state(m: Measurement, prior: Measurement, evidence: str) -> Ruling:
    link = Link(LinkKind.SUPERSEDES, prior.measurement_id, False, evidence)
    handed_on = _lacking(m, prior)
    return Ruling(
        replace(m, links=(*m.links, link)),
        f"a re-export: supersedes measurement {prior.measurement_id}, {evidence}",
        events=_hand_on(prior, m, handed_on, m),
        handed_on=handed_on,
    )


def _older_state(m: Measurement, newer: Measurement, evidence: str) -> Ruling:
    details = {"kind": str(LinkKind.SUPERSEDES), "target": m.measurement_id}
    why = f"{evidence}; it was saved later"
    link = _event(EventKind.LINK, newer, details, why, m)
    return Ruling(
        m,
        f"an earlier state of measurement {newer.measurement_id}, which supersedes it: {why}",
        events=(link, *_hand_on(m, newer, _lacking(newer, m), m)),
    )


def _put_aside_too(ruling: Ruling, m: Measurement, prior: Measurement, known: Known) -> Ruling:
    """The ruling, and that what a person put aside stays so in another state of the scan."""
    reasons = known.reviews.get(prior.measurement_id, ())
    review = review_of(reasons)
    if review is None:
        return ruling
    known.reviews[m.measurement_id] = reasons
    own = {"state_of": prior.measurement_id}
    all_of_them = {"standing_by": review.who, "standing_why": review.why}
    events = []
    for number, reason in enumerate(reasons, 1):
        of = {name: reason.details[name] for name in ("failure",) if name in reason.details}
        is_last_of_many = 1 < number == len(reasons)
        details = own | of | (all_of_them if is_last_of_many else {})
        event = _event(EventKind.PUT_ASIDE, m, details, reason.why, m)
        name = hashlib.sha256(f"{event.event_id}|{number}".encode()).hexdigest()[:32]
        events.append(replace(event, event_id=name, who=reason.who))
    return replace(
        ruling,
        remark=f"{ruling.remark}; put aside for review like that one",
        events=(*ruling.events, *events),
        review=review,
    )


def _evidence(prior: Measurement, m: Measurement) -> str:
    """Why two states of one file are one scan; empty where that is not known."""
    if differing(prior, m):
        return ""
    shared = []
    if (prior.sample and m.sample) or (prior.serial and m.serial):
        shared.append("sample")
    if _is_precise(prior) and _is_precise(m):
        shared.append(f"scan time ({m.scanned_text})")
    if prior.values_sha256 == m.values_sha256:
        shared.append("values")
    return f"same file, {' and '.join(shared)}" if len(shared) > 1 else ""


def _is_precise(m: Measurement) -> bool:
    precision = m.scanned_precision_s
    return m.scanned_at is not None and precision is not None and precision <= SAME_SCAN_PRECISION_S


def _lacking(m: Measurement, other: Measurement) -> dict[str, Any]:
    """What one state does not know of its part and setting, and the other does."""
    unsettled = disputed(m.unresolved)
    return {
        name: value
        for name in ASSIGNABLE
        if name not in _OF_THE_NUMBERS | unsettled
        and (value := getattr(other, name)) not in (None, Kind.UNKNOWN)
        and getattr(m, name) in (None, Kind.UNKNOWN)
    }


def _hand_on(
    giver: Measurement, taker: Measurement, fields: Mapping[str, Any], m: Measurement
) -> tuple[EventRow, ...]:
    if not fields:
        return ()
    details = {name: str(value) for name, value in fields.items()}
    why = f"known of measurement {giver.measurement_id}, another state of the same scan"
    return (_event(EventKind.ASSIGN, taker, details, why, m),)


def _event(
    kind: EventKind, subject: Measurement, details: Mapping[str, str], why: str, m: Measurement
) -> EventRow:
    """Event of taking in a measurement, the same on every retry."""
    text = f"{m.measurement_id}|{kind}|{subject.measurement_id}"
    return EventRow(
        event_id=hashlib.sha256(text.encode()).hexdigest()[:32],
        kind=kind,
        subject=subject.measurement_id,
        details=details,
        who="intake",
        why=why,
        at=m.arrived_at,
    )
