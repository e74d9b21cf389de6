"""Optical densities and leakage for their requirements."""

from collections.abc import Callable, Mapping

import numpy as np

from speclake.errors import NotFound
from speclake.judging.conditions import Conditions
from speclake.judging.taking.given import Given, Taker
from speclake.judging.taking.places import place_of, place_over
from speclake.quantities import blocking
from speclake.quantities.values import EXACT, Values
from speclake.specs.requirements import Requirement, same_text
from speclake.specs.requirements.blocking import (
    DensityRequirement,
    Floored,
    FloorTable,
    LeakageRequirement,
)
from speclake.spectrum import SpectrumSet
from speclake.units import convert_values


def _over_floors(
    asked: Floored,
    spectra: SpectrumSet,
    given: Given,
    take: Callable[[SpectrumSet, blocking.Floor], Values],
) -> Values:
    """Numbers of a set, each spectrum with the floor of the configuration that measured it."""
    if asked.is_lacking:
        files = ", ".join(f"floors/{name}.csv" for name in asked.floor_names)
        raise NotFound(
            f"requirement {asked.id!r}: found no floor {asked.floor!r}; it is read from {files} "
            "when a specification of an archive is read"
        )
    if not asked.floor_curves:
        return take(spectra, asked.floor if isinstance(asked.floor, float) else None)
    n, configurations = len(spectra), [_configuration(each) for each in given.conditions]
    value, at, bound = np.full(n, np.nan), np.full(n, np.nan), np.full(n, EXACT, np.int8)
    reasons = {
        row: _without_floor(asked, given.conditions[row])
        for row, configuration in enumerate(configurations)
        if all(configuration != table.configuration for table in asked.floor_curves)
    }
    for table in asked.floor_curves:
        rows = [row for row, each in enumerate(configurations) if each == table.configuration]
        if not rows:
            continue
        keys = tuple(spectra.keys[row] for row in rows)
        part = SpectrumSet(spectra.axis, spectra.values[rows], spectra.unit, keys)
        found = take(part, _curve(table))
        value[rows] = found.value
        if found.at is not None:
            at[rows] = found.at
        if found.bound is not None:
            bound[rows] = found.bound
        reasons |= {rows[place]: why for place, why in found.reasons.items()}
    return Values(value, at, reasons, bound)


def _configuration(conditions: Conditions) -> tuple[str, str] | None:
    if conditions.instrument is None or conditions.accessory is None:
        return None
    return same_text(conditions.instrument), same_text(conditions.accessory)


def _without_floor(asked: Floored, conditions: Conditions) -> str:
    known = " or ".join(
        f"{each.instrument} with accessory {each.accessory}" for each in asked.floor_curves
    )
    for name in ("instrument", "accessory"):
        if getattr(conditions, name) is None:
            return f"the {name} of the scan is unknown; the floor is that of {known}"
    found = f"{conditions.instrument} with accessory {conditions.accessory}"
    return f"the scan is of {found}; the floor is that of {known}"


def _curve(table: FloorTable) -> blocking.FloorCurve:
    positions, values = zip(*table.rows, strict=True)
    return blocking.FloorCurve(positions, values, table.unit, table.medium)


def _density(spectra: SpectrumSet, asked: DensityRequirement, given: Given) -> Values:
    def take(part: SpectrumSet, floor: blocking.Floor) -> Values:
        return blocking.optical_density(part, place_of(asked), asked.definition, floor=floor)

    return _over_floors(asked, spectra, given, take)


def _leakage(spectra: SpectrumSet, asked: LeakageRequirement, given: Given) -> Values:
    bands = [place_over(asked, band) for band in asked.blocking_bands]

    def take(part: SpectrumSet, floor: blocking.Floor) -> Values:
        if asked.definition == "share of the signal":
            return blocking.leakage_share(part, place_of(asked), bands, floor=floor)
        found = blocking.largest_leakage(part, bands, floor=floor)
        value = convert_values(found.value, "T", asked.spectral_unit)
        return Values(value, found.at, found.reasons, found.bound)

    return _over_floors(asked, spectra, given, take)


TAKERS_OF_BLOCKING: Mapping[type[Requirement], Taker] = {
    DensityRequirement: _density,
    LeakageRequirement: _leakage,
}
