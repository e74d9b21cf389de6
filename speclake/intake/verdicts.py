"""Which specification judges which measurement, and the verdicts as rows for a commit."""

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from speclake.archive.catalog import Catalog
from speclake.archive.lake import Lake
from speclake.archive.rows import Batch, EventRow, QualificationRow, SpecificationRow
from speclake.intake.company import Change, gone_and_back
from speclake.intake.doubts import Evidence, Reviews
from speclake.intake.fitness import Examiner
from speclake.intake.judged import Judged
from speclake.intake.qualifying import Findings, Runs, runs_among
from speclake.intake.several import Due, Read, Stored, drawn_verdicts, without_known
from speclake.intake.specbook import SpecBook
from speclake.intake.specchoice import SpecChoice
from speclake.intake.specchoice import order_of as order_of
from speclake.intake.specchoice import specification_of as specification_of
from speclake.intake.standardbook import StandardBook
from speclake.intake.states import Known as KnownStates
from speclake.intake.states import States
from speclake.intake.verdictrows import current_verdicts as current_verdicts
from speclake.intake.verdictrows import lapsed
from speclake.intake.verdictrows import row_of as row_of
from speclake.intake.verdictrows import verdicts_by_measurement as verdicts_by_measurement
from speclake.judging import JUDGED_KINDS, judge
from speclake.measurement import Measurement
from speclake.settings import Settings
from speclake.specs import Specification, Verdict
from speclake.specs.requirements.several import Role
from speclake.spectrum import SpectrumSet

CHUNK = 2_000
"""How many measurements are judged and committed at once."""


