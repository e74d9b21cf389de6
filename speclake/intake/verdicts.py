"""Which specification judges which measurement, and the verdicts as rows for a commit."""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np

from speclake.archive.catalog import Catalog
from speclake.archive.encoding import decode
from speclake.archive.lake import Lake
from speclake.archive.rows import Batch, SpecificationRow, StoredSpectrum
from speclake.errors import ArchiveDamaged
from speclake.intake.specbook import SpecBook
from speclake.judging import JUDGED_KINDS, judge
from speclake.measurement import Measurement
from speclake.specs import Outcome, Specification, Verdict, choose, in_effect
from speclake.spectrum import Axis, SpectrumSet
from speclake.units import ValueUnit

CHUNK = 2_000
"""How many measurements are judged and committed at once."""


@dataclass(frozen=True)
class Judged:
    """Verdicts, and the specifications that they used, as the archive keeps them."""

    verdicts: tuple[Verdict, ...] = ()
    specifications: tuple[SpecificationRow, ...] = ()


class Judge:
    """Chooses the specifications of each measurement and judges whole sets at a time."""

    def __init__(self, archive: Path) -> None:
        self.book = SpecBook(archive / "specs")

    def new(
        self,
        measurements: Sequence[Measurement],
        spectra: Sequence[StoredSpectrum],
        axes: Mapping[str, Axis],
        catalog: Catalog,
    ) -> Judged:
        """Verdicts on measurements that are being taken in."""
        values = {s.measurement_id: s.values for s in spectra}

        def sets(due: Sequence[Measurement]) -> list[SpectrumSet]:
            groups: dict[tuple[str, ValueUnit], list[str]] = {}
            for m in due:
                groups.setdefault((m.axis_id, m.unit), []).append(m.measurement_id)
            return [
                SpectrumSet(
                    axes[axis_id], np.stack([decode(values[i]) for i in ids]), unit, tuple(ids)
                )
                for (axis_id, unit), ids in groups.items()
            ]

        return self.judge(_Choice(self.book, catalog, measurements), measurements, sets, catalog)

    def again(
        self,
        store: Lake,
        catalog: Catalog,
        measurements: Sequence[Measurement],
        *,
        why: str,
        spec: str | Specification | None = None,
        pins: Mapping[tuple[str, str], str] | None = None,
    ) -> Judged:
        """Verdicts on measurements in the archive, and the earlier ones that have lapsed.

        Parameters
        ----------
        measurements : as they are known now, events not yet committed included.
        why : the reason, kept with what lapses.
        spec : the one specification to judge by, or its name; then nothing lapses.
        pins : versions by specification and order that go before those of the catalogue.
        """
        choice = _Choice(self.book, catalog, measurements, spec, pins)

        def sets(due: Sequence[Measurement]) -> list[SpectrumSet]:
            return store.spectra([m.measurement_id for m in due])

        judged = self.judge(choice, measurements, sets, catalog)
        if spec is not None:
            return judged
        ids = [m.measurement_id for m in measurements]
        lapsed = _lapsed(current_verdicts(catalog, ids), judged.verdicts, why)
        return Judged((*judged.verdicts, *lapsed), judged.specifications)

    def judge(
        self,
        choice: "_Choice",
        measurements: Iterable[Measurement],
        sets: Callable[[Sequence[Measurement]], Iterable[SpectrumSet]],
        catalog: Catalog,
    ) -> Judged:
        """Verdicts on those of the measurements for which there is a specification.

        Only parts and witness pieces are judged, and none that claims another's values.
        """
        due = {
            m.measurement_id: (m, specs)
            for m in measurements
            if _is_judged(m) and (specs := choice.for_measurement(m))
        }
        verdicts: list[Verdict] = []
        used: dict[str, Specification] = {}
        for spectra in sets([m for m, _ in due.values()]):
            by_version: dict[str, list[int]] = {}
            for row, key in enumerate(spectra.keys):
                for each in due[key][1]:
                    used.setdefault(each.version, each)
                    by_version.setdefault(each.version, []).append(row)
            for version, rows in by_version.items():
                part = _rows_of(spectra, rows)
                verdicts += judge(part, used[version], [due[key][0] for key in part.keys])
        unknown = [
            row_of(each) for each in used.values() if not catalog.specification(each.version)
        ]
        return Judged(tuple(verdicts), tuple(unknown))

    def specifications_for(self, m: Measurement, catalog: Catalog) -> list[Specification]:
        """Specifications that apply to a measurement, pinned to its order."""
        return list(_Choice(self.book, catalog, [m]).for_measurement(m))


def _is_judged(m: Measurement) -> bool:
    return m.kind in JUDGED_KINDS and m.conflict is None


def _lapsed(before: Iterable[Verdict], now: Iterable[Verdict], why: str) -> list[Verdict]:
    """Rows that say which earlier verdicts are not among those of today."""
    said = {(v.measurement_id, v.spec, v.requirement) for v in now}
    return [
        replace(
            v, outcome=Outcome.LAPSED, value=None, margin=None, at=None, side=None, shown="",
            reason=f"it no longer applies: {why}",
        )
        for v in before
        if (v.measurement_id, v.spec, v.requirement) not in said
    ]  # fmt: skip


