"""What would become of past measurements under a specification; nothing is written."""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from speclake.api.events import check_known
from speclake.api.parts import ids_of
from speclake.api.revisions import read_kept
from speclake.archive.catalog import NOT_JUDGED, Catalog
from speclake.archive.lake import Lake
from speclake.errors import BadSettings
from speclake.intake.verdicts import CHUNK, Judge, verdicts_by_measurement
from speclake.measurement import Measurement
from speclake.specs import Specification, Verdict, choose
from speclake.specs.differences import differences, renamed
from speclake.specs.requirements import same_text

if TYPE_CHECKING:
    import polars as pl

LISTS = (("orders", "order_number"), ("customers", "customer"), ("products", "product"))
"""Lists of a specification that say what it applies to, the closest first, with their fields."""

PART = ("product", "lot", "sample", "serial", "site", "file", "trusted_at")
"""What is told of a measurement beside its outcomes."""

OF_PARTS = ("needs", "repeats", "witness", "lot", "over_sites")
"""Keys that say how verdicts on measurements make the outcome of a part or a lot."""

Outcomes = tuple[str, str]
"""Outcome before and after; a word of `Outcome`, or ``not judged``."""


@dataclass(frozen=True)
class WhatIf:
    """Outcomes under a specification beside those that stand.

    Parameters
    ----------
    specification : the one asked for.
    commit, head : number and hash of the last commit that was looked at; 0 and empty before any.
    measurements : number of measurements that it judged.
    outcomes : for each requirement, how many verdicts went from which outcome to which.
    moved : for each requirement, how many verdicts keep their outcome with another value.
    compared_with : how many of the verdicts that stand were made by which version.
    changes : a row for each verdict with another outcome; `PART`, ``before`` and ``after`` are
        among its columns.
    of_parts : what it says otherwise of parts and lots than a version that judged, in sentences. It
        changes no verdict on a measurement, and may change the outcome of a part or a lot.
    """

    specification: Specification
    commit: int
    head: str
    measurements: int
    outcomes: Mapping[str, Mapping[Outcomes, int]]
    moved: Mapping[str, int]
    compared_with: Mapping[str, int]
    changes: "pl.DataFrame"
    of_parts: tuple[str, ...] = ()

    @property
    def changed_measurements(self) -> int:
        """Number of measurements of which a requirement changes its outcome."""
        return int(self.changes["measurement_id"].n_unique())


def what_if(
    store: Lake,
    step: Judge,
    specification: Specification,
    ids: Sequence[str] | None,
    query: Mapping[str, Any],
) -> WhatIf:
    """What would become of measurements if a specification judged them, beside what stands.

    Without identifiers it looks at the measurements that fit the query and are judged by a
    specification of this name, or would be by its lists. Days in effect and revisions that orders
    stay with make no difference; what is withdrawn, superseded or in conflict is left out.

    Parameters
    ----------
    ids : the measurements to look at, whether its lists hold them or not; None takes the query.

    Raises
    ------
    speclake.errors.NotFound
        The archive does not hold one of them.
    """
    import polars as pl

    store.refresh()
    catalog = store.catalog
    chosen = _candidates(catalog, specification, query) if ids is None else _counting(catalog, ids)
    counted = _Counted(catalog, specification)
    for start in range(0, len(chosen), CHUNK):
        measurements = catalog.measurements(chosen[start : start + CHUNK])
        before = _standing(catalog, specification, measurements)
        if ids is None:
            measurements = [
                m for m in measurements if before.get(m.measurement_id) or _fits(specification, m)
            ]
        judged = step.again(store, catalog, measurements, why="what if", spec=specification)
        counted.take(measurements, before, judged.verdicts)
    head = store.head()
    return WhatIf(
        specification=specification,
        commit=head.number if head else 0,
        head=head.hash if head else "",
        measurements=counted.measurements,
        outcomes={name: dict(found) for name, found in counted.outcomes.items()},
        moved=dict(counted.moved),
        compared_with=dict(counted.compared_with),
        changes=pl.DataFrame(counted.changes, schema=COLUMNS, orient="row"),
        of_parts=tuple(counted.of_parts),
    )


COLUMNS = (
    "measurement_id", *PART, "requirement", "before", "after", "shown_before", "shown_after",
    "unit", "reason",
)  # fmt: skip


def _counting(catalog: Catalog, ids: Sequence[str]) -> list[str]:
    """Those of the measurements named that count, each once."""
    check_known(catalog, ids)
    counting = set(ids_of(catalog, ids=tuple(ids), in_conflict=False)) if ids else set()
    return [each for each in dict.fromkeys(ids) if each in counting]


