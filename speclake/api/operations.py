"""What corrections do: a ratio times a certificate, or two sides of a change-over made to meet."""

from datetime import UTC
from typing import Literal

import numpy as np

from speclake.api.correcting import Made, Making
from speclake.api.events import NotAllowed
from speclake.archive.encoding import encode
from speclake.archive.lake import Lake
from speclake.errors import UnitError
from speclake.fitness.changeovers import StepThere, steps_there
from speclake.fitness.circumstances import Circumstances
from speclake.fitness.qualifying.recognising import is_standard
from speclake.fitness.subject import Subject
from speclake.intake.configurations import configuration_in_force
from speclake.intake.fitness import last_digit
from speclake.intake.standardbook import standard_row
from speclake.intake.verdicts import Judge
from speclake.measurement import Correction as State
from speclake.measurement import Kind, LinkKind, Measurement
from speclake.quantities.levelling import By, levelled
from speclake.quantities.referencing import Referenced, ReferenceTable, referenced
from speclake.settings import Settings
from speclake.spectrum import SpectrumSet
from speclake.standards.certificates import Certificate
from speclake.units import convert_positions, medium_of

TIMES_CERTIFICATE, LEVELLED = "times certificate", "levelled at a change-over"
LEVELLED_ELSEWHERE = "levelled where no change-over is known"

CHANGEOVER_WITHIN_NM = 2.0
"""How near to a change-over that is known a place to level at must lie to be it."""
SAME_ANGLE_DEG = 0.5
"""Angles that differ by no more are the same."""

Kept = Literal["shorter", "longer"]
"""Side of a wavelength."""


def operation(
    store: Lake,
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
        return TIMES_CERTIFICATE, times_certificate(store, step, standard)
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
        is_known = any(abs(each - at_nm) <= CHANGEOVER_WITHIN_NM for each in _known(settings, m))
        return Made(found.spectra, said, operation=None if is_known else LEVELLED_ELSEWHERE)

    return made


def _known(settings: Settings, m: Measurement) -> tuple[float, ...]:
    """Change-overs that the scan or the settings state, in nm."""
    if m.changeovers:
        return m.changeovers
    found = configuration_in_force(
        settings, m.instrument, m.accessory, m.quantity, m.method, m.trusted_at.date()
    )
    return found.changeovers_nm if found is not None else ()


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


def times_certificate(store: Lake, step: Judge, standard: str) -> Making:
    """Values times those that a certificate has for the reference they were measured against.

    When it is used it raises `NotAllowed` where there is no such certificate, it does not hold on
    the day of the scan (UTC, as for qualification) or has no values, or where the values of a
    measurement are not said to be a raw ratio of the same quantity, were measured at another angle
    than the certificate holds for, or against another reference. Where nothing on record says
    against what they were measured, the correction says so. Its uncertainty is the certificate's
    alone.
    """
    book = step.standards.current()

    def made(one: SpectrumSet, m: Measurement) -> Made:
        day = m.trusted_at.astimezone(UTC).date()
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
            "measured_against": _against(store, held, m),
            "largest_uncertainty_of_the_certificate": (
                f"{inside.max():.3g} {one.unit}" if inside.size else ""
            ),
            "bandwidth": _bandwidths(held, m),
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
    angle, at = found.angle_deg, m.angle_deg
    if angle is not None and at is not None and abs(angle - at) > SAME_ANGLE_DEG:
        raise NotAllowed(
            f"{m.measurement_id}: measured at {at:g}°; the certificate {found.certificate} of "
            f"{name} holds at {angle:g}°"
        )
    return found


def _against(store: Lake, held: Certificate, m: Measurement) -> str:
    """The reference that the links of a scan name, if they name this one, or that none does."""
    targets = [each.target for each in m.links if each.kind is LinkKind.MEASURED_AGAINST]
    known = store.catalog.brief(targets) if targets else []
    references = [each for each in known if each.kind in (Kind.REFERENCE, Kind.STANDARD)]
    for each in references:
        if is_standard(each, held):
            return f"{each.sample or each.serial}, as linked"
    if references:
        names = ", ".join(str(each.sample or each.serial or each.file) for each in references)
        raise NotAllowed(
            f"{m.measurement_id}: measured against {names}, as linked; expected {held.name}"
        )
    return "not on record, on the word of whoever asked"


def _bandwidths(held: Certificate, m: Measurement) -> str:
    """Bandwidths of certificate and scan, where both are known and differ."""
    scans = sorted({each.bandwidth_nm for each in m.ranges if each.bandwidth_nm is not None})
    if held.bandwidth_nm is None or scans in ([], [held.bandwidth_nm]):
        return ""
    told = ", ".join(f"{each:g}" for each in scans)
    return f"{told} nm, the certificate's {held.bandwidth_nm:g} nm"


def _referenced(one: SpectrumSet, held: Certificate, m: Measurement) -> Referenced:
    at, values, uncertainties = (np.array(column) for column in held.columns())
    assert held.unit is not None  # it was looked at before
    table = ReferenceTable(at, values, uncertainties, held.unit, held.medium, held.coverage_factor)
    try:
        return referenced(one, table)
    except UnitError as error:
        raise NotAllowed(f"{m.measurement_id}: {error}") from error
