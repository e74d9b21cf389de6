"""Is this scan new, the same again, a re-export, or a conflict? Decided from content and identity.

The rules, in order, for a scan and every measurement known before it:

1. The same content, place and identity under the same reader: *repeated*, nothing is added.
2. The same values and the same identity: *repeated*; but where a file of one scan was saved again
   under its name with another header, it *supersedes*, since the header may tell more.
3. The same values under another identity: a *conflict* for a person, unless both headers give
   different scan times; then it is new, and remarked, since a stuck export looks like this.
4. Another state of the same file at the same place, whose sample and scan time agree: a
   re-export; it *supersedes* the earlier one, with that as the evidence.
5. Anything else is a new measurement, whatever the file is called.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from speclake.measurement import IDENTITY_FIELDS, Link, LinkKind, Measurement

SAME_SCAN_PRECISION_S = 60.0
"""A scan takes minutes: two scans of one sample within one minute's reading are one scan."""


@dataclass(frozen=True)
class Prior:
    """What is known of an earlier measurement, as far as the rules need it."""

    measurement_id: str
    file_id: str
    file: str
    place: str
    scan_sha256: str
    values_sha256: str
    identity: tuple[str, ...]
    sample: str | None
    serial: str | None
    scanned_at: datetime | None
    scanned_precision_s: float | None

    @classmethod
    def of(cls, m: Measurement) -> "Prior":
        """The part of a measurement that the rules need."""
        return cls(
            m.measurement_id, m.file_id, m.file, m.place, m.scan_sha256, m.values_sha256,
            m.identity, m.sample, m.serial, m.scanned_at, m.scanned_precision_s,
        )  # fmt: skip


@dataclass
class Known:
    """Earlier measurements by what the rules look them up with; grows as a batch is decided."""

    ids: set[str] = field(default_factory=set)
    by_values: dict[str, list[Prior]] = field(default_factory=dict)
    by_path: dict[tuple[str, str], list[Prior]] = field(default_factory=dict)

    @classmethod
    def of(
        cls,
        ids: Iterable[str],
        same_values: Iterable[Measurement],
        same_path: Mapping[tuple[str, str], Sequence[Measurement]],
    ) -> "Known":
        """Earlier measurements as the catalogue gives them."""
        known = cls(ids=set(ids))
        for m in same_values:
            known.by_values.setdefault(m.values_sha256, []).append(Prior.of(m))
        known.by_path = {key: [Prior.of(m) for m in ms] for key, ms in same_path.items()}
        return known

    def add(self, folder: str, m: Measurement) -> None:
        """Count a measurement of this batch as known."""
        prior = Prior.of(m)
        self.ids.add(m.measurement_id)
        self.by_values.setdefault(m.values_sha256, []).append(prior)
        self.by_path.setdefault((folder, m.file), []).append(prior)


@dataclass(frozen=True)
class Ruling:
    """What one scan is. `measurement` is None where nothing is to be added."""

    measurement: Measurement | None
    remark: str = ""
    is_conflict: bool = False


def rule(folder: str, m: Measurement, known: Known) -> Ruling:
    """Ruling on one scan by the rules of this module."""
    if m.measurement_id in known.ids:
        return Ruling(None, "the same scan is held already")
    twins = known.by_values.get(m.values_sha256, [])
    earlier = known.by_path.get((folder, m.file), [])
    for twin in twins:
        if twin.file_id != m.file_id and twin.identity == m.identity:
            is_saved_again = twin in earlier and {p.place for p in earlier} == {m.place}
            if is_saved_again and twin.scan_sha256 != m.scan_sha256:
                return _re_exported(m, earlier)
            return Ruling(None, f"the same scan is held already, from {twin.file}")
    for twin in twins:
        if twin.identity != m.identity and not _both_timed_apart(twin, m):
            return _conflict(m, twin)
    return _re_exported(_with_twins(m, twins), earlier)


def _conflict(m: Measurement, twin: Prior) -> Ruling:
    differing = _difference(twin.identity, m.identity)
    where = f"{twin.file}, {twin.place}" if twin.place else twin.file
    text = (
        f"the same values as measurement {twin.measurement_id} ({where}), "
        f"yet another identity: {differing}"
    )
    link = Link(LinkKind.SAME_VALUES_AS, twin.measurement_id, by_name=False, evidence=differing)
    return Ruling(replace(m, conflict=text, links=(*m.links, link)), text, is_conflict=True)


def _with_twins(m: Measurement, twins: Sequence[Prior]) -> Measurement:
    if not twins:
        return m
    links = tuple(
        Link(LinkKind.SAME_VALUES_AS, t.measurement_id, by_name=False, evidence="bit for bit")
        for t in twins
    )
    return replace(m, links=(*m.links, *links))


def _re_exported(m: Measurement, earlier: Sequence[Prior]) -> Ruling:
    """Rule 4 and 5; the latest earlier state that fits is the one superseded."""
    others = [p for p in earlier if p.file_id != m.file_id]
    for prior in reversed(others):
        if prior.place == m.place and _same_scan(prior, m):
            evidence = f"same file, sample and scan time ({m.scanned_text})"
            link = Link(LinkKind.SUPERSEDES, prior.measurement_id, False, evidence)
            remark = f"a re-export: supersedes measurement {prior.measurement_id}, {evidence}"
            return Ruling(replace(m, links=(*m.links, link)), remark)
    if others and not any(p.place != m.place for p in others):
        return Ruling(m, "the file name was used before for another scan; this is a new one")
    return Ruling(m)


def _same_scan(prior: Prior, m: Measurement) -> bool:
    named = (m.sample or m.serial) is not None
    timed = (
        m.scanned_at is not None
        and m.scanned_precision_s is not None
        and m.scanned_precision_s <= SAME_SCAN_PRECISION_S
    )
    return named and timed and prior.identity == m.identity


def _both_timed_apart(prior: Prior, m: Measurement) -> bool:
    return (
        prior.scanned_at is not None
        and m.scanned_at is not None
        and prior.scanned_at != m.scanned_at
    )


def _difference(one: tuple[str, ...], other: tuple[str, ...]) -> str:
    names = (*IDENTITY_FIELDS, "scan time", "quantity")
    return "; ".join(
        f"{name} {a or 'unknown'!r} there, {b or 'unknown'!r} here"
        for name, a, b in zip(names, one, other, strict=True)
        if a != b
    )
