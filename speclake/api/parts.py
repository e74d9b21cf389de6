"""Parts and lots as a whole: the verdicts on all spectra that count, and what is missing."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any

from speclake.archive.catalog import Catalog, Query
from speclake.judging import Conditions, LotVerdict, PartVerdict, lot_outcome
from speclake.judging import part_outcome as outcome_of_part
from speclake.measurement import Kind, Measurement
from speclake.specs import Outcome, Specification, Verdict, worst

if TYPE_CHECKING:
    from speclake.api.archive import Archive

PartKey = tuple[str, str, str]


@dataclass(frozen=True)
class SpecOutcome:
    """What one specification says of a part."""

    specification: Specification
    verdict: PartVerdict


@dataclass(frozen=True)
class PartReport:
    """One part: its name (serial, else sample), where it belongs, and what each spec says.

    `set_aside` counts spectra that do not count: withdrawn, superseded or in conflict. `outcome`
    is the worst over the specifications, None where none applies.
    """

    product: str
    lot: str
    part: str
    order_number: str | None
    measurement_ids: tuple[str, ...]
    set_aside: int
    specs: tuple[SpecOutcome, ...]

    @property
    def outcome(self) -> Outcome | None:
        """Worst outcome over the specifications."""
        return worst(each.verdict.outcome for each in self.specs)


@dataclass(frozen=True)
class LotReport:
    """A lot: its parts, and what each specification says of all of them."""

    lot: str
    parts: tuple[PartReport, ...]
    specs: Mapping[str, LotVerdict]

    @property
    def outcome(self) -> Outcome | None:
        """Worst outcome over the parts."""
        return worst(o for part in self.parts if (o := part.outcome) is not None)


def ids_of(catalog: Catalog, **query: Any) -> list[str]:
    """Identifiers of all measurements that fit a query."""
    found: list[str] = catalog.search(Query(**{"limit": None} | query))["measurement_id"].to_list()
    return found


def current_verdicts(catalog: Catalog, ids: Sequence[str]) -> list[Verdict]:
    """Current verdicts of measurements, as the vocabulary of judging has them."""
    names = [each.name for each in fields(Verdict)]
    rows = catalog.verdicts(list(ids)).select(names).to_dicts()
    return [Verdict(**row | {"outcome": Outcome(row["outcome"])}) for row in rows]


def part_reports(archive: "Archive", **query: Any) -> list[PartReport]:
    """Reports on the parts of which at least one measurement fits the query, by lot and name.

    All measurements of such a part count, whether they fit the query or not.
    """
    catalog = archive.store.catalog
    rows = catalog.search(Query(**{"limit": None} | query)).to_dicts()
    keys = {key: None for row in rows if (key := part_key(row)) is not None}
    return [_report(archive, key) for key in sorted(keys)]


def lot_report(archive: "Archive", lot: str) -> LotReport:
    """Report on a lot over all of its parts.

    Raises
    ------
    speclake.errors.NotFound
        No part of the lot is in the archive.
    """
    from speclake.errors import NotFound

    parts = part_reports(archive, lot=lot)
    if not parts:
        raise NotFound(f"found no part of lot {lot!r}")
    by_spec: dict[str, list[PartVerdict]] = {}
    for part in parts:
        for each in part.specs:
            by_spec.setdefault(each.specification.name, []).append(each.verdict)
    return LotReport(lot, tuple(parts), {name: lot_outcome(vs) for name, vs in by_spec.items()})


def part_key(row: Mapping[str, Any]) -> PartKey | None:
    """Product, lot and name of the part that a measurement is of; None where it has no name."""
    name = row["serial"] or row["sample"]
    if row["kind"] != Kind.PART or name is None:
        return None
    return (row["product"] or "", row["lot"] or "", name)


def _rows_of_part(catalog: Catalog, key: PartKey) -> list[dict[str, Any]]:
    """Every measurement of a part, those that do not count too."""
    product, lot, _ = key
    found = catalog.search(
        Query(
            product=product or None, lot=lot or None, withdrawn="show", superseded="show",
            limit=None, descending=False,
        )
    )  # fmt: skip
    return [row for row in found.to_dicts() if part_key(row) == key]


def _counts(row: Mapping[str, Any]) -> bool:
    return not (row["withdrawn"] or row["in_conflict"] or row["superseded_by"])


def _report(archive: "Archive", key: PartKey) -> PartReport:
    catalog = archive.store.catalog
    everything = _rows_of_part(catalog, key)
    counting = [row for row in everything if _counts(row)]
    conditions = {row["measurement_id"]: Conditions.of(row) for row in counting}
    verdicts = current_verdicts(catalog, list(conditions))
    specs = _specifications(archive, catalog.measurements(list(conditions)))
    return PartReport(
        product=key[0],
        lot=key[1],
        part=key[2],
        order_number=(counting or everything)[0]["order_number"],
        measurement_ids=tuple(conditions),
        set_aside=len(everything) - len(counting),
        specs=tuple(_spec_outcome(each, verdicts, conditions) for each in specs),
    )


def _specifications(archive: "Archive", measurements: Sequence[Measurement]) -> list[Specification]:
    found: dict[str, Specification] = {}
    for m in measurements:
        for each in archive.judge_step.specifications_for(m, archive.store.catalog):
            found.setdefault(each.version, each)
    return list(found.values())


def _spec_outcome(
    specification: Specification,
    verdicts: Iterable[Verdict],
    conditions: Mapping[str, Conditions],
) -> SpecOutcome:
    own = [v for v in verdicts if v.spec_version == specification.version]
    return SpecOutcome(specification, outcome_of_part(own, conditions, specification))
