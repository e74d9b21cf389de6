"""Haze for its requirements."""

from collections.abc import Mapping

from speclake.judging.taking.gathered import leads, numbers_of, partners_as
from speclake.judging.taking.given import Given, Partner, Taker
from speclake.quantities.haze import READINGS, Reading, haze_of_readings, luminous_reading
from speclake.quantities.values import Values
from speclake.specs.requirements import Requirement
from speclake.specs.requirements.haze import LEADING, HazeRequirement
from speclake.spectrum import SpectrumSet
from speclake.units import can_convert


def _haze(spectra: SpectrumSet, asked: HazeRequirement, given: Given) -> Values:
    def weighted(found: SpectrumSet, _: Given) -> Values:
        return luminous_reading(found, asked.illuminant, asked.largest_interval)

    def members(reading: Reading) -> list[Partner | str]:
        if reading == LEADING:
            return leads(spectra, given)
        return partners_as(asked.role_of(reading).name, len(spectra), given)

    return haze_of_readings(
        [numbers_of(members(reading), weighted, _no_transmittance) for reading in READINGS]
    )


def _no_transmittance(member: Partner) -> str | None:
    unit = member.spectrum.unit
    return None if can_convert(unit, "T") else f"its values are in {unit}, no transmittance"


TAKERS_OF_HAZE: Mapping[type[Requirement], Taker] = {HazeRequirement: _haze}
