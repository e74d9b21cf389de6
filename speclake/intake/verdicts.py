"""Which specification judges which measurement, and the verdicts as rows for a commit."""

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import fields, replace
from datetime import UTC, date, datetime
from pathlib import Path

from speclake.archive.catalog import Catalog
from speclake.archive.lake import Lake
from speclake.archive.rows import Batch, SpecificationRow, StoredSpectrum
from speclake.errors import ArchiveDamaged
from speclake.intake.company import Change
from speclake.intake.judged import Judged
from speclake.intake.newspectra import NewSpectra
from speclake.intake.several import Due, Read, drawn_verdicts, without_known
from speclake.intake.specbook import SpecBook
from speclake.judging import JUDGED_KINDS, judge
from speclake.measurement import Measurement
from speclake.specs import Outcome, Specification, Verdict, choose, in_effect
from speclake.specs.requirements.several import Role
from speclake.spectrum import Axis, SpectrumSet

CHUNK = 2_000
"""How many measurements are judged and committed at once."""


class Judge:
    """Chooses the specifications of each measurement and judges whole sets at a time.

    Parameters
    ----------
    archive : folder in which the specifications lie.
    stored : spectra of measurements that are in the archive.
    """

    def __init__(self, archive: Path, stored: Read) -> None:
        self.book = SpecBook(archive / "specs")
        self._stored = stored
        self._used: dict[str, Specification] = {}

    def new(
        self,
        measurements: Sequence[Measurement],
        spectra: Sequence[StoredSpectrum],
        axes: Mapping[str, Axis],
        catalog: Catalog,
    ) -> Judged:
        """Verdicts on measurements that are being taken in, each by itself."""
        new = NewSpectra(measurements, spectra, axes)
        due = self.due(_Choice(self.book, catalog, measurements), measurements)
        return self.judge(due, lambda ms: new([m.measurement_id for m in ms]), catalog)

    def new_drawn(
        self,
        measurements: Sequence[Measurement],
        spectra: Read,
        catalog: Catalog,
        is_judged: Callable[[Measurement], bool],
        superseded: Collection[str] = (),
    ) -> Iterator[Judged]:
        """Verdicts that draw on several measurements, some of which are being taken in.

        Those on earlier measurements that now draw on a new one are among these.

        Parameters
        ----------
        spectra : of the measurements that are being taken in.
        is_judged : whether verdicts on a measurement were asked for.
        superseded : measurements, new or not, that an event of the commit says are superseded.
        """
        known = {m.measurement_id: m for m in measurements}
        chosen = [m for m in measurements if is_judged(m)]

        def read(ids: Sequence[str]) -> list[SpectrumSet]:
            held = [each for each in ids if each not in known]
            new = [each for each in ids if each in known]
            return [*(spectra(new) if new else ()), *(self._stored(held) if held else ())]

        if self.draws(catalog):
            due = self.due(_Choice(self.book, catalog, chosen), chosen)
            change = Change(known, gone=frozenset(superseded), are_new=True)
            yield from self.drawn(catalog, change, due, read)

    def again(
        self,
        store: Lake,
        catalog: Catalog,
        measurements: Sequence[Measurement],
        *,
        why: str,
        spec: str | Specification | None = None,
        pins: Mapping[tuple[str, str], str] | None = None,
        change: Change | None = None,
    ) -> Judged:
        """Verdicts on measurements in the archive, and the earlier ones that have lapsed.

        Parameters
        ----------
        measurements : as they are known now, events not yet committed included.
        why : the reason, kept with what lapses.
        spec : the one specification to judge by, or its name; then nothing lapses.
        pins : versions by specification and order that go before those of the catalogue.
        change : what the commit changes; verdicts that draw on it are made again.
        """
        due = self.due(_Choice(self.book, catalog, measurements, spec, pins), measurements)
        judged = self.judge(due, lambda ms: store.spectra([m.measurement_id for m in ms]), catalog)
        for part in self.drawn(catalog, change or Change(), due, self._stored):
            judged = judged.joined(part)
        if spec is not None:
            return judged
        ids = [m.measurement_id for m in measurements]
        lapsed = _lapsed(current_verdicts(catalog, ids), judged.verdicts, why)
        # in this order: what a later version says goes before what lapsed with an earlier one
        return replace(judged, verdicts=(*lapsed, *judged.verdicts))

    def follow(self, catalog: Catalog, change: Change) -> Judged:
        """Verdicts that draw on several measurements and follow from a change of some."""
        judged = Judged()
        for part in self.drawn(catalog, change, {}, self._stored):
            judged = judged.joined(part)
        return judged

    def drawn(self, catalog: Catalog, change: Change, due: Due, read: Read) -> Iterator[Judged]:
        """Verdicts that draw on several measurements, some at a time."""
        asked = {each.version: each for _, specs in due.values() for each in specs}
        roles = self._roles(catalog, asked)
        if not roles or not (change or due):
            return
        hours = max((role.blank_within_h or 0.0 for role in roles), default=0.0)
        for found in drawn_verdicts(
            catalog, change, due, read, lambda version: self._of_version(catalog, version), hours
        ):
            part = without_known(catalog, found)
            yield Judged(
                part.verdicts, _unknown(catalog, part.specifications), part.derived, part.axes
            )

    def _roles(
        self, catalog: Catalog, asked: Mapping[str, Specification] | None = None
    ) -> list[Role]:
        """Roles in all specifications that are written today, were used, or are asked for now."""
        used = [self._of_version(catalog, version) for version in catalog.versions_used()]
        known = {each.version: each for each in (*self.book.current(), *used)} | dict(asked or {})
        requirements = [found for each in known.values() for found in each.requirements]
        return [role for each in requirements for role in each.roles]

    def draws(self, catalog: Catalog) -> bool:
        """Whether any specification has a requirement that draws on several measurements."""
        return bool(self._roles(catalog))

    def _of_version(self, catalog: Catalog, version: str) -> Specification:
        if version not in self._used:
            self._used[version] = specification_of(catalog, version)
        return self._used[version]

    def due(self, choice: "_Choice", measurements: Iterable[Measurement]) -> Due:
        """Those of the measurements for which there is a specification.

        Only parts and witness pieces are judged, and none that claims another's values.
        """
        return {
            m.measurement_id: (m, specs)
            for m in measurements
            if _is_judged(m) and (specs := choice.for_measurement(m))
        }

    def judge(
        self,
        due: Due,
        sets: Callable[[Sequence[Measurement]], Iterable[SpectrumSet]],
        catalog: Catalog,
    ) -> Judged:
        """Verdicts on measurements, each by itself."""
        verdicts: list[Verdict] = []
        used: dict[str, Specification] = {}
        alone = {name: [each for each in due[name][1] if _asks_of_one(each)] for name in due}
        for spectra in sets([m for name, (m, _) in due.items() if alone[name]]):
            by_version: dict[str, list[int]] = {}
            for row, key in enumerate(spectra.keys):
                for each in alone[key]:
                    used.setdefault(each.version, each)
                    by_version.setdefault(each.version, []).append(row)
            for version, rows in by_version.items():
                part = _rows_of(spectra, rows)
                verdicts += judge(part, used[version], [due[key][0] for key in part.keys])
        return Judged(tuple(verdicts), _unknown(catalog, used.values()))

    def specifications_for(self, m: Measurement, catalog: Catalog) -> list[Specification]:
        """Specifications that apply to a measurement, pinned to its order."""
        return list(_Choice(self.book, catalog, [m]).for_measurement(m))