def current_verdicts(catalog: Catalog, ids: Sequence[str]) -> list[Verdict]:
    """Current verdicts of measurements, as the vocabulary of judging has them."""
    names = [each.name for each in fields(Verdict)]
    rows = catalog.verdicts(list(ids)).select(names).to_dicts()
    return [Verdict(**row | {"outcome": Outcome(row["outcome"])}) for row in rows]


def _rows_of(spectra: SpectrumSet, rows: Sequence[int]) -> SpectrumSet:
    if len(rows) == len(spectra):
        return spectra
    keys = tuple(spectra.keys[row] for row in rows)
    return SpectrumSet(spectra.axis, spectra.values[list(rows)], spectra.unit, keys)


def row_of(specification: Specification) -> SpecificationRow:
    """Specification as the archive keeps it, so that a verdict can be made again."""
    return SpecificationRow(
        spec_version=specification.version,
        spec=specification.name,
        revision=specification.revision,
        content=specification.to_json(),
        first_used_at=datetime.now(UTC),
    )


class _Choice:
    """Specifications by what is known of a part; each combination is looked up once.

    What an order was begun with, or has adopted, goes before what the folder says today.
    """

    def __init__(
        self,
        book: SpecBook,
        catalog: Catalog,
        judged: Iterable[Measurement],
        spec: str | Specification | None = None,
        pins: Mapping[tuple[str, str], str] | None = None,
    ) -> None:
        self._book, self._catalog = book, catalog
        only = book.named(spec) if isinstance(spec, str) else spec
        self._only = None if only is None else [only]
        orders = {order for m in judged if (order := order_of(m)) is not None}
        known = catalog.pinned_versions(sorted(orders)) if spec is None and orders else {}
        self._pins = {**known, **(pins or {})}
        self._cache: dict[tuple[str | None, ...], tuple[Specification, ...]] = {}

    def for_measurement(self, m: Measurement) -> Sequence[Specification]:
        if self._only is not None:
            return self._only
        day = m.trusted_at.date()
        key = (m.order_number, m.customer, m.product, m.lot, day.isoformat())
        if key not in self._cache:
            self._cache[key] = tuple(self._chosen(m, day))
        return self._cache[key]

    def _chosen(self, m: Measurement, day: date) -> list[Specification]:
        pinned = {
            spec: self._of_version(version)
            for (spec, order), version in self._pins.items()
            if order == order_of(m)
        }
        today = [
            each
            for each in self._book.current()
            if each.name not in pinned and in_effect(each, day)
        ]
        return choose(
            [*pinned.values(), *today],
            order_number=m.order_number,
            customer=m.customer,
            product=m.product,
        )

    def _of_version(self, version: str) -> Specification:
        current = {each.version: each for each in self._book.current()}
        return current.get(version) or specification_of(self._catalog, version)


def specification_of(catalog: Catalog, version: str) -> Specification:
    """Specification as it was when a verdict was made by it.

    Raises
    ------
    speclake.errors.ArchiveDamaged
        The archive does not hold a version that its verdicts or events name.
    """
    row = catalog.specification(version)
    if row is None:
        raise ArchiveDamaged(f"found no specification of version {version}, which was used")
    return Specification.from_json(row.content)


def order_of(m: Measurement) -> str | None:
    """What a measurement's specifications are pinned to: its order, else its lot."""
    return m.order_number or m.lot


def judge_again(
    store: Lake, step: Judge, ids: Sequence[str], *, spec: str | None, who: str, why: str
) -> Counter[str]:
    """Outcomes of new verdicts on measurements in the archive; earlier verdicts stay."""
    counts: Counter[str] = Counter()
    for start in range(0, len(ids), CHUNK):
        chunk = list(ids[start : start + CHUNK])
        made: list[Judged] = []

        def prepare(
            catalog: Catalog, chunk: list[str] = chunk, made: list[Judged] = made
        ) -> Batch | None:
            measurements = catalog.measurements(chunk)
            judged = step.again(store, catalog, measurements, why=why, spec=spec)
            made[:] = [judged]
            return Batch(verdicts=judged.verdicts, specifications=judged.specifications) or None

        if store.commit(prepare, who=who, why=why, kind="judging") is not None:
            counts.update(v.outcome.value for v in made[0].verdicts)
    store.refresh()
    return counts


def judge_taken(store: Lake, step: Judge, ids: Sequence[str], *, why: str) -> Counter[str]:
    """Verdicts on measurements of which more was learned after they were taken.

    What was taken in as backfill is left alone: nobody asked for verdicts on it.
    """
    store.refresh()
    backfill = store.catalog.backfilled(ids)
    chosen = [each for each in ids if each not in backfill]
    return judge_again(store, step, chosen, spec=None, who="intake", why=why)


def judge_left_over(
    store: Lake, step: Judge, is_stopped: Callable[[], bool] = lambda: False
) -> Counter[str]:
    """Verdicts on what was taken in but not judged, as after a crash."""
    counts: Counter[str] = Counter()
    last: str | None = None
    while ids := store.catalog.unjudged(CHUNK, last)["measurement_id"].to_list():
        if is_stopped():
            break
        counts += judge_taken(store, step, ids, why="taken but not judged")
        last = ids[-1]
    return counts
