"""Corrected spectra: derived beside what was measured, marked, on record, and never judged.

The measurement and its values stay as they are. A correction is made because a person asks for it,
under their name and with their reason.
"""

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Literal

import numpy as np

from speclake.api import events
from speclake.api.events import NotAllowed
from speclake.api.exporting import placed
from speclake.archive.catalog import Catalog
from speclake.archive.encoding import encode
from speclake.archive.lake import Lake
from speclake.archive.rows import Batch, DerivedRow, EventKind, StandardRow
from speclake.errors import CannotWrite, UnitError
from speclake.fitness.changeovers import StepThere, steps_there
from speclake.fitness.circumstances import Circumstances
from speclake.fitness.subject import Subject
from speclake.intake.fitness import last_digit
from speclake.intake.standardbook import standard_row
from speclake.intake.verdicts import Judge
from speclake.measurement import Correction as State
from speclake.measurement import Measurement
from speclake.quantities.levelling import By, levelled
from speclake.quantities.referencing import Referenced, ReferenceTable, referenced
from speclake.settings import Settings
from speclake.spectrum import SpectrumSet
from speclake.standards.certificates import Certificate
from speclake.units import convert_positions, medium_of

CORRECTING_VERSION = "2"
"""Kept with every corrected spectrum; it changes whenever one of its numbers could."""

TIMES_CERTIFICATE, LEVELLED = "times certificate", "levelled at a change-over"

Kept = Literal["shorter", "longer"]
"""Side of a wavelength."""


@dataclass(frozen=True)
class Correction:
    """A corrected spectrum of a measurement, with who made it and why.

    Parameters
    ----------
    derived_id : under which `Archive.derived` gives it.
    parameters : what the operation went by.
    """

    measurement_id: str
    derived_id: str
    operation: str
    parameters: Mapping[str, str]
    who: str
    why: str
    at: datetime

    @property
    def mark(self) -> str:
        """What stands wherever the spectrum is shown."""
        said = ", ".join(
            f"{name.replace('_', ' ')} {text}" for name, text in self.parameters.items()
        )
        return (
            f"corrected, {self.operation} ({said}) by {self.who} on {self.at:%Y-%m-%d}: "
            f"{self.why}; not as measured, and not judged"
        )


@dataclass(frozen=True)
class Made:
    """A corrected spectrum, one row, with its parameters and the certificates that it used."""

    spectrum: SpectrumSet
    parameters: Mapping[str, str]
    standards: tuple[StandardRow, ...] = ()


Making = Callable[[SpectrumSet, Measurement], Made]
"""Corrects the spectrum of one measurement."""


def correct(
    store: Lake, operation: str, making: Making, ids: Sequence[str], *, who: str, why: str
) -> list[Correction]:
    """Corrected spectra of measurements, put on record; those that were made before stay alone.

    Raises
    ------
    speclake.errors.NotFound, speclake.api.events.NotAllowed
        There is no such measurement; a correction does not fit it; nobody or no reason is named.
    """
    store.refresh()
    events.check_known(store.catalog, ids)
    events.check_named(who, why)
    made = _made(store, operation, making, list(dict.fromkeys(ids)))
    said = {name: {"derived_id": row.derived_id, "operation": operation, **row.parameters}
            for name, (row, _) in made.items()}  # fmt: skip

    def new(catalog: Catalog) -> list[str]:
        held = catalog.places("derived", [row.derived_id for row, _ in made.values()])
        return [name for name, (row, _) in made.items() if row.derived_id not in held]

    def batch(catalog: Catalog) -> Batch:
        chosen = new(catalog)
        used = {s.standard_version: s for name in chosen for s in made[name][1]}
        return Batch(
            derived=tuple(made[name][0] for name in chosen),
            standards=tuple(s for v, s in used.items() if catalog.standard(v) is None),
        )

    chosen = new(store.catalog)
    events.record(
        store, EventKind.CORRECT, chosen, {}, who=who, why=why, with_it=batch, kept=lambda _: said
    )
    wanted = {row.derived_id for row, _ in made.values()}
    return [each for each in corrections(store.catalog, ids) if each.derived_id in wanted]


def corrections(catalog: Catalog, ids: Sequence[str]) -> list[Correction]:
    """Corrected spectra of measurements, in the order in which they were made."""
    told = ("derived_id", "operation")
    return [
        Correction(
            each.subject,
            each.details["derived_id"],
            each.details["operation"],
            {name: text for name, text in each.details.items() if name not in told and text},
            each.who,
            each.why,
            each.at,
        )
        for each in catalog.events_among(EventKind.CORRECT, list(ids))
    ]


