"""Numbers of a series over the angle for their requirements."""

from collections.abc import Mapping

import numpy as np

from speclake.judging.conditions import fits
from speclake.judging.taking.bands import TAKERS_OF_BANDS
from speclake.judging.taking.edges import TAKERS_OF_EDGES
from speclake.judging.taking.gathered import leads, numbers_of, partners_as
from speclake.judging.taking.given import Given, Partner, Taker
from speclake.quantities.angles import (
    Spread,
    effective_index,
    shift_over_angles,
    spread_over_angles,
)
from speclake.quantities.values import Values, blanked
from speclake.specs.requirements import Requirement
from speclake.specs.requirements.angles import (
    AngleSeriesRequirement,
    AngleShiftRequirement,
    AngleSpreadRequirement,
    EffectiveIndexRequirement,
)
from speclake.spectrum import FloatArray, SpectrumSet
from speclake.units import can_convert, convert_values

_TAKERS_OF_ONE = {**TAKERS_OF_BANDS, **TAKERS_OF_EDGES}
_SPREADS: Mapping[str, Spread] = {
    "range over angles": "range",
    "smallest over angles": "smallest",
    "largest over angles": "largest",
    "mean over angles": "mean",
}


def _series(
    spectra: SpectrumSet, asked: AngleSeriesRequirement, given: Given
) -> tuple[FloatArray, FloatArray, dict[int, str]]:
    """Numbers and angles of each series, shape (n, k), and why one lacks a number.

    The angles are those of the scans themselves, which may differ from those asked for by the
    tolerance.
    """
    numbers, angles, reasons = [], [], dict[int, str]()
    for place, angle_deg in enumerate(asked.angles_deg):
        members = leads(spectra, given)
        if place:
            members = partners_as(asked.role_of(angle_deg).name, len(spectra), given)
        found = _numbers_at(asked.at_angle(angle_deg), members)
        numbers.append(found.value)
        angles.append([_angle_of(each, angle_deg) for each in members])
        for row, why in found.reasons.items():
            reasons.setdefault(
                row, why if isinstance(members[row], str) else f"at {angle_deg:g}°: {why}"
            )
    return np.stack(numbers, axis=1), np.array(angles).T, reasons


def _numbers_at(asked: Requirement, members: list[Partner | str]) -> Values:
    unit = asked.spectral_unit

    def take(found: SpectrumSet, given: Given) -> Values:
        values = convert_values(found.values, found.unit, unit)
        converted = SpectrumSet(found.axis, values, unit, found.keys)
        return _TAKERS_OF_ONE[type(asked)](converted, asked, given)

    def hindrance(member: Partner) -> str | None:
        if not can_convert(member.spectrum.unit, unit):
            return f"its values are in {member.spectrum.unit}, and the requirement is in {unit}"
        fit = fits(asked, [member.conditions])[0]
        if not fit.applies:
            return "it was measured in another way than the requirement asks for"
        return fit.hindrance

    return numbers_of(members, take, hindrance)


def _angle_of(member: Partner | str, asked_deg: float) -> float:
    known = None if isinstance(member, str) else member.conditions.angle_deg
    return asked_deg if known is None else known


def _spread(spectra: SpectrumSet, asked: AngleSpreadRequirement, given: Given) -> Values:
    numbers, _, reasons = _series(spectra, asked, given)
    found = spread_over_angles(numbers, _SPREADS[asked.what])
    return Values(blanked(found, reasons), None, reasons)


def _shift(spectra: SpectrumSet, asked: AngleShiftRequirement, given: Given) -> Values:
    numbers, angles, reasons = _series(spectra, asked, given)
    found = shift_over_angles(numbers, angles, asked.shift)
    return Values(blanked(found, reasons), None, reasons)


def _index(spectra: SpectrumSet, asked: EffectiveIndexRequirement, given: Given) -> Values:
    numbers, angles, reasons = _series(spectra, asked, given)
    found = effective_index(numbers, angles, asked.largest_misfit)
    reasons = {**found.reasons, **reasons}
    return Values(blanked(found.value, reasons), None, reasons)


TAKERS_OF_ANGLES: Mapping[type[Requirement], Taker] = {
    AngleSpreadRequirement: _spread,
    AngleShiftRequirement: _shift,
    EffectiveIndexRequirement: _index,
}
