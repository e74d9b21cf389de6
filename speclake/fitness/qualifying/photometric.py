"""Photometric accuracy: values of a standard at its certified wavelengths, and the check sample.

The uncertainty of an error holds the certificate's, the noise of the single value and the rounding
of its last digit. How well the wavelength scale sits on a slope is not in it: standards are flat
where they are certified, or have their extremes there.
"""

from dataclasses import dataclass

from speclake.errors import UnitError
from speclake.fitness.qualifying.reading import (
    Reading,
    Setup,
    combined,
    compared,
    not_measurable,
)
from speclake.fitness.qualifying.scan import Measured, Scan
from speclake.specs.verdicts import Outcome
from speclake.standards import published
from speclake.standards.certificates import Certificate
from speclake.standards.programmes import CheckSample, Values
from speclake.units import Medium, SpectralUnit


@dataclass(frozen=True, slots=True)
class _Wanted:
    nm: float
    value: float
    standard_uncertainty: float
    low: float | None = None
    high: float | None = None


def values(
    check: Values, scan: Scan, setup: Setup, certificate: Certificate | None
) -> list[Reading]:
    """A reading for each certified wavelength in the range of the programme."""
    unit, medium, wanted = _wanted(check, certificate)
    low, high = setup.range_nm
    asked = [each for each in wanted if low <= each.nm <= high]
    if not asked:
        reason = f"the standard has no value from {low:g} nm to {high:g} nm"
        return [not_measurable(reason, unit)]
    try:
        as_certified = scan.as_unit(unit)
    except UnitError as error:
        return [not_measurable(str(error), unit)]
    remark = _bandwidth_remark(certificate, setup)
    return [_reading(check, as_certified, each, medium, remark) for each in asked]


def _wanted(
    check: Values, certificate: Certificate | None
) -> tuple[SpectralUnit, Medium, list[_Wanted]]:
    if check.published is not None:
        table = published.values(check.published)
        k = published.COVERAGE_FACTOR
        rows = [_Wanted(v.at_nm, v.value, v.uncertainty / k, v.low, v.high) for v in table.values]
        return "A", "air", rows
    assert certificate is not None and certificate.unit is not None
    k = certificate.coverage_factor
    found = [_Wanted(v.at_nm, v.value, v.uncertainty / k) for v in certificate.value]
    return certificate.unit, certificate.medium, found


def _bandwidth_remark(certificate: Certificate | None, setup: Setup) -> str:
    if certificate is None or certificate.bandwidth_nm is None or not certificate.value:
        return ""
    used = setup.bandwidth_at(certificate.value[0].at_nm)
    if used is None or used <= certificate.bandwidth_nm:
        return ""
    return (
        f"the values hold at {certificate.bandwidth_nm:g} nm bandwidth, and the scan has "
        f"{used:g} nm"
    )


def _reading(check: Values, scan: Scan, each: _Wanted, medium: Medium, remark: str) -> Reading:
    try:
        at = scan.position(each.nm, medium)
    except UnitError as error:
        return not_measurable(str(error), scan.unit, each.nm, each.value)
    found = scan.value_at(at)
    if isinstance(found, str):
        return not_measurable(found, scan.unit, at, each.value)
    return compared(
        found.value,
        combined(found.standard_uncertainty, each.standard_uncertainty),
        _limits(check, each),
        check.rule,
        unit=scan.unit,
        expected=each.value,
        at=at,
        remark=remark,
    )


def _limits(check: Values, each: _Wanted) -> tuple[float, float]:
    """Limits of the error."""
    if check.largest_error is not None:
        return -check.largest_error, check.largest_error
    if check.largest_error_percent is not None:
        allowed = check.largest_error_percent / 100 * abs(each.value)
        return -allowed, allowed
    assert check.tolerance is not None
    if check.tolerance == published.OF_TABLE:
        assert each.low is not None and each.high is not None
        return each.low - each.value, each.high - each.value
    allowance = published.tolerance(check.tolerance).allowance
    assert allowance is not None
    allowed = allowance(each.nm, each.value)
    return -allowed, allowed


def check_sample(check: CheckSample, scan: Scan) -> list[Reading]:
    """The value of the check piece, at a wavelength or as mean over a band.

    Without a target it passes as soon as it is measured: its control chart judges it.
    """
    try:
        scan = scan.as_unit(check.unit)
    except UnitError as error:
        return [not_measurable(str(error), check.unit, check.at_nm)]
    found: Measured | str
    if check.band is not None:
        found = scan.mean_over(*check.band)
    else:
        assert check.at_nm is not None
        found = scan.value_at(check.at_nm)
    if isinstance(found, str):
        return [not_measurable(found, check.unit, check.at_nm)]
    uncertainty = combined(found.standard_uncertainty)
    if check.target is None or check.tolerance is None:
        return [
            Reading(
                at=check.at_nm,
                value=found.value,
                uncertainty=uncertainty,
                unit=check.unit,
                outcome=Outcome.PASS,
                reason="no target is set; its control chart judges it",
            )
        ]
    return [
        compared(
            found.value,
            uncertainty,
            (-check.tolerance, check.tolerance),
            check.rule,
            unit=check.unit,
            expected=check.target,
            at=check.at_nm,
        )
    ]