def _asks_of_one(specification: Specification) -> bool:
    """Whether a specification has a requirement that one spectrum answers."""
    return any(not each.roles for each in specification.requirements)


def _unknown(catalog: Catalog, used: Iterable[Specification]) -> tuple[SpecificationRow, ...]:
    """Rows of the specifications that the archive does not hold yet."""
    return tuple(row_of(each) for each in used if not catalog.specification(each.version))


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


def verdicts_by_measurement(catalog: Catalog, ids: Sequence[str]) -> dict[str, list[Verdict]]:
    """Current verdicts of each of some measurements that has one."""
    found: dict[str, list[Verdict]] = {}
    for each in current_verdicts(catalog, ids):
        found.setdefault(each.measurement_id, []).append(each)
    return found


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
    store: Lake,
    step: Judge,
    ids: Sequence[str],
    *,
    spec: str | None,
    who: str,
    why: str,
    are_changed: bool = False,
) -> Counter[str]:
    """Outcomes of new verdicts on measurements in the archive; earlier verdicts stay.

    Parameters
    ----------
    are_changed : whether more was learned of the measurements, so that verdicts on others which
        draw on them are made again too.
    """
    counts: Counter[str] = Counter()
    for start in range(0, len(ids), CHUNK):
        chunk = list(ids[start : start + CHUNK])
        made: list[Judged] = []

        def prepare(
            catalog: Catalog, chunk: list[str] = chunk, made: list[Judged] = made
        ) -> Batch | None:
            measurements = catalog.measurements(chunk)
            known = {m.measurement_id: m for m in measurements} if are_changed else {}
            judged = step.again(
                store, catalog, measurements, why=why, spec=spec, change=Change(known)
            )
            made[:] = [judged]
            return judged.batch or None

        if store.commit(prepare, who=who, why=why, kind="judging") is not None:
            counts.update(v.outcome.value for v in made[0].verdicts)
    store.refresh()
    return counts


def judge_taken(store: Lake, step: Judge, ids: Sequence[str], *, why: str) -> Counter[str]:
    """Verdicts on measurements of which more was learned after they were taken.

    What was taken in as backfill is left alone, since nobody asked for verdicts on it; what draws
    on it is judged again.
    """
    store.refresh()
    backfill = store.catalog.backfilled(ids)
    chosen = [each for each in ids if each not in backfill]
    counts = judge_again(store, step, chosen, spec=None, who="intake", why=why, are_changed=True)

    def follow(catalog: Catalog) -> Batch | None:
        known = {m.measurement_id: m for m in catalog.brief(sorted(backfill))}
        return step.follow(catalog, Change(known)).batch or None

    if backfill and store.commit(follow, who="intake", why=why, kind="judging") is not None:
        store.refresh()
    return counts


def judge_left_over(
    store: Lake, step: Judge, is_stopped: Callable[[], bool] = lambda: False
) -> Counter[str]:
    """Verdicts on what was taken in but not judged, as after a crash."""
    counts: Counter[str] = Counter()
    last: str | None = None
    while ids := store.catalog.unjudged(CHUNK, last)["measurement_id"].to_list():
        if is_stopped():
            break
        counts += judge_again(store, step, ids, spec=None, who="intake", why="taken but not judged")
        last = ids[-1]
    return counts
