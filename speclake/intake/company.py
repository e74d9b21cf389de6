"""The measurements that may belong together, as they will be known after a commit."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import timedelta

from speclake.archive.catalog import Catalog
from speclake.intake.choices import choices_of
from speclake.judging.belonging import Record, SpotKey, names_of, spot_of
from speclake.judging.conditions import JUDGED_KINDS
from speclake.judging.repeats import Choice
from speclake.measurement import Kind, LinkKind, Measurement


@dataclass(frozen=True)
class Change:
    """What a commit changes of the measurements that count.

    Parameters
    ----------
    known : new or changed measurements, by identifier, as they will be known.
    gone : measurements that count no longer, as when withdrawn or superseded.
    back : measurements that count again.
    choices : a person's word that of several measurements of one place this one counts; None
        where it is taken back.
    are_new : whether `known` are new, so that nothing draws on them yet.
    """

    known: Mapping[str, Measurement] = field(default_factory=dict)
    gone: frozenset[str] = frozenset()
    back: frozenset[str] = frozenset()
    choices: Mapping[str, Choice | None] = field(default_factory=dict)
    are_new: bool = False

    def __bool__(self) -> bool:
        return bool(self.known or self.gone or self.back or self.choices)


@dataclass(frozen=True, eq=False)
class Company:
    """Measurements of some parts, and blanks, that count; and the leads that a change affects."""

    counting: Mapping[str, Measurement]
    record: Record
    _affected: Mapping[str, tuple[str, ...]]
    _by_spot: Mapping[SpotKey, Sequence[Measurement]]
    _blanks: Mapping[str, Sequence[Measurement]]

    def leads(self, due: Collection[str]) -> Iterator[tuple[Measurement, tuple[str, ...]]]:
        """Measurements that may lead: those due, and those affected with the versions they had."""
        for name, m in self.counting.items():
            is_asked = name in due or name in self._affected
            if is_asked and m.kind in JUDGED_KINDS and m.conflict is None:
                yield m, self._affected.get(name, ())

    def near(self, lead: Measurement, *, is_blank: bool) -> Sequence[Measurement]:
        """Measurements of the lead's part, stage and site; or blanks of its instrument."""
        if is_blank:
            return self._blanks.get(lead.instrument or "", ())
        spot = spot_of(lead)
        return () if spot is None else self._by_spot.get(spot, ())


def company_of(
    catalog: Catalog, change: Change, due: Sequence[Measurement], longest_h: float
) -> Company:
    """Everything that verdicts on some measurements, and on what a change affects, may draw on.

    Parameters
    ----------
    due : measurements that are judged whatever changes.
    longest_h : how long after a blank a lead may still draw on it.
    """
    gone, back = gone_and_back(catalog, change)
    known = {name: m for name, m in change.known.items() if name not in gone}
    returned = {m.measurement_id: m for m in catalog.brief(sorted(back - known.keys()))}
    changed = {**returned, **known}
    twins = _twins_of(catalog, changed.values(), change.gone)
    touched = [*changed.values(), *_brief(catalog, {*twins, *change.choices}, known)]
    earlier = {*gone, *back, *twins, *change.choices, *(() if change.are_new else change.known)}
    bound = catalog.drawing_on(sorted(earlier))
    drawing = _brief(catalog, bound, known)
    late = _after_blanks(catalog, touched, longest_h)
    around = [*due, *touched, *drawing, *late]
    counting = {m.measurement_id: m for m in catalog.of_parts(_names_of(around), _sites_of(around))}
    counting |= changed | {m.measurement_id: m for m in due}
    counting = {name: m for name, m in counting.items() if name not in gone}
    # a change of what was set aside earlier makes it count no more than before
    held = [name for name in counting if not (change.are_new and name in known)]
    aside = catalog.set_aside(held) - back
    standing = {name: m for name, m in counting.items() if name not in aside}
    spots = {spot for m in touched if (spot := spot_of(m)) is not None}
    asked = {m.measurement_id for m in late} | bound | back
    asked |= {name for name, m in counting.items() if spot_of(m) in spots}
    return Company(
        counting,
        _record(catalog, standing, change, gone),
        _versions(catalog, asked - {m.measurement_id for m in due}),
        _by_spot(standing.values()),
        _blanks(catalog, counting.values(), changed.values(), gone | aside, longest_h),
    )


def _brief(
    catalog: Catalog, names: Collection[str], known: Mapping[str, Measurement]
) -> list[Measurement]:
    """Measurements as they will be known."""
    found = catalog.brief(sorted(set(names) - known.keys()))
    return [*found, *(known[name] for name in names if name in known)]


