"""Which specification judges which measurement, and the verdicts as rows for a commit."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np

from speclake.archive.catalog import Catalog
from speclake.archive.encoding import decode
from speclake.archive.lake import Lake
from speclake.archive.rows import Batch, SpecificationRow, StoredSpectrum
from speclake.errors import ArchiveDamaged, BadSettings, NotFound, SettingsProblem
from speclake.judging import JUDGED_KINDS, judge
from speclake.measurement import Measurement
from speclake.specs import Specification, Verdict, choose, pin
from speclake.spectrum import Axis, SpectrumSet
from speclake.units import ValueUnit

CHUNK = 2_000
"""How many measurements are judged and committed at once."""


@dataclass(frozen=True)
class Judged:
    """Verdicts, and the specifications that they used, as the archive keeps them."""

    verdicts: tuple[Verdict, ...] = ()
    specifications: tuple[SpecificationRow, ...] = ()


class SpecBook:
    """Specifications written in a folder; read again when a file there has changed.

    Once it has been read, a mistake made in the folder later leaves the specifications as they
    were, and `trouble` says what is wrong: a slip of a person must not stop the intake.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._state: tuple[tuple[str, int, int], ...] | None = None
        self._current: tuple[Specification, ...] = ()
        self.trouble = ""

    def current(self) -> tuple[Specification, ...]:
        """Specifications as they stand in the folder now.

        Raises
        ------
        speclake.errors.BadSettings
            A file says something impossible, or two have one name, when it is first read.
        """
        paths = sorted(self._folder.glob("*.toml"))
        stats = [(path, path.stat()) for path in paths]
        state = tuple((path.name, stat.st_size, stat.st_mtime_ns) for path, stat in stats)
        if state != self._state:
            try:
                self._current = _each_named_once(paths)
            except BadSettings as error:
                if self._state is None:
                    raise
                self.trouble = str(error)
            else:
                self.trouble = ""
            self._state = state
        return self._current

    def named(self, name: str) -> Specification:
        """Specification of a name.

        Raises
        ------
        speclake.errors.NotFound
            No file defines it.
        """
        for each in self.current():
            if each.name == name:
                return each
        known = ", ".join(each.name for each in self.current()) or "none"
        raise NotFound(f"found no specification {name!r} in {self._folder}; there are: {known}")


def _each_named_once(paths: Iterable[Path]) -> tuple[Specification, ...]:
    problems: list[SettingsProblem] = []
    files: dict[str, Path] = {}
    found: list[Specification] = []
    for path in paths:
        try:
            specification = Specification.from_toml(path)
        except BadSettings as error:
            problems += error.problems
            continue
        if (other := files.get(specification.name)) is not None:
            allowed = f"another name; {other.name} has it"
            problems.append(SettingsProblem(path.name, None, "name", specification.name, allowed))
        files[specification.name] = path
        found.append(specification)
    if problems:
        raise BadSettings(tuple(problems))
    return tuple(found)


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
        groups: dict[tuple[str, ValueUnit], list[str]] = {}
        for m in measurements:
            groups.setdefault((m.axis_id, m.unit), []).append(m.measurement_id)
        sets = [
            SpectrumSet(axes[axis_id], np.stack([decode(values[i]) for i in ids]), unit, tuple(ids))
            for (axis_id, unit), ids in groups.items()
        ]
        return self.judge(measurements, sets, catalog)

    def judge(
        self,
        measurements: Iterable[Measurement],
        sets: Iterable[SpectrumSet],
        catalog: Catalog,
        spec: str | None = None,
    ) -> Judged:
        """Verdicts on measurements whose spectra are given.

        Only parts and witness pieces are judged, and none whose identity is in conflict.

        Parameters
        ----------
        spec : name of the one specification to use; None chooses those that apply.
        """
        due = _due(self.book, measurements, catalog, spec)
        verdicts: list[Verdict] = []
        used: dict[str, Specification] = {}
        for spectra in sets:
            by_version: dict[str, list[int]] = {}
            for row, key in enumerate(spectra.keys):
                for each in due[key][1] if key in due else ():
                    used.setdefault(each.version, each)
                    by_version.setdefault(each.version, []).append(row)
            for version, rows in by_version.items():
                part = _rows_of(spectra, rows)
                conditions = [due[key][0] for key in part.keys]
                verdicts += judge(part, used[version], conditions)
        now = datetime.now(UTC)
        unknown = [
            _row(each, now)
            for version, each in used.items()
            if catalog.specification(version) is None
        ]
        return Judged(tuple(verdicts), tuple(unknown))

    def due(
        self, measurements: Iterable[Measurement], catalog: Catalog, spec: str | None = None
    ) -> list[str]:
        """Those of the measurements for which there is a specification to judge them by."""
        return [
            key for key, (_, specs) in _due(self.book, measurements, catalog, spec).items() if specs
        ]

    def specifications_for(self, m: Measurement, catalog: Catalog) -> list[Specification]:
        """Specifications that apply to a measurement, pinned to its order."""
        return list(_Choice(self.book, catalog, [m], None).for_measurement(m))


