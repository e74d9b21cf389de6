"""Parts and lots as a whole: the verdicts on all spectra that count, and what is missing."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING, Any

from speclake.api.assignedaway import Away, assigned_away
from speclake.api.partkeys import PartKey, part_key
from speclake.api.partrecords import Records, Row, counts, records_of
from speclake.archive.catalog import Catalog, Query
from speclake.archive.rows import EventKind
from speclake.errors import NotFound
from speclake.intake.verdicts import specification_of, verdicts_by_measurement
from speclake.judging import Conditions, LotPart, LotVerdict, PartRecord, PartVerdict, lot_outcome
from speclake.judging import part_outcome as outcome_of_part
from speclake.measurement import Kind, LinkKind
from speclake.specs import Outcome, Specification, Verdict, worst
from speclake.specs.rollup import Repeats
from speclake.specs.verdicts import SEVERITY

if TYPE_CHECKING:
    from speclake.api.archive import Archive

NAMELESS = "without serial or sample"
SIZE = "size"
"""Detail of an event that states a lot: how many parts it has."""
MIXED = "one version of the specification for all parts of the lot"
EVERYTHING: dict[str, Any] = {"withdrawn": "show", "superseded": "show", "limit": None}


@dataclass(frozen=True)
class SpecOutcome:
    """What one specification says of a part."""

    specification: Specification
    verdict: PartVerdict


@dataclass(frozen=True)
class PartReport:
    """One part: its name (serial, else sample), where it belongs, and what each spec says.

    `measurement_ids` are the spectra that count; `set_aside` is the number of those that do not:
    withdrawn, superseded or in conflict. `first_measured_at` is the time of the first of all of
    them. All nameless spectra of a lot stand under one report, which is never a pass.
    """

    product: str
    lot: str
    part: str
    order_number: str | None
    measurement_ids: tuple[str, ...]
    set_aside: int
    first_measured_at: datetime
    specs: tuple[SpecOutcome, ...]

    @property
    def outcome(self) -> Outcome | None:
        """Worst outcome over the specifications, None where none applies."""
        return worst(each.verdict.outcome for each in self.specs)

    @property
    def is_named(self) -> bool:
        """Whether it is known which part it is."""
        return self.part != NAMELESS


@dataclass(frozen=True)
class LotReport:
    """A lot: its parts, and what each specification says of all of them.

    `size` is how many parts the lot has, as a person stated it; None where nobody did.
    """

    lot: str
    parts: tuple[PartReport, ...]
    specs: Mapping[str, LotVerdict]
    size: int | None = None

    @property
    def outcome(self) -> Outcome | None:
        """Worst outcome over the specifications; incomplete if none applies to one of the parts.

        None where no specification applies to any part.
        """
        if not self.specs:
            return None
        unknown = [Outcome.INCOMPLETE for part in self.parts if part.outcome is None]
        return worst([*unknown, *(each.outcome for each in self.specs.values() if each.outcome)])


def ids_behind(parts: Iterable[PartReport]) -> list[str]:
    """Measurements on which the outcomes of parts rest, each once; those of witness pieces too."""
    found: dict[str, None] = {}
    for part in parts:
        found |= dict.fromkeys(part.measurement_ids)
        found |= {number.measurement_id: None for s in part.specs for number in s.verdict.deciding}
    return list(found)


def ids_of(catalog: Catalog, **query: Any) -> list[str]:
    """Identifiers of all measurements that fit a query."""
    found: list[str] = catalog.search(Query(**{"limit": None} | query))["measurement_id"].to_list()
    return found


def ids_of_order(catalog: Catalog, order: str) -> list[str]:
    """Measurements that an order pins: those of the order; those of the lot that have no order."""
    own = ids_of(catalog, order_number=order)
    of_lot = catalog.search(Query(lot=order, limit=None)).to_dicts()
    return [*own, *(row["measurement_id"] for row in of_lot if row["order_number"] is None)]


def claims_of(catalog: Catalog, ids: Sequence[str]) -> list[str]:
    """Measurements that are in conflict with those named, themselves included.

    Of two parties, the later one carries the claim; naming either names it.
    """
    disputed = ids_of(catalog, in_conflict=True, withdrawn="show", superseded="show")
    claims = [m for m in catalog.measurements(disputed) if m.conflict is not None]
    named = set(ids)
    found = [
        m.measurement_id
        for m in claims
        if m.measurement_id in named
        or any(link.kind is LinkKind.SAME_VALUES_AS and link.target in named for link in m.links)
    ]
    others = named - {m.measurement_id for m in claims}
    if not found and others:
        raise NotFound(f"found no conflict of measurement {min(others)!r}")
    return found


def part_reports(archive: "Archive", **query: Any) -> list[PartReport]:
    """Reports on the parts of which at least one measurement fits the query, by lot and name.

    All measurements of such a part count, whether they fit the query or not.
    """
    catalog = archive.store.catalog
    asked = catalog.search(Query(**EVERYTHING | query)).to_dicts()
    keys = {key for row in asked if (key := part_key(row)) is not None}
    groups: dict[PartKey, list[Row]] = {}
    for row in _rows_of(catalog, keys):
        if (key := part_key(row)) in keys and key is not None:
            groups.setdefault(key, []).append(row)
    return _reports(archive, groups)


def lot_report(archive: "Archive", lot: str) -> LotReport:
    """Report on a lot over all of its parts.

    Raises
    ------
    speclake.errors.NotFound
        No part of the lot is in the archive.
    """
    parts = part_reports(archive, lot=lot)
    if not parts:
        pieces = archive.store.catalog.count(Query(lot=lot, kind=str(Kind.WITNESS)))
        only = ", only spectra of witness pieces" if pieces else ""
        raise NotFound(f"found no part of lot {lot!r}{only}")
    by_spec: dict[str, list[tuple[PartReport, SpecOutcome]]] = {}
    for part in parts:
        for each in part.specs:
            by_spec.setdefault(each.specification.name, []).append((part, each))
    size = stated_size(archive.store.catalog, lot)
    specs = {name: _of_lot(found, size) for name, found in by_spec.items()}
    return LotReport(lot, tuple(parts), specs, size)


def _of_lot(judged: Sequence[tuple[PartReport, SpecOutcome]], size: int | None) -> LotVerdict:
    """What a specification says of a lot; spectra without a name may be of any part of it."""
    ordered = sorted(judged, key=lambda each: (each[0].is_named, each[0].first_measured_at))
    parts = [LotPart(part.part, each.verdict) for part, each in ordered]
    versions = {each.specification.version: each.specification for _, each in ordered}
    if len(versions) == 1:
        (specification,) = versions.values()
        return lot_outcome(parts, specification.lot, size)
    found = lot_outcome(parts, size=size)
    is_sampled = any(each.lot.is_sampled for each in versions.values())
    return _incomplete(found, MIXED) if is_sampled else found


def _incomplete(found: LotVerdict, lacks: str) -> LotVerdict:
    """What a specification says of a lot that lacks something."""
    outcome = worst([Outcome.INCOMPLETE, *([found.outcome] if found.outcome else [])])
    missing = (lacks, *found.missing)
    return replace(
        found, outcome=outcome, missing=missing, reasons=(f"missing: {lacks}", *found.reasons)
    )


def stated_size(catalog: Catalog, lot: str) -> int | None:
    """How many parts a lot has, as a person stated it last; None where nobody did."""
    said = catalog.events_among(EventKind.STATE_LOT, [lot])
    return int(said[-1].details[SIZE]) if said else None


def _rows_of(catalog: Catalog, keys: Iterable[PartKey]) -> list[dict[str, Any]]:
    """Every measurement that may be of these parts, those that do not count too."""
    queries: set[tuple[tuple[str, str], ...]] = set()
    for product, lot, name in keys:
        if lot:
            queries.add((("lot", lot), *((("product", product),) if product else ())))
        else:
            queries |= {(("serial", name),), (("sample", name),)}
    found: dict[str, dict[str, Any]] = {}
    for query in sorted(queries):
        for row in catalog.search(Query(**EVERYTHING | dict(query))).to_dicts():
            found[row["measurement_id"]] = row
    return sorted(found.values(), key=lambda row: (row["trusted_at"], row["measurement_id"]))


def _reports(archive: "Archive", groups: Mapping[PartKey, Sequence[Row]]) -> list[PartReport]:
    catalog = archive.store.catalog
    counting = {key: [row for row in rows if counts(row)] for key, rows in groups.items()}
    everything = [row for rows in groups.values() for row in rows]
    verdicts = verdicts_by_measurement(catalog, [row["measurement_id"] for row in everything])
    ids = {row["measurement_id"] for rows in counting.values() for row in rows}
    standing = {key: found for key, found in verdicts.items() if key in ids}
    due = _Due(archive)
    specs = {key: due.of(groups[key], standing) for key in sorted(groups)}
    records = records_of(
        catalog, everything, (each for found in specs.values() for each in found), verdicts
    )
    away = assigned_away(catalog, specs.keys())
    return [
        _report(key, groups[key], counting[key], standing, specs[key], _Told(records, away))
        for key in specs
    ]


@dataclass(frozen=True)
class _Told:
    """What the record says of parts: of their spectra, and of those they were rid of."""

    records: Records
    away: Away

    def of(self, key: PartKey, everything: Sequence[Row], spec: Specification) -> PartRecord:
        """Record of one part for one specification."""
        record = self.records.of(everything, spec)
        return replace(record, assigned_away=self.away.of(key, spec))


class _Due:
    """Specifications of parts: those of their current verdicts, and others that apply."""

    def __init__(self, archive: "Archive") -> None:
        self._archive = archive
        self._by_facts: dict[tuple[Any, ...], list[Specification]] = {}
        self._by_version: dict[str, Specification] = {}

    def of(
        self, rows: Sequence[Row], verdicts: Mapping[str, Sequence[Verdict]]
    ) -> list[Specification]:
        found = {spec.name: spec for row in rows for spec in self._applying(row)}
        judged = [v for row in rows for v in verdicts.get(row["measurement_id"], ())]
        for verdict in judged:
            if verdict.spec_version not in self._by_version:
                spec = specification_of(self._archive.store.catalog, verdict.spec_version)
                self._by_version[verdict.spec_version] = spec
            found[verdict.spec] = self._by_version[verdict.spec_version]
        return [found[name] for name in sorted(found)]

    def _applying(self, row: Row) -> list[Specification]:
        names = ("order_number", "customer", "product", "lot")
        key = (*(row[name] for name in names), row["trusted_at"].date())
        if key not in self._by_facts:
            self._by_facts[key] = self._archive.specifications_for(row["measurement_id"])
        return self._by_facts[key]


def _report(
    key: PartKey,
    everything: Sequence[Row],
    counting: Sequence[Row],
    verdicts: Mapping[str, Sequence[Verdict]],
    specs: Iterable[Specification],
    told: _Told,
) -> PartReport:
    conditions = {row["measurement_id"]: Conditions.of(row) for row in counting}
    own = [v for each in conditions for v in verdicts.get(each, ())]
    product, lot, name = key
    in_the_way = _in_the_way(key, everything)
    return PartReport(
        product=product,
        lot=lot,
        part=name or NAMELESS,
        order_number=(counting or everything)[0]["order_number"],
        measurement_ids=tuple(conditions),
        set_aside=len(everything) - len(counting),
        first_measured_at=min(row["trusted_at"] for row in everything),
        specs=tuple(
            _spec_outcome(
                each, own, conditions, told.of(key, everything, each) if name else None, in_the_way
            )
            for each in specs
        ),
    )


def _in_the_way(key: PartKey, everything: Sequence[Row]) -> tuple[str, ...]:
    """What keeps a part from passing whatever its spectra say, in words."""
    lacks = [] if key[2] else ["which part it is: no serial or sample is known"]
    disputed = sum(row["in_conflict"] and not row["withdrawn"] for row in everything)
    if disputed:
        spectra = "1 spectrum" if disputed == 1 else f"{disputed} spectra"
        lacks.append(f"a person's word on {spectra} in conflict")
    return tuple(lacks)


def _spec_outcome(
    specification: Specification,
    verdicts: Sequence[Verdict],
    conditions: Mapping[str, Conditions],
    record: PartRecord | None,
    in_the_way: tuple[str, ...],
) -> SpecOutcome:
    """What a specification says of a part; without a record, of spectra of who knows which part."""
    own = [v for v in verdicts if v.spec_version == specification.version]
    in_the_way = (*in_the_way, *_of_other_versions(verdicts, specification))
    if record is None:
        each_counts = specification.model_copy(update={"repeats": Repeats()})
        found = replace(outcome_of_part(own, conditions, each_counts), repeated=(), remarks=())
    else:
        found = outcome_of_part(own, conditions, specification, record)
    if in_the_way:
        outcome = worst([found.outcome, Outcome.INCOMPLETE]) or Outcome.INCOMPLETE
        reasons = (*(f"missing: {each}" for each in in_the_way), *found.reasons)
        missing = (*in_the_way, *found.missing)
        found = replace(found, outcome=outcome, missing=missing, reasons=reasons)
    return SpecOutcome(specification, found)


def _of_other_versions(verdicts: Sequence[Verdict], specification: Specification) -> list[str]:
    """What a part lacks where some of its spectra stand judged by another version, in words.

    Such a verdict is none by this version, and must not vanish behind those that are: what failed
    by the limits of its day would pass unseen with the first scan after them.
    """
    found: dict[str, dict[Outcome, set[str]]] = {}
    for each in verdicts:
        if each.spec == specification.name and each.spec_version != specification.version:
            outcomes = found.setdefault(each.spec_version, {})
            outcomes.setdefault(each.outcome, set()).add(each.measurement_id)
    return [
        f"one version of the specification for all spectra: by {version[:8]} are judged "
        + ", ".join(f"{len(outcomes[o])} {o}" for o in SEVERITY if o in outcomes)
        for version, outcomes in sorted(found.items())
    ]


def newer_revisions(archive: "Archive", **query: Any) -> list[str]:
    """Orders and lots that stay with an earlier revision than is written today, in sentences."""
    catalog = archive.store.catalog
    book = archive.judge_step.book
    written = {each.name: book.named(each.name) for each in book.current()}
    told: dict[str, None] = {}
    seen: set[tuple[Any, ...]] = set()
    for row in catalog.search(Query(**{"limit": None} | query)).to_dicts():
        facts = tuple(row[name] for name in ("order_number", "customer", "product", "lot"))
        if facts in seen:
            continue
        seen.add(facts)
        order = row["order_number"] or row["lot"]
        for each in archive.specifications_for(row["measurement_id"]):
            today = written.get(each.name)
            if order and today is not None and today.version != each.version:
                told[
                    f"{order} is judged by {each.name!r} as it was begun or adopted (revision "
                    f"{each.revision or 'without a name'}, version {each.version[:8]}); the file "
                    f"says otherwise today: `speclake adopt` takes that over"
                ] = None
    return list(told)