def write_corrected(store: Lake, made: Sequence[Correction], target: Path) -> int:
    """Write corrected spectra to a text file, a column each under its mark; number of columns.

    Raises
    ------
    speclake.errors.CannotWrite
        The ending is not .csv, or the spectra do not share an axis.
    """
    import polars as pl

    if target.suffix != ".csv":
        raise CannotWrite(f"{target.name}: found the ending {target.suffix!r}; expected .csv")
    sets = store.derived([each.derived_id for each in made])
    if len({each.axis.id for each in sets}) != 1:
        raise CannotWrite(f"found {len(sets)} axes; expected one for a file")
    marks = {each.derived_id: f"{each.mark}; from {each.measurement_id}" for each in made}
    columns = [pl.Series(f"axis ({sets[0].axis.unit})", sets[0].axis.values)]
    for spectra in sets:
        for key, values in zip(spectra.keys, spectra.values, strict=True):
            columns.append(pl.Series(f"{spectra.unit} {marks[key]}", values, nan_to_null=True))
    with placed(target) as beside:
        pl.DataFrame(columns).write_csv(beside)
    return len(columns) - 1


def _made(
    store: Lake, operation: str, making: Making, ids: Sequence[str]
) -> dict[str, tuple[DerivedRow, tuple[StandardRow, ...]]]:
    """Row of the corrected spectrum of each measurement, with the certificates that it used."""
    known = {m.measurement_id: m for m in store.catalog.measurements(ids)}
    found = {}
    for spectra in store.spectra(ids):
        for row, key in enumerate(spectra.keys):
            one = SpectrumSet(spectra.axis, spectra.values[[row]], spectra.unit, (key,))
            made = making(one, known[key])
            found[key] = _row(operation, key, made), made.standards
    return {name: found[name] for name in ids}


def _row(operation: str, parent: str, made: Made) -> DerivedRow:
    """Row of a corrected spectrum, under the same identifier whenever it is made again."""
    values = made.spectrum.values[0]
    said = [operation, CORRECTING_VERSION, made.spectrum.unit, made.spectrum.axis.id, parent]
    said += [f"{name}={text}" for name, text in sorted(made.parameters.items())]
    digest = hashlib.sha256("\x1f".join(said).encode())
    digest.update(values.astype("<f8").tobytes())
    return DerivedRow(
        derived_id=digest.hexdigest()[:32],
        parents=(parent,),
        operation=operation,
        parameters=dict(made.parameters),
        version=CORRECTING_VERSION,
        unit=made.spectrum.unit,
        axis_id=made.spectrum.axis.id,
        values=encode(values),
    )


def operation(
    step: Judge,
    settings: Settings,
    *,
    standard: str | None = None,
    level_at_nm: float | None = None,
    keep: Kept = "shorter",
    by: By = "offset",
) -> tuple[str, Making]:
    """Name of a correction, and what makes it.

    Parameters
    ----------
    standard : name of the reference by whose certified values a raw ratio is multiplied.
    level_at_nm : wavelength of the change-over at which the two sides are made to meet.
    keep : the side of that wavelength that stays as it is.
    by : whether the other side is moved by an offset or a factor.

    Raises
    ------
    speclake.api.events.NotAllowed
        Nothing, or both, was asked for.
    """
    if (standard is None) == (level_at_nm is None):
        raise NotAllowed("expected a standard, or a wavelength to level at, one of them")
    if standard is not None:
        return TIMES_CERTIFICATE, times_certificate(step, settings, standard)
    assert level_at_nm is not None  # one of the two was given
    return LEVELLED, levelled_at(settings, level_at_nm, keep, by)


