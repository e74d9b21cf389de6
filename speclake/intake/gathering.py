"""Rulings on scans, and the rows that they add to a commit."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from speclake.archive.catalog import Catalog
from speclake.archive.rows import (
    Batch,
    EventKind,
    EventRow,
    FileOutcome,
    FindingRow,
    QualificationRow,
    StoredSpectrum,
)
from speclake.checks import Check, Severity
from speclake.fitness import ENGINE_VERSION
from speclake.intake.company import Change
from speclake.intake.doubts import Evidence, Review, standing_reviews, state_findings
from speclake.intake.fitness import Baseline
from speclake.intake.identity import Known, Ruling, rule
from speclake.intake.judged import Judged
from speclake.intake.laterruns import judged_after
from speclake.intake.newspectra import NewSpectra
from speclake.intake.specchoice import SpecChoice
from speclake.intake.spool import Scans
from speclake.intake.verdicts import Judge
from speclake.measurement import LinkKind, Measurement
from speclake.spectrum import Axis

MOST_REMARKS = 50
"""How many different remarks on the scans of one file its line in the ledger tells."""


@dataclass
class Ruled:
    """What became of the scans of one file."""

    scans: int = 0
    taken: int = 0
    has_conflict: bool = False
    remarks: dict[str, None] = field(default_factory=dict)
    untold: int = 0

    def add(self, ruling: Ruling) -> None:
        """Count one more scan."""
        self.scans += 1
        self.taken += ruling.measurement is not None
        self.has_conflict |= ruling.is_conflict
        if ruling.remark in self.remarks or not ruling.remark:
            return
        if len(self.remarks) < MOST_REMARKS:
            self.remarks[ruling.remark] = None
        else:
            self.untold += 1

    @property
    def outcome(self) -> FileOutcome:
        """What became of the file, if it was not refused."""
        if self.has_conflict:
            return FileOutcome.CONFLICT
        return FileOutcome.TAKEN if self.taken or not self.scans else FileOutcome.REPEATED

    @property
    def note(self) -> str:
        """The same in words."""
        if not self.remarks:
            return "1 spectrum taken" if self.taken == 1 else f"{self.taken} spectra taken"
        more = [f"and {self.untold} more such remarks"] if self.untold else []
        return "; ".join([*self.remarks, *more])


COPIED = (
    "two scans never agree in all of their noise, so one file holds the scan of the other: compare "
    "the originals, withdraw what is wrong, and measure the part once more"
)
IN_CONFLICT = "settle the conflict once it is known which part was scanned"


@dataclass
class Gathered:
    """Rows that scans add to a commit, in their order."""

    measurements: list[Measurement] = field(default_factory=list)
    spectra: list[StoredSpectrum] = field(default_factory=list)
    axes: dict[str, Axis] = field(default_factory=dict)
    events: list[EventRow] = field(default_factory=list)
    findings: list[FindingRow] = field(default_factory=list)
    judged_as: list[Measurement] = field(default_factory=list)
    runs_before: Sequence[QualificationRow] = ()
    """Numbers of qualification runs that earlier parts of the same commit have brought."""
    against_before: Sequence[Baseline] = ()
    """Blanks and their like that these have brought."""
    against: Sequence[Baseline] = ()
    """Those among the scans, once `batch` was made."""
    reviews: dict[str, Review | None] = field(default_factory=dict)
    """Who put earlier states of some of the scans aside, which holds for these too."""
    evidence: Evidence = field(init=False)
    """What stands for and against them, once `batch` was made."""

    def take(
        self,
        folder: str,
        scans: Scans,
        known: Known,
        ruled: Ruled,
        remembered: Callable[[Measurement], Measurement] = lambda m: m,
    ) -> None:
        """Rule on scans of one file in turn, each with those before it known.

        Parameters
        ----------
        ruled : counts them.
        remembered : what is to be known of one that is taken.
        """
        for given, spectrum in zip(scans.measurements, scans.spectra, strict=True):
            ruling = rule(folder, given, known)
            ruled.add(ruling)
            if (m := ruling.measurement) is not None:
                known.add(folder, remembered(m))
                self.measurements.append(m)
                self.judged_as.append(replace(m, **ruling.handed_on))
                self.events += ruling.events
                if ruling.review is not None:
                    self.reviews[m.measurement_id] = ruling.review
                self.spectra.append(spectrum)
                self.findings += _findings(m, known.by_values.get(m.values_sha256, ()))
        self.axes |= {axis.id: axis for axis in scans.axes}

    def batch(
        self, judge: Judge, catalog: Catalog, is_judged: Callable[[Measurement], bool]
    ) -> Batch:
        """The rows, with findings and a verdict on each and the axes that are new to the archive.

        Afterwards `evidence` tells what stands against the measurements.
        """
        used = {m.axis_id for m in self.measurements} - catalog.axes_known([*self.axes])
        judged = self._judged(judge, catalog, [m for m in self.judged_as if is_judged(m)])
        own = Batch(
            measurements=tuple(self.measurements),
            spectra=tuple(self.spectra),
            axes=tuple(axis for name, axis in self.axes.items() if name in used),
            events=tuple(self.events),
        )
        return with_judged(own, judged)

    def _judged(self, judge: Judge, catalog: Catalog, chosen: Sequence[Measurement]) -> Judged:
        """What checks, qualification programmes and specifications say of what is taken in."""
        spectra = NewSpectra(self.judged_as, self.spectra, self.axes)
        due = judge.due(SpecChoice(judge.book, catalog, chosen), chosen)
        told = judge.examiner.new(
            self.judged_as, self.spectra, spectra, catalog,
            {name: specifications for name, (_, specifications) in due.items()},
            self.against_before,
        )  # fmt: skip
        self.against = told.against
        known = {m.measurement_id for m in self.judged_as}
        found = (*self.findings, *told.findings)
        gone = superseded_by(self.events) | superseded_among(self.judged_as)
        change = Change(
            {m.measurement_id: m for m in self.judged_as}, frozenset(gone), are_new=True
        )
        runs = judge.runs(
            catalog, change, judge.with_stored(known, spectra), reviews=self.reviews,
            new=_by_measurement(known, found),
        )  # fmt: skip
        states = judge.states(
            catalog, (*self.runs_before, *runs.rows), gone=gone, reviews=self.reviews
        )
        of_states = state_findings(self.judged_as, states, judge.without, ENGINE_VERSION)
        findings = (*found, *of_states)
        of_each = _by_measurement(known, findings)
        self.evidence = Evidence(states, of_each, self.reviews, judge.without)
        judged = judge.judge(
            due, lambda ms: spectra([m.measurement_id for m in ms]), catalog, self.evidence
        )
        affected = runs.programmes | judge.programmes_of(catalog, gone)
        if affected:
            before = judge.states(catalog, self.runs_before)
            later = judged_after(judge, catalog, affected, before, self.evidence)
            judged = later.joined(judged)
        return replace(
            judged,
            findings=findings,
            figures=told.figures,
            qualifications=runs.rows,
            standards=runs.standards,
        )

    def batch_with_drawn(
        self, judge: Judge, catalog: Catalog, is_judged: Callable[[Measurement], bool]
    ) -> Batch:
        """The rows, with the verdicts on each and those that draw on several measurements."""
        own = self.batch(judge, catalog, is_judged)
        spectra = NewSpectra(self.judged_as, self.spectra, self.axes)
        for judged in judge.new_drawn(
            self.judged_as, spectra, catalog, is_judged, self.evidence, superseded_by(self.events)
        ):
            own = with_judged(own, judged)
        return own


def _by_measurement(
    names: Iterable[str], findings: Iterable[FindingRow]
) -> dict[str, list[FindingRow]]:
    found: dict[str, list[FindingRow]] = {name: [] for name in names}
    for each in findings:
        found[each.measurement_id].append(each)
    return found


def superseded_among(measurements: Iterable[Measurement]) -> set[str]:
    """Measurements that some others supersede by a link of their own."""
    return {
        link.target
        for m in measurements
        for link in m.links
        if link.kind is LinkKind.SUPERSEDES and not link.by_name
    }


def superseded_by(events: Iterable[EventRow]) -> set[str]:
    """Measurements that some events say are superseded."""
    return {
        event.details["target"]
        for event in events
        if event.kind is EventKind.LINK and event.details["kind"] == LinkKind.SUPERSEDES
    }


def with_judged(batch: Batch, judged: Judged) -> Batch:
    """A batch with more verdicts and what they used, each once."""
    axes = {axis.id: axis for axis in (*batch.axes, *judged.axes)}
    derived = {row.derived_id: row for row in (*batch.derived, *judged.derived)}
    used = {row.spec_version: row for row in (*judged.specifications, *batch.specifications)}
    return replace(
        batch,
        axes=tuple(axes.values()),
        derived=tuple(derived.values()),
        specifications=tuple(used.values()),
        verdicts=(*batch.verdicts, *judged.verdicts),
        findings=(*batch.findings, *judged.findings),
        figures=(*batch.figures, *judged.figures),
        qualifications=tuple(
            {q.qualification_id: q
             for q in (*batch.qualifications, *judged.qualifications)}.values()
        ),
        standards=tuple(
            {s.standard_version: s for s in (*batch.standards, *judged.standards)}.values()
        ),
    )  # fmt: skip


def known_of(
    paths: Mapping[str, Sequence[str]],
    ids: Sequence[str],
    values: Sequence[str],
    catalog: Catalog,
) -> Known:
    """What the archive holds that the rulings on some scans may depend on.

    Parameters
    ----------
    paths : files by watched folder.
    ids, values : identifiers of the measurements, and hashes of their values.
    """
    same_path: dict[tuple[str, str], list[Measurement]] = {}
    for folder, names in paths.items():
        for m in catalog.from_path(folder, names):
            same_path.setdefault((folder, m.file), []).append(m)
    same_values = catalog.same_values(values)
    earlier = [*same_values, *(m for ms in same_path.values() for m in ms)]
    return Known.of(
        catalog.known_ids(ids),
        same_values,
        same_path,
        catalog.set_aside([m.measurement_id for m in earlier]),
        standing_reviews(catalog, [m.measurement_id for ms in same_path.values() for m in ms]),
    )


def _findings(m: Measurement, twins: Sequence[Measurement]) -> list[FindingRow]:
    """What intake itself has to say about a measurement: clocks and twins.

    Whoever settles a conflict has looked at both scans, so that a twin in conflict is but remarked.
    """
    known = {each.measurement_id: each for each in twins}
    said = [(Check.CLOCKS, Severity.DOUBT, note, "") for note in m.time_notes]
    severity, advice = (
        (Severity.DOUBT, COPIED) if m.conflict is None else (Severity.REMARK, IN_CONFLICT)
    )
    said += [
        (
            Check.IDENTICAL,
            severity,
            f"every value equals that of {_scan(link.target, known)}",
            advice,
        )
        for link in m.links
        if link.kind is LinkKind.SAME_VALUES_AS
    ]
    return [
        FindingRow(
            finding_id=f"{m.measurement_id}-{i}",
            measurement_id=m.measurement_id,
            check=check,
            severity=weight,
            text=text,
            advice=advised,
            version="2",
        )
        for i, (check, weight, text, advised) in enumerate(said)
    ]


def _scan(name: str, known: Mapping[str, Measurement]) -> str:
    """A scan by its part, file and time, as a person looks for it."""
    m = known.get(name)
    if m is None:
        return f"measurement {name[:8]}"
    told = [
        f"{word} {value}"
        for word, value in (
            ("lot", m.lot), ("serial", m.serial), ("sample", m.sample), ("site", m.site)
        )
        if value is not None
    ]  # fmt: skip
    part = f" of {', '.join(told)}" if told else ""
    return f"the scan{part} in {m.file}, {m.trusted_at:%Y-%m-%d} (measurement {name[:8]})"
