"""Haze for its requirements."""

from collections.abc import Mapping
from dataclasses import replace

from speclake.judging.conditions import Conditions, fits
from speclake.judging.taking.gathered import leads, numbers_of, partners_as
from speclake.judging.taking.given import Given, Partner, Taker
from speclake.quantities.haze import READINGS, haze_of_readings, luminous_reading
from speclake.quantities.values import Values
from speclake.specs.requirements import Requirement
from speclake.specs.requirements.haze import LEADING, HazeRequirement
from speclake.spectrum import SpectrumSet
from speclake.units import can_convert


def _haze(spectra: SpectrumSet, asked: HazeRequirement, given: Given) -> Values:
    def weighted(found: SpectrumSet, _: Given) -> Values:
        return luminous_reading(found, asked.illuminant, asked.largest_interval)

    readings: list[Values] = []
    lacking: dict[int, str] = {}
    for reading in READINGS:
        members = leads(spectra, given)
        if reading != LEADING:
            members = partners_as(asked.role_of(reading).name, len(spectra), given)
        for row, member in enumerate(members):
            if isinstance(member, str):
                lacking.setdefault(row, member)
        beside = [
            _beside(member, lead, asked)
            for member, lead in zip(members, given.conditions, strict=True)
        ]
        readings.append(numbers_of(beside, weighted, _no_transmittance))
    found = haze_of_readings(readings)
    # a reading that is not there names itself
    return replace(found, reasons={**found.reasons, **lacking})


def _no_transmittance(member: Partner) -> str | None:
    unit = member.spectrum.unit
    return None if can_convert(unit, "T") else f"its values are in {unit}, no transmittance"


def _beside(member: Partner | str, lead: Conditions, asked: HazeRequirement) -> Partner | str:
    """The member, or why it does not belong to a lead.

    Where it was taken is that of the lead; here it is held against what the requirement asks of a
    scan, and against the instrument, since quotients hold on one alone.
    """
    if isinstance(member, str):
        return member
    own = member.conditions
    for name in ("instrument", "accessory"):
        here, there = getattr(lead, name), getattr(own, name)
        if here != there:
            return f"its {name} is {there or 'unknown'}, that of T4 {here or 'unknown'}"
    scan = lead._replace(
        correction=own.correction,
        smoothed=own.smoothed,
        axis_unit=own.axis_unit,
        bandwidths=own.bandwidths,
    )
    return fits(asked, [scan])[0].hindrance or member


TAKERS_OF_HAZE: Mapping[type[Requirement], Taker] = {HazeRequirement: _haze}
