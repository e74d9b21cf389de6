"""Qualification runs among scans that are taken in or changed, as rows for the commit.

A run that was made stays as it was made, whatever its programme or certificate read afterwards,
until more is known of its scans that matters to it: of what piece they are, with which accessory
they were made, which others belong to it. Then it is made again by what holds today, or has lapsed.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta

import numpy as np

from speclake.archive.catalog import Catalog
from speclake.archive.rows import FindingRow, QualificationRow, StandardRow
from speclake.fitness import ENGINE_VERSION
from speclake.fitness.qualifying import Reading, Setup, qualify
from speclake.fitness.qualifying.evidence import Against, weighed
from speclake.intake.circumstances import in_nm, ranges_in_nm
from speclake.intake.company import Change
from speclake.intake.doubts import Reviews, doubt_of, findings_held
from speclake.intake.keptruns import KeptRuns, Versions, number_id
from speclake.intake.runscans import Run, Scans
from speclake.intake.standardbook import Standards, standard_row
from speclake.measurement import Measurement
from speclake.spectrum import SpectrumSet
from speclake.standards.certificates import Certificate
from speclake.standards.programmes import OfStandard, Programme

Read = Callable[[Sequence[str]], Iterable[SpectrumSet]]
"""Spectra of measurements by their identifiers, those of the same commit included."""

Findings = Mapping[str, Sequence[FindingRow]]
"""Findings by measurement."""

SpectraAt = Mapping[str, tuple[SpectrumSet, int]]


@dataclass(frozen=True)
class Runs:
    """What qualification runs add to a commit."""

    rows: tuple[QualificationRow, ...] = ()
    standards: tuple[StandardRow, ...] = ()

    @property
    def programmes(self) -> set[str]:
        """Names of the programmes of which it says something new."""
        return {each.programme for each in self.rows}


def runs_among(
    catalog: Catalog,
    standards: Standards,
    change: Change,
    read: Read,
    *,
    reviews: Reviews | None = None,
    new: Findings | None = None,
) -> Runs:
    """Numbers of the qualification runs that a change of some scans makes, or makes again.

    A scan in conflict belongs to none until the conflict is settled. A check that takes several
    scans gives its number with every scan that has enough others before it, in whatever order they
    come in; what is withdrawn, superseded or put aside for review is none of the others.

    Parameters
    ----------
    change : with all that counts no longer, or again, by it.
    read : spectra of the scans that are changed and of earlier ones.
    reviews : who puts scans aside with the commit; None for one that is released.
    new : findings on scans that the archive does not hold yet.
    """
    said = (reviews or {}).items()
    scans = Scans(
        catalog, standards, change,
        aside=frozenset(name for name, review in said if review is not None),
        released=frozenset(name for name, review in said if review is None),
    )  # fmt: skip
    made = list(scans.runs())
    names = [name for name in scans.touched if not (change.are_new and name in change.known)]
    kept = KeptRuns(catalog, sorted(catalog.known_ids(names)) if names else ())
    due, lapsed = kept.against(made, scans)
    if not due:
        return Runs(tuple(lapsed))
    rows, used = _made(catalog, due, read, new or {}, kept)
    kept_as = [standard_row(each) for key, each in used.items() if catalog.standard(key) is None]
    return Runs((*lapsed, *rows), tuple(kept_as))


def _made(
    catalog: Catalog, runs: Sequence[Run], read: Read, new: Findings, kept: KeptRuns
) -> tuple[list[QualificationRow], dict[str, Programme | Certificate]]:
    """Numbers of runs, and what they were held against by version."""
    names = list(dict.fromkeys(m.measurement_id for run in runs for m in run.scans))
    at = {key: (each, row) for each in read(names) for row, key in enumerate(each.keys)}
    found = {**findings_held(catalog, [name for name in names if name not in new]), **new}
    rows: list[QualificationRow] = []
    used: dict[str, Programme | Certificate] = {}
    for run in runs:
        rows += _rows(run, at, found, kept.salt(run.key))
        for each in (run.programme, run.certificate):
            if each is not None:
                used[each.version] = each
    return rows, used


def _rows(run: Run, at: SpectraAt, found: Findings, salt: str) -> Iterator[QualificationRow]:
    spectra, m = _together(run.scans, at), run.last
    setup = Setup(
        taken_at=tuple(each.trusted_at for each in run.scans),
        range_nm=run.programme.range_nm,
        ranges=ranges_in_nm(m),
    )
    readings = qualify(run.check, spectra, setup, run.certificate)
    against = [
        _against(each, row) for each in run.scans for row in found.get(each.measurement_id, ())
    ]
    for number, reading in enumerate(weighed(run.check, readings, against)):
        yield _row(run, reading, number, salt)


def _against(m: Measurement, row: FindingRow) -> Against:
    """A finding on a scan of a run, in nm; it reaches as far as it does for verdicts."""
    doubt = doubt_of(m, row)
    if doubt.start is None or doubt.stop is None:
        return Against(row.check, row.severity, None, None, row.text)
    low, high = sorted(in_nm((doubt.start, doubt.stop), m.axis_unit))
    return Against(row.check, row.severity, low, high, row.text)


def _together(scans: Sequence[Measurement], at: SpectraAt) -> SpectrumSet:
    first = at[scans[0].measurement_id][0]
    values = [each.values[row] for each, row in (at[m.measurement_id] for m in scans)]
    names = tuple(m.measurement_id for m in scans)
    return SpectrumSet(first.axis, np.stack(values), first.unit, names)


def _row(run: Run, reading: Reading, number: int, salt: str) -> QualificationRow:
    m, programme, check, certificate = run.last, run.programme, run.check, run.certificate
    named = check.standard or check.published if isinstance(check, OfStandard) else None
    return QualificationRow(
        qualification_id=number_id(
            run.key, _versions(run), [m.measurement_id for m in run.scans], number, salt
        ),
        measurement_id=m.measurement_id,
        programme=programme.name,
        programme_version=programme.version,
        check=check.id,
        what=check.what,
        instrument=programme.instrument,
        accessory=m.accessory,
        quantity=programme.quantity,
        start_nm=programme.range_nm[0],
        stop_nm=programme.range_nm[1],
        standard=named,
        certificate=certificate.certificate if certificate else None,
        certificate_version=certificate.version if certificate else None,
        taken_at=m.trusted_at,
        at=reading.at,
        expected=reading.expected,
        value=reading.value,
        error=reading.error,
        uncertainty=reading.uncertainty,
        low=reading.low,
        high=reading.high,
        unit=reading.unit,
        outcome=reading.outcome,
        reason=reading.reason,
        due_at=m.trusted_at + timedelta(days=check.every_days),
        version=ENGINE_VERSION,
    )


def _versions(run: Run) -> Versions:
    certificate = run.certificate.version if run.certificate else ""
    return Versions(run.programme.version, certificate, ENGINE_VERSION)
