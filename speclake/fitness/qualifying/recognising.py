"""Which measurements are scans of a qualification run."""

import re
from collections.abc import Iterator
from functools import cache

from speclake.errors import UnitError
from speclake.measurement import Kind, Measurement
from speclake.standards import published
from speclake.standards.certificates import Certificate
from speclake.standards.programmes import (
    AnyCheck,
    BandPositions,
    CheckSample,
    Drift,
    Flatness,
    Noise,
    Programme,
    Repeatability,
    Values,
)
from speclake.units import Quantity, convert_positions

_SAME_LIGHT: dict[Quantity, Quantity] = {
    "absorbance": "transmittance",
    "log inverse reflectance": "reflectance",
}
_NO_STANDARD = (Kind.PART, Kind.WITNESS)


def recognises(
    programme: Programme,
    check: AnyCheck,
    certificate: Certificate | None,
    measurement: Measurement,
) -> bool:
    """Whether a measurement is a scan that a check of a programme takes.

    It is where instrument, accessory and quantity are those of the programme (absorbance is the
    same light as transmittance), the scan reaches into its range, its kind is the one that the
    check names, and its sample is

    - one that the check names as ``sample``; else
    - one that the certificate names as ``recognised_as``, or its serial is the certificate's
      identification; else
    - one that names a published standard (as ``holmium solution``), if nobody said that the scan is
      of a part or a witness piece; else,
    - of a check without a standard, of any name, if its kind is the one that the check names or,
      where it names none, a blank (a zero line for a level of 0 %) for flatness, noise and drift,
      and a check piece for the check sample and repeatability.

    Text is compared without regard to case; ``*`` stands for any text.
    """
    # every scan of an instrument is asked for every check, so the cheapest question comes first
    return (
        check.kind in (None, measurement.kind)
        and _is_of_configuration(programme, measurement)
        and _is_sample(check, certificate, measurement)
        and reaches(programme, measurement)
    )


def _is_of_configuration(programme: Programme, measurement: Measurement) -> bool:
    found, wanted = measurement.quantity, programme.quantity
    return _SAME_LIGHT.get(found, found) == _SAME_LIGHT.get(wanted, wanted) and programme.covers(
        measurement.instrument, measurement.accessory, wanted
    )


def reaches(programme: Programme, measurement: Measurement) -> bool:
    """Whether a scan reaches into the range of a programme; to meet at one end is too little."""
    unit = measurement.axis_unit
    medium = measurement.medium or "vacuum"
    try:
        ends = sorted(
            float(convert_positions(each, unit, medium, "nm", medium))
            for each in (measurement.axis_first, measurement.axis_last)
        )
    except UnitError:
        return False
    return ends[0] < programme.range_nm[1] and ends[1] > programme.range_nm[0]


def _is_sample(check: AnyCheck, certificate: Certificate | None, measurement: Measurement) -> bool:
    sample = measurement.sample or ""
    if check.sample is not None:
        return _fits(sample, check.sample)
    if not isinstance(check, BandPositions | Values):
        return measurement.kind is (check.kind or _usual_kind(check))
    if check.published is not None:
        names = _published_names(check)
        of_part = measurement.kind in _NO_STANDARD
        return not of_part and any(_fits(sample, name) for name in names)
    if certificate is None:
        return False
    return is_standard(measurement, certificate)


def is_standard(measurement: Measurement, certificate: Certificate) -> bool:
    """Whether a scan is of the standard that a certificate speaks of, by sample or serial."""
    sample = measurement.sample or ""
    is_named = any(_fits(sample, name) for name in certificate.recognised_as)
    return is_named or measurement.serial == certificate.identification


def _published_names(check: BandPositions | Values) -> Iterator[str]:
    assert check.published is not None
    if isinstance(check, BandPositions):
        yield from published.bands(check.published).recognised_as
    else:
        yield from published.values(check.published).recognised_as


def _usual_kind(check: AnyCheck) -> Kind | None:
    if isinstance(check, Flatness):
        return Kind.BLANK if check.level_percent else Kind.ZERO_LINE
    if isinstance(check, Noise | Drift):
        return Kind.BLANK
    return Kind.CHECK if isinstance(check, CheckSample | Repeatability) else None


def _fits(text: str, pattern: str) -> bool:
    return _expression(pattern).fullmatch(text) is not None


@cache
def _expression(pattern: str) -> re.Pattern[str]:
    return re.compile(re.escape(pattern).replace(r"\*", ".*"), re.IGNORECASE | re.DOTALL)