def levelled_at(settings: Settings, at_nm: float, keep: Kept, by: By) -> Making:
    """Spectra whose two sides of a change-over meet, as `speclake.quantities.levelling` says.

    The step that is taken away is the one that the check of change-overs finds there, and its
    uncertainty is kept. When it is used it raises `NotAllowed` where the spectrum bends too much or
    has too few points for a step to be known, or none larger than its uncertainty is seen.
    """
    window_nm = settings.fitness.changeover_window_nm

    def made(one: SpectrumSet, m: Measurement) -> Made:
        axis = one.axis
        ends = [at_nm, at_nm + window_nm]
        medium = medium_of(axis.unit, axis.medium, "nm")
        at, end = convert_positions(ends, "nm", medium, axis.unit).tolist()
        rises = end > at
        known = Circumstances(last_digit=last_digit(encode(one.values[0])))
        there = steps_there(Subject(one, [known], settings.fitness), at_nm).get(0)
        seen = _worth_it(there, one, at_nm, m)
        low, high = seen.level - seen.step / 2.0, seen.level + seen.step / 2.0
        sides = (low, high) if rises else (high, low)
        try:
            found = levelled(
                one, at, "below" if (keep == "shorter") == rises else "above",
                window=abs(end - at), by=by, arriving=(np.array(sides[:1]), np.array(sides[1:])),
            )  # fmt: skip
        except ValueError as error:
            raise NotAllowed(f"{m.measurement_id}: {error}") from error
        if found.reasons:
            raise NotAllowed(f"{m.measurement_id}: {found.reasons[0]}")
        amount = float(found.amount[0])
        said = {
            "at_nm": f"{at_nm:.10g}",
            "side_kept": keep,
            "window_nm": f"{seen.start_nm:.10g} to {seen.stop_nm:.10g}",
            by: f"{amount:+.4g} {one.unit}" if by == "offset" else f"{amount:.6g}",
            "uncertainty_of_the_step": f"{seen.uncertainty:.2g} {one.unit} (k = 2)",
        }
        return Made(found.spectra, said)

    return made


def _worth_it(there: StepThere | None, one: SpectrumSet, at_nm: float, m: Measurement) -> StepThere:
    """The step, if it is known and more than its uncertainty."""
    nm = convert_positions(
        one.axis.values[[0, -1]], one.axis.unit, medium_of(one.axis.unit, one.axis.medium, "nm"),
        "nm",
    )  # fmt: skip
    if not nm.min() < at_nm < nm.max():
        raise NotAllowed(
            f"{m.measurement_id}: the axis runs from {nm.min():.10g} nm to {nm.max():.10g} nm; "
            f"a place to level at lies inside, found {at_nm:.10g} nm"
        )
    if there is None:
        raise NotAllowed(
            f"{m.measurement_id}: the spectrum bends too much around {at_nm:.10g} nm, or has too "
            "few points on a side of it, for a step to be known"
        )
    if not abs(there.step) > there.uncertainty:
        raise NotAllowed(
            f"{m.measurement_id}: no step is seen at {at_nm:.10g} nm, {there.step:+.2g} ± "
            f"{there.uncertainty:.2g} {one.unit} (k = 2)"
        )
    return there


def times_certificate(step: Judge, settings: Settings, standard: str) -> Making:
    """Values times those that a certificate has for the reference they were measured against.

    When it is used it raises `NotAllowed` where there is no such certificate, it does not hold on
    the day of the scan or has no values, or where the values of a measurement are not said to be a
    raw ratio of the same quantity.
    """
    book = step.standards.current()

    def made(one: SpectrumSet, m: Measurement) -> Made:
        day = m.trusted_at.astimezone(settings.zone).date()
        held = _held(book.certificate(standard, day), standard, m)
        if not held.is_valid_on(day):
            raise NotAllowed(
                f"{m.measurement_id}: scanned on {day}; the certificate {held.certificate} of "
                f"{standard} holds from {held.issued_on} to {held.valid_until}"
            )
        found = _referenced(one, held, m)
        inside = found.uncertainty[np.isfinite(found.uncertainty)]
        said = {
            "standard": held.name,
            "certificate": held.certificate,
            "certificate_version": held.version,
            "largest_uncertainty": f"{inside.max():.3g} {one.unit}" if inside.size else "",
        }
        return Made(found.spectra, said, (standard_row(held),))

    return made


def _held(found: Certificate | None, name: str, m: Measurement) -> Certificate:
    if found is None:
        raise NotAllowed(f"found no certificate of {name!r}; `speclake standards` lists them")
    if not found.value or found.unit is None:
        raise NotAllowed(f"the certificate {found.certificate} of {name} has no values")
    if m.correction is not State.RAW_RATIO:
        raise NotAllowed(
            f"{m.measurement_id}: found the correction {str(m.correction or 'unknown')!r}; "
            f"expected {str(State.RAW_RATIO)!r}, since nothing may be multiplied twice"
        )
    return found


def _referenced(one: SpectrumSet, held: Certificate, m: Measurement) -> Referenced:
    at, values, uncertainties = (np.array(column) for column in held.columns())
    assert held.unit is not None  # it was looked at before
    table = ReferenceTable(at, values, uncertainties, held.unit, held.medium, held.coverage_factor)
    try:
        return referenced(one, table)
    except UnitError as error:
        raise NotAllowed(f"{m.measurement_id}: {error}") from error
