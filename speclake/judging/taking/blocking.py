"""Optical densities and leakage for their requirements."""

from collections.abc import Mapping

from speclake.errors import NotFound
from speclake.judging.taking.given import Given, Taker
from speclake.judging.taking.places import place_of, place_over
from speclake.quantities import blocking
from speclake.quantities.values import Values
from speclake.specs.requirements import Requirement
from speclake.specs.requirements.blocking import (
    DensityRequirement,
    Floored,
    LeakageRequirement,
)
from speclake.spectrum import SpectrumSet
from speclake.units import convert_values


def _floor_of(asked: Floored) -> blocking.Floor:
    if asked.floor_curve is not None:
        curve = asked.floor_curve
        positions, values = zip(*curve.rows, strict=True)
        return blocking.FloorCurve(positions, values, curve.unit, curve.medium)
    if isinstance(asked.floor, str):
        raise NotFound(
            f"requirement {asked.id!r}: found no floor {asked.floor!r}; it is read from "
            f"floors/{asked.floor}.csv when a specification of an archive is read"
        )
    return asked.floor


def _density(spectra: SpectrumSet, asked: DensityRequirement, _: Given) -> Values:
    return blocking.optical_density(
        spectra, place_of(asked), asked.definition, floor=_floor_of(asked)
    )


def _leakage(spectra: SpectrumSet, asked: LeakageRequirement, _: Given) -> Values:
    floor = _floor_of(asked)
    bands = [place_over(asked, band) for band in asked.blocking_bands]
    if asked.definition == "share of the signal":
        return blocking.leakage_share(spectra, place_of(asked), bands, floor=floor)
    found = blocking.largest_leakage(spectra, bands, floor=floor)
    value = convert_values(found.value, "T", asked.spectral_unit)
    return Values(value, found.at, found.reasons, found.bound)


TAKERS_OF_BLOCKING: Mapping[type[Requirement], Taker] = {
    DensityRequirement: _density,
    LeakageRequirement: _leakage,
}