def _names_of(measurements: Iterable[Measurement]) -> list[str]:
    names = (m.serial or m.sample for m in measurements if m.kind in JUDGED_KINDS)
    return sorted({name for name in names if name})


def _sites_of(measurements: Iterable[Measurement]) -> list[str]:
    return sorted({(m.site or "").strip().lower() for m in measurements})


def _targets(measurements: Iterable[Measurement], kind: LinkKind) -> set[str]:
    return {
        link.target
        for m in measurements
        for link in m.links
        if link.kind is kind and not link.by_name
    }


def gone_and_back(catalog: Catalog, change: Change) -> tuple[frozenset[str], frozenset[str]]:
    """Measurements that count no longer, and those that count again, by supersession too."""
    gone = set(change.gone)
    gone |= _targets(change.known.values(), LinkKind.SUPERSEDES)
    gone |= _targets(catalog.brief(sorted(change.back)), LinkKind.SUPERSEDES)
    freed = _targets(catalog.brief(sorted(change.gone)), LinkKind.SUPERSEDES)
    back = set(change.back) | catalog.not_withdrawn(sorted(freed))
    held = {old for old, new in catalog.superseding(sorted(back)) if new not in change.gone}
    return frozenset(gone), frozenset(back - held - gone)


def _twins_of(catalog: Catalog, changed: Iterable[Measurement], gone: Collection[str]) -> set[str]:
    """Measurements whose dispute may begin or end with the change of another of the same values."""
    return _targets([*changed, *catalog.brief(sorted(gone))], LinkKind.SAME_VALUES_AS)


def _after_blanks(
    catalog: Catalog, touched: Iterable[Measurement], longest_h: float
) -> list[Measurement]:
    """Measurements of parts that may draw on a blank that is touched, or say that they do."""
    blanks = [each for each in touched if each.kind is Kind.BLANK and longest_h > 0]
    late = [
        m
        for blank in blanks
        if blank.instrument is not None
        for m in catalog.measured_on(
            [blank.instrument], blank.trusted_at, blank.trusted_at + timedelta(hours=longest_h)
        )
    ]
    names = frozenset[str]().union(*map(names_of, blanks))
    return [*late, *catalog.parts_naming(sorted(names))]


def _record(
    catalog: Catalog, counting: Mapping[str, Measurement], change: Change, gone: Collection[str]
) -> Record:
    settled = {name for name, m in change.known.items() if m.conflict is None}
    disputed = {
        name
        for name, claim in catalog.claims_on(list(counting))
        if claim not in gone and claim not in settled
    }
    claims = [m for m in counting.values() if m.conflict is not None]
    disputed |= {m.measurement_id for m in claims} | _targets(claims, LinkKind.SAME_VALUES_AS)
    earlier = choices_of(catalog, list(counting)).items()
    choices = {name: said for name, said in earlier if name not in change.choices}
    choices |= {name: said for name, said in change.choices.items() if said is not None}
    return Record(disputed, choices)


def _versions(catalog: Catalog, names: Collection[str]) -> dict[str, tuple[str, ...]]:
    """Versions by which measurements are judged now."""
    found: defaultdict[str, list[str]] = defaultdict(list)
    for name, version in catalog.versions_of(sorted(names)):
        found[name].append(version)
    return {name: tuple(versions) for name, versions in found.items()}


def _by_spot(measurements: Iterable[Measurement]) -> dict[SpotKey, list[Measurement]]:
    found: defaultdict[SpotKey, list[Measurement]] = defaultdict(list)
    for m in measurements:
        spot = spot_of(m)
        if spot is not None:
            found[spot].append(m)
    return found


def _blanks(
    catalog: Catalog,
    leads: Iterable[Measurement],
    changed: Iterable[Measurement],
    gone: Collection[str],
    longest_h: float,
) -> dict[str, list[Measurement]]:
    """Blanks that leads may draw on, by instrument."""
    times = [m.trusted_at for m in leads]
    if not longest_h or not times:
        return {}
    instruments = sorted({m.instrument for m in leads if m.instrument is not None})
    since = min(times) - timedelta(hours=longest_h)
    linked = catalog.brief(sorted(_targets(leads, LinkKind.MEASURED_AGAINST)))
    names = {
        link.target
        for m in leads
        for link in m.links
        if link.kind is LinkKind.MEASURED_AGAINST and link.by_name
    }
    named = catalog.blanks_named(instruments, sorted(names))
    blanks = {
        m.measurement_id: m
        for m in (*catalog.blanks_of(instruments, since, max(times)), *linked, *named, *changed)
        if m.kind is Kind.BLANK and m.measurement_id not in gone
    }
    found: defaultdict[str, list[Measurement]] = defaultdict(list)
    for m in blanks.values():
        found[m.instrument or ""].append(m)
    return found