class Judge:
    """Chooses the specifications of each measurement and judges whole sets at a time.

    Parameters
    ----------
    archive : folder in which specifications, certificates and programmes lie.
    stored : spectra of measurements that are in the archive.
    settings : configurations of the instruments, and what the checks go by.
    """

    def __init__(self, archive: Path, stored: Read, settings: Settings) -> None:
        self.book = SpecBook(archive / "specs")
        self.standards = StandardBook(archive)
        self.examiner = Examiner(settings)
        self.without = frozenset(settings.fitness.without)
        self._stored = stored
        self._used: dict[str, Specification] = {}
        self._states: KnownStates = {}

    @property
    def slips(self) -> tuple[str, ...]:
        """What is wrong in folders of which the last good state is still in use."""
        return tuple(filter(None, (self.book.trouble, self.standards.trouble)))

    def states(
        self,
        catalog: Catalog,
        rows: Sequence[QualificationRow] = (),
        entries: Sequence[EventRow] = (),
        *,
        gone: Collection[str] = (),
        back: Collection[str] = (),
        reviews: Reviews | None = None,
    ) -> States:
        """States of the instruments, with what a commit changes of their runs and logs."""
        said = (reviews or {}).items()
        return States(
            catalog, self.standards.current(), rows, entries,
            gone=frozenset(gone), back=frozenset(back),
            aside=frozenset(name for name, review in said if review is not None),
            released=frozenset(name for name, review in said if review is None),
            known=self._states,
        )  # fmt: skip

    def evidence(self, catalog: Catalog, reviews: Reviews | None = None) -> Evidence:
        """What stands for and against measurements that the archive holds."""
        return Evidence(self.states(catalog, reviews=reviews), {}, reviews or {}, self.without)

    def new_drawn(
        self,
        measurements: Sequence[Measurement],
        spectra: Read,
        catalog: Catalog,
        is_judged: Callable[[Measurement], bool],
        evidence: Evidence,
        superseded: Collection[str] = (),
    ) -> Iterator[Judged]:
        """Verdicts that draw on several measurements, some of which are being taken in.

        Those on earlier measurements that now draw on a new one are among these.

        Parameters
        ----------
        spectra : of the measurements that are being taken in.
        is_judged : whether verdicts on a measurement were asked for.
        evidence : findings on those that are being taken in among it.
        superseded : measurements, new or not, that an event of the commit says are superseded.
        """
        known = {m.measurement_id: m for m in measurements}
        chosen = [m for m in measurements if is_judged(m)]
        if self.draws(catalog):
            due = self.due(SpecChoice(self.book, catalog, chosen), chosen)
            change = Change(known, gone=frozenset(superseded), are_new=True)
            read = self.with_stored(known, spectra)
            yield from self.drawn(catalog, change, due, read, evidence)

    def with_stored(self, known: Collection[str], spectra: Read) -> Read:
        """Spectra of measurements, some of which are being taken in."""

        def read(ids: Sequence[str]) -> list[SpectrumSet]:
            held = [each for each in ids if each not in known]
            new = [each for each in ids if each in known]
            return [*(spectra(new) if new else ()), *(self._stored(held) if held else ())]

        return read

    def runs(
        self,
        catalog: Catalog,
        change: Change,
        read: Read,
        *,
        reviews: Reviews | None = None,
        new: Findings | None = None,
    ) -> Runs:
        """Numbers of the qualification runs that a change makes or makes again."""
        standards = self.standards.current()
        return runs_among(catalog, standards, change, read, reviews=reviews, new=new)

    def spectra(self, ids: Sequence[str]) -> Iterable[SpectrumSet]:
        """Spectra of measurements that are in the archive."""
        return self._stored(ids)

    def again(
        self,
        store: Stored,
        catalog: Catalog,
        measurements: Sequence[Measurement],
        *,
        why: str,
        spec: str | Specification | None = None,
        pins: Mapping[tuple[str, str], str] | None = None,
        change: Change | None = None,
        evidence: Evidence | None = None,
    ) -> Judged:
        """Verdicts on measurements in the archive, and the earlier ones that have lapsed.

        Parameters
        ----------
        measurements : as they are known now, events not yet committed included.
        why : the reason, kept with what lapses.
        spec : the one specification to judge by, or its name; then nothing lapses.
        pins : versions by specification and order that go before those of the catalogue.
        change : what the commit changes; verdicts that draw on it are made again, and a scan that
            is now known to be one of a qualification run is taken for that.
        evidence : what stands against the measurements; None for what the catalogue tells. Where it
            is given, nothing is taken for a qualification run.
        """
        runs, later = Runs(), Judged()
        if evidence is None:
            runs = self._runs_of(catalog, change or Change())
            evidence = Evidence(self.states(catalog, runs.rows), without=self.without)
            later = self._later(catalog, runs.programmes, evidence)
        due = self.due(SpecChoice(self.book, catalog, measurements, spec, pins), measurements)
        judged = self.judge(
            due, lambda ms: store.spectra([m.measurement_id for m in ms]), catalog, evidence
        )
        judged = replace(judged, qualifications=runs.rows, standards=runs.standards)
        judged = later.joined(judged)
        for part in self.drawn(catalog, change or Change(), due, self._stored, evidence):
            judged = judged.joined(part)
        if spec is not None:
            return judged
        ids = [m.measurement_id for m in measurements]
        gone = lapsed(current_verdicts(catalog, ids), judged.verdicts, why)
        # in this order: what a later version says goes before what lapsed with an earlier one
        return replace(judged, verdicts=(*gone, *judged.verdicts))

    def follow(self, catalog: Catalog, change: Change) -> Judged:
        """Verdicts that draw on several measurements and follow from a change of some."""
        gone, back = gone_and_back(catalog, change)
        runs = self._runs_of(catalog, replace(change, gone=gone, back=back))
        states = self.states(catalog, runs.rows, gone=gone, back=back)
        evidence = Evidence(states, without=self.without)
        judged = Judged(qualifications=runs.rows, standards=runs.standards)
        affected = runs.programmes | self.programmes_of(catalog, gone | back)
        judged = self._later(catalog, affected, evidence).joined(judged)
        for part in self.drawn(catalog, change, {}, self._stored, evidence):
            judged = judged.joined(part)
        return judged

    def reviewed(self, catalog: Catalog, reviews: Reviews) -> tuple[Evidence, Judged]:
        """What stands against measurements once some are put aside or released, and what follows.

        What follows is runs that are made again, and verdicts on scans whose instrument turns out
        to have been otherwise; verdicts on the measurements themselves are not among them.
        """
        runs = self.runs(catalog, Change(), self._stored, reviews=reviews)
        states = self.states(catalog, runs.rows, reviews=reviews)
        evidence = Evidence(states, {}, reviews, self.without)
        affected = runs.programmes | self.programmes_of(catalog, reviews.keys())
        later = self._later(catalog, affected, evidence)
        own = Judged(qualifications=runs.rows, standards=runs.standards)
        return evidence, later.joined(own)

    def programmes_of(self, catalog: Catalog, ids: Collection[str]) -> set[str]:
        """Programmes that some measurements, whether they count or not, were runs of."""
        if not ids:
            return set()
        standards = self.standards.current()
        instruments = {m.instrument for m in catalog.brief(sorted(ids))} & standards.instruments
        return {
            row["programme"]
            for instrument in sorted(filter(None, instruments))
            for row in catalog.qualifications(instrument=instrument, counting=False)
            .select("programme", "measurement_id").unique().to_dicts()
            if row["measurement_id"] in ids
        }  # fmt: skip

    def _later(self, catalog: Catalog, programmes: Collection[str], evidence: Evidence) -> Judged:
        """Verdicts on scans of whose instrument some programmes say otherwise than was known."""
        if not programmes:
            return Judged()
        from speclake.intake.laterruns import judged_after  # which needs this module

        return judged_after(self, catalog, programmes, self.states(catalog), evidence)

    def _runs_of(self, catalog: Catalog, change: Change) -> Runs:
        """Numbers of qualification runs that follow from a change of what the archive holds."""
        return Runs() if change.are_new else self.runs(catalog, change, self._stored)

    def drawn(
        self, catalog: Catalog, change: Change, due: Due, read: Read, evidence: Evidence
    ) -> Iterator[Judged]:
        """Verdicts that draw on several measurements, some at a time."""
        asked = {each.version: each for _, specs in due.values() for each in specs}
        roles = self._roles(catalog, asked)
        if not roles or not (change or due):
            return
        hours = max((role.blank_within_h or 0.0 for role in roles), default=0.0)
        for found in drawn_verdicts(
            catalog, change, due, read,
            lambda version: self.of_version(catalog, version),
            lambda measurements: evidence.conditions(catalog, measurements),
            hours,
        ):  # fmt: skip
            part = without_known(catalog, found)
            yield Judged(
                part.verdicts, _unknown(catalog, part.specifications), part.derived, part.axes
            )

    def _roles(
        self, catalog: Catalog, asked: Mapping[str, Specification] | None = None
    ) -> list[Role]:
        """Roles in all specifications that are written today, were used, or are asked for now."""
        used = [self.of_version(catalog, version) for version in catalog.versions_used()]
        known = {each.version: each for each in (*self.book.current(), *used)} | dict(asked or {})
        requirements = [found for each in known.values() for found in each.requirements]
        return [role for each in requirements for role in each.roles]

    def draws(self, catalog: Catalog) -> bool:
        """Whether any specification has a requirement that draws on several measurements."""
        return bool(self._roles(catalog))

    def of_version(self, catalog: Catalog, version: str) -> Specification:
        """Specification as it was when a verdict was made by it."""
        if version not in self._used:
            self._used[version] = specification_of(catalog, version)
        return self._used[version]

    def due(self, choice: SpecChoice, measurements: Iterable[Measurement]) -> Due:
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
        evidence: Evidence,
    ) -> Judged:
        """Verdicts on measurements, each by itself."""
        known = evidence.conditions(catalog, [m for m, _ in due.values()])
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
                verdicts += judge(part, used[version], [known[key] for key in part.keys])
        return Judged(tuple(verdicts), _unknown(catalog, used.values()))

    def specifications_for(self, m: Measurement, catalog: Catalog) -> list[Specification]:
        """Specifications that apply to a measurement, pinned to its order."""
        return list(SpecChoice(self.book, catalog, [m]).for_measurement(m))


def _asks_of_one(specification: Specification) -> bool:
    """Whether a specification has a requirement that one spectrum answers."""
    return any(not each.roles for each in specification.requirements)


def _unknown(catalog: Catalog, used: Iterable[Specification]) -> tuple[SpecificationRow, ...]:
    """Rows of the specifications that the archive does not hold yet."""
    return tuple(row_of(each) for each in used if not catalog.specification(each.version))


def _is_judged(m: Measurement) -> bool:
    return m.kind in JUDGED_KINDS and m.conflict is None


def _rows_of(spectra: SpectrumSet, rows: Sequence[int]) -> SpectrumSet:
    if len(rows) == len(spectra):
        return spectra
    keys = tuple(spectra.keys[row] for row in rows)
    return SpectrumSet(spectra.axis, spectra.values[list(rows)], spectra.unit, keys)


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