def _due(
    book: SpecBook, measurements: Iterable[Measurement], catalog: Catalog, spec: str | None
) -> dict[str, tuple[Measurement, Sequence[Specification]]]:
    """Parts and witness pieces that nobody disputes, each with its specifications."""
    judged = [m for m in measurements if m.kind in JUDGED_KINDS and m.conflict is None]
    chosen = _Choice(book, catalog, judged, spec)
    return {m.measurement_id: (m, chosen.for_measurement(m)) for m in judged}


def _rows_of(spectra: SpectrumSet, rows: Sequence[int]) -> SpectrumSet:
    if len(rows) == len(spectra):
        return spectra
    keys = tuple(spectra.keys[row] for row in rows)
    return SpectrumSet(spectra.axis, spectra.values[list(rows)], spectra.unit, keys)


def _row(specification: Specification, now: datetime) -> SpecificationRow:
    return SpecificationRow(
        spec_version=specification.version,
        spec=specification.name,
        revision=specification.revision,
        content=specification.to_json(),
        first_used_at=now,
    )


class _Choice:
    """Specifications by what is known of a part; each combination is looked up once."""

    def __init__(
        self, book: SpecBook, catalog: Catalog, judged: Sequence[Measurement], spec: str | None
    ) -> None:
        self._book, self._catalog = book, catalog
        self._only = [book.named(spec)] if spec is not None else None
        orders = {order for m in judged if (order := _order_of(m)) is not None}
        self._pins = catalog.pinned_versions(sorted(orders)) if spec is None and orders else {}
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
        chosen = choose(
            self._book.current(),
            order_number=m.order_number,
            customer=m.customer,
            product=m.product,
            on=day,
        )
        used = {
            each.name: self._of_version(version)
            for each in chosen
            if (version := self._pins.get((each.name, _order_of(m) or ""))) is not None
        }
        return [pinned.specification for pinned in pin(chosen, used)]

    def _of_version(self, version: str) -> Specification:
        current = {each.version: each for each in self._book.current()}
        if version in current:
            return current[version]
        row = self._catalog.specification(version)
        if row is None:
            raise ArchiveDamaged(f"found no specification of version {version}, which was used")
        return Specification.from_json(row.content)


def _order_of(m: Measurement) -> str | None:
    """What a measurement's specifications are pinned to: its order, else its lot."""
    return m.order_number or m.lot


def judge_again(
    store: Lake, step: Judge, ids: Sequence[str], *, spec: str | None, who: str, why: str
) -> Counter[str]:
    """Outcomes of new verdicts on measurements in the archive; earlier verdicts stay."""
    counts: Counter[str] = Counter()
    for start in range(0, len(ids), CHUNK):
        chunk = list(ids[start : start + CHUNK])
        due = step.due(store.catalog.measurements(chunk), store.catalog, spec)
        sets = store.spectra(due)
        made: list[Judged] = []

        def prepare(
            catalog: Catalog, due: list[str] = due, sets: list[SpectrumSet] = sets,
            made: list[Judged] = made,
        ) -> Batch | None:  # fmt: skip
            judged = step.judge(catalog.measurements(due), sets, catalog, spec)
            made[:] = [judged]
            if not judged.verdicts:
                return None
            return Batch(verdicts=judged.verdicts, specifications=judged.specifications)

        if store.commit(prepare, who=who, why=why, kind="judging") is not None:
            counts.update(v.outcome.value for v in made[0].verdicts)
    return counts


def judge_taken(store: Lake, step: Judge, ids: Sequence[str], *, why: str) -> Counter[str]:
    """Verdicts on measurements of which more was learned after they were taken."""
    return judge_again(store, step, ids, spec=None, who="intake", why=why)


def judge_left_over(store: Lake, step: Judge) -> Counter[str]:
    """Verdicts on what was taken in but not judged, as after a crash."""
    counts: Counter[str] = Counter()
    last: str | None = None
    while ids := store.catalog.unjudged(CHUNK, last)["measurement_id"].to_list():
        counts += judge_taken(store, step, ids, why="taken but not judged")
        last = ids[-1]
    return counts