def _candidates(
    catalog: Catalog, specification: Specification, query: Mapping[str, Any]
) -> list[str]:
    """Measurements that fit a query and may be judged by a specification, each once."""
    found = dict.fromkeys(
        ids_of(catalog, **{**query, "spec": specification.name, "in_conflict": False})
    )
    for narrowed in _narrowed(catalog, specification, query):
        found |= dict.fromkeys(ids_of(catalog, in_conflict=False, **narrowed))
    return list(found)


def _narrowed(
    catalog: Catalog, specification: Specification, query: Mapping[str, Any]
) -> Iterator[dict[str, Any]]:
    """Queries that together find all that the lists of a specification hold."""
    listed = [(getattr(specification, key), field) for key, field in LISTS]
    listed = [(texts, field) for texts, field in listed if texts]
    if not listed:
        return
    if any(field in query for _, field in listed):
        yield dict(query)
        return
    texts, field = listed[0]
    wanted = {same_text(each) for each in texts}
    for value in catalog.facets(field)["value"]:
        if same_text(value) in wanted:
            yield {**query, field: value}


def _fits(specification: Specification, m: Measurement) -> bool:
    chosen = choose(
        [specification], order_number=m.order_number, customer=m.customer, product=m.product
    )
    return bool(chosen)


def _standing(
    catalog: Catalog, specification: Specification, measurements: Iterable[Measurement]
) -> dict[str, list[Verdict]]:
    """Verdicts that stand under the name of a specification, by measurement."""
    found = verdicts_by_measurement(catalog, [m.measurement_id for m in measurements])
    own = {key: [v for v in each if v.spec == specification.name] for key, each in found.items()}
    return {key: each for key, each in own.items() if each}


class _Counted:
    """Outcomes before and after, counted chunk by chunk."""

    def __init__(self, catalog: Catalog, specification: Specification) -> None:
        self._catalog, self._specification = catalog, specification
        self._renamed: dict[str, Mapping[str, str]] = {}
        self.measurements = 0
        self.outcomes: dict[str, Counter[Outcomes]] = {
            each.id: Counter() for each in specification.requirements
        }
        self.moved: Counter[str] = Counter()
        self.compared_with: Counter[str] = Counter()
        self.changes: list[tuple[Any, ...]] = []
        self.of_parts: dict[str, None] = {}

    def take(
        self,
        measurements: Sequence[Measurement],
        before: Mapping[str, Sequence[Verdict]],
        after: Iterable[Verdict],
    ) -> None:
        """Count what became of some measurements."""
        now: dict[str, dict[str, Verdict]] = {m.measurement_id: {} for m in measurements}
        for verdict in after:
            now[verdict.measurement_id][verdict.requirement] = verdict
        for m in measurements:
            earlier = {self._name_now(v): v for v in before.get(m.measurement_id, ())}
            later = now[m.measurement_id]
            self.measurements += bool(later)
            self.compared_with.update(v.spec_version for v in earlier.values())
            for name in (*later, *(name for name in earlier if name not in later)):
                self._compare(m, name, earlier.get(name), later.get(name))

    def _compare(
        self, m: Measurement, name: str, before: Verdict | None, after: Verdict | None
    ) -> None:
        outcomes = (_word(before), _word(after))
        self.outcomes.setdefault(name, Counter())[outcomes] += 1
        if outcomes[0] == outcomes[1]:
            self.moved[name] += (
                before is not None and after is not None and (before.value != after.value)
            )
            return
        told = after or before
        assert told is not None  # one of the two has the name
        self.changes.append(
            (
                m.measurement_id, *(getattr(m, each) for each in PART), name, *outcomes,
                before.shown if before else "", after.shown if after else "", told.unit,
                after.reason if after else "the specification no longer asks for it",
            )
        )  # fmt: skip

    def _name_now(self, verdict: Verdict) -> str:
        """Name of a requirement in the specification asked for, where only that has changed."""
        if verdict.spec_version not in self._renamed:
            self._renamed[verdict.spec_version] = self._names_since(verdict.spec_version)
        return self._renamed[verdict.spec_version].get(verdict.requirement, verdict.requirement)

    def _names_since(self, version: str) -> Mapping[str, str]:
        row = self._catalog.specification(version)
        if row is None:
            return {}
        try:
            earlier = read_kept(row)
        except BadSettings:  # an earlier program's keys: its names are then compared as they are
            return {}
        self.of_parts |= {
            each.sentence: None
            for each in differences(earlier, self._specification)
            if each.key.split(".")[0] in OF_PARTS
        }
        return renamed(earlier, self._specification)


def _word(verdict: Verdict | None) -> str:
    return verdict.outcome.value if verdict else NOT_JUDGED
