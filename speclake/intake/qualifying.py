"""Qualification runs among the scans that are taken in, as rows for the commit that brings them."""

import hashlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta

import numpy as np

from speclake.archive.catalog import Catalog, Query
from speclake.archive.rows import QualificationRow, StandardRow
from speclake.fitness import ENGINE_VERSION
from speclake.fitness.qualifying import Reading, Setup, qualify, recognises
from speclake.fitness.qualifying.repeated import LEAST_FOR_DRIFT
from speclake.intake.circumstances import ranges_in_nm
from speclake.intake.standardbook import Standards, standard_row
from speclake.measurement import Measurement
from speclake.spectrum import SpectrumSet
from speclake.standards.certificates import Certificate
from speclake.standards.programmes import AnyCheck, Drift, OfStandard, Programme, Repeatability

Read = Callable[[Sequence[str]], Iterable[SpectrumSet]]
"""Spectra of measurements by their identifiers, those of the same commit included."""


@dataclass(frozen=True)
class Runs:
    """What qualification runs add to a commit."""

    rows: tuple[QualificationRow, ...] = ()
    standards: tuple[StandardRow, ...] = ()


@dataclass(frozen=True)
class _Run:
    """A scan that a check takes, with those before it where the check takes several."""

    programme: Programme
    check: AnyCheck
    certificate: Certificate | None
    scans: tuple[Measurement, ...]

    @property
    def last(self) -> Measurement:
        return self.scans[-1]


def runs_among(
    catalog: Catalog, standards: Standards, measurements: Sequence[Measurement], read: Read
) -> Runs:
    """Numbers of the qualification runs that some scans belong to.

    A scan in conflict belongs to none until the conflict is settled. A check that takes several
    scans gives its number with every scan that has enough others before it.

    Parameters
    ----------
    measurements : as they will be known after the commit.
    read : spectra of these and of earlier ones.
    """
    found = list(_runs(catalog, standards, measurements))
    if not found:
        return Runs()
    names = dict.fromkeys(m.measurement_id for run in found for m in run.scans)
    at = {key: (each, row) for each in read(list(names)) for row, key in enumerate(each.keys)}
    rows: list[QualificationRow] = []
    used: dict[str, Programme | Certificate] = {}
    for run in found:
        rows += _rows(run, at)
        for each in (run.programme, run.certificate):
            if each is not None:
                used[each.version] = each
    kept = [standard_row(each) for name, each in used.items() if catalog.standard(name) is None]
    return Runs(tuple(rows), tuple(kept))


def _runs(
    catalog: Catalog, standards: Standards, measurements: Sequence[Measurement]
) -> Iterator[_Run]:
    for m in measurements:
        if m.conflict is not None or m.instrument not in standards.instruments:
            continue
        for programme in standards.programmes_of(m.instrument, m.accessory, m.quantity):
            for check in programme.check:
                certificate = _certificate(standards, check, m)
                if not recognises(programme, check, certificate, m):
                    continue
                scans: tuple[Measurement, ...] = (m,)
                if isinstance(check, Drift | Repeatability):
                    scans = _before(catalog, programme, check, m, measurements)
                    if len(scans) < _least(check):
                        continue
                yield _Run(programme, check, certificate, scans)


def _certificate(standards: Standards, check: AnyCheck, m: Measurement) -> Certificate | None:
    if not isinstance(check, OfStandard):
        return None
    return standards.certificate(check.standard, m.trusted_at.date())


def _least(check: Drift | Repeatability) -> int:
    return check.scans if isinstance(check, Repeatability) else LEAST_FOR_DRIFT


def _before(
    catalog: Catalog,
    programme: Programme,
    check: Drift | Repeatability,
    last: Measurement,
    new: Iterable[Measurement],
) -> tuple[Measurement, ...]:
    """Scans that a check takes up to a last one, oldest first; on one axis and in one unit."""
    since = last.trusted_at - timedelta(hours=check.within_h)
    query = Query(
        instrument=last.instrument, since=since, until=last.trusted_at, in_conflict=False,
        limit=None,
    )  # fmt: skip
    held = catalog.brief(catalog.search(query)["measurement_id"].to_list())
    known = {m.measurement_id: m for m in (*held, *new)}
    known.pop(last.measurement_id, None)
    fitting = [
        m
        for m in known.values()
        if since <= m.trusted_at <= last.trusted_at
        and m.conflict is None
        and (m.axis_id, m.unit, m.sample) == (last.axis_id, last.unit, last.sample)
        and recognises(programme, check, None, m)
    ]
    return (*sorted(fitting, key=lambda m: (m.trusted_at, m.measurement_id)), last)


def _rows(run: _Run, at: Mapping[str, tuple[SpectrumSet, int]]) -> Iterator[QualificationRow]:
    spectra, m = _together(run.scans, at), run.last
    setup = Setup(
        taken_at=tuple(each.trusted_at for each in run.scans),
        range_nm=run.programme.range_nm,
        ranges=ranges_in_nm(m),
    )
    for number, reading in enumerate(qualify(run.check, spectra, setup, run.certificate)):
        yield _row(run, reading, number)


def _together(
    scans: Sequence[Measurement], at: Mapping[str, tuple[SpectrumSet, int]]
) -> SpectrumSet:
    first = at[scans[0].measurement_id][0]
    values = [each.values[row] for each, row in (at[m.measurement_id] for m in scans)]
    names = tuple(m.measurement_id for m in scans)
    return SpectrumSet(first.axis, np.stack(values), first.unit, names)


def _row(run: _Run, reading: Reading, number: int) -> QualificationRow:
    m, programme, check, certificate = run.last, run.programme, run.check, run.certificate
    named = check.standard or check.published if isinstance(check, OfStandard) else None
    return QualificationRow(
        qualification_id=_id(run, number),
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


def _id(run: _Run, number: int) -> str:
    """Identifier of a number, the same on every retry."""
    certificate = run.certificate.version if run.certificate else ""
    said = [run.programme.version, run.check.id, certificate, ENGINE_VERSION, str(number)]
    text = "\x1f".join([*said, *(m.measurement_id for m in run.scans)])
    return hashlib.sha256(text.encode()).hexdigest()[:32]
