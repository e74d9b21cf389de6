"""Numbers of plates, films and band edges for their requirements."""

from collections.abc import Mapping
from typing import Literal, cast

from speclake.judging.taking.given import Given, Taker
from speclake.judging.taking.places import place_of, where_of
from speclake.quantities import bandedge, fringes, plates
from speclake.quantities.substrates import material
from speclake.quantities.values import Values
from speclake.specs.requirements import Requirement
from speclake.specs.requirements.coating import (
    AbsorptionRequirement,
    BandEdgeRequirement,
    FilmThicknessRequirement,
    Indexed,
    InternalTransmittanceRequirement,
)
from speclake.spectrum import SpectrumSet

Plated = InternalTransmittanceRequirement | AbsorptionRequirement


def _index_of(asked: Indexed) -> plates.Index:
    if asked.material is not None:
        return material(asked.material)
    assert asked.index is not None  # the model asks for one of them
    return asked.index


def _plate_of(asked: Plated) -> plates.Plate:
    return plates.Plate(
        index=_index_of(asked), thickness_mm=asked.thickness_mm, largest_excess=asked.excess
    )


def _scaled(found: Values, factor: float) -> Values:
    uncertainty = found.standard_uncertainty
    if uncertainty is not None:
        uncertainty = uncertainty * factor
    return Values(found.value * factor, found.at, found.reasons, found.bound, uncertainty)


def _internal(spectra: SpectrumSet, asked: InternalTransmittanceRequirement, _: Given) -> Values:
    found = plates.internal_transmittance(
        spectra, where_of(asked), _plate_of(asked), asked.to_thickness_mm
    )
    return _scaled(found, 100.0)


def _absorption(spectra: SpectrumSet, asked: AbsorptionRequirement, _: Given) -> Values:
    unit = cast(Literal["1/mm", "1/cm"], asked.unit)
    return plates.absorption_coefficient(spectra, where_of(asked), _plate_of(asked), unit)


def _thickness(spectra: SpectrumSet, asked: FilmThicknessRequirement, _: Given) -> Values:
    counted = fringes.Fringes(
        smallest_swing=asked.smallest_swing, extrema_at_least=asked.extrema_at_least
    )
    found = fringes.film_thickness(
        spectra, place_of(asked), _index_of(asked), asked.angle_deg, counted
    )
    return found if asked.unit == "nm" else _scaled(found, 1e-3)


def _edge(spectra: SpectrumSet, asked: BandEdgeRequirement, _: Given) -> Values:
    unit = cast(Literal["eV", "nm"], asked.unit)
    return bandedge.band_edge(spectra, place_of(asked), asked.definition, unit)


TAKERS_OF_COATING: Mapping[type[Requirement], Taker] = {
    InternalTransmittanceRequirement: _internal,
    AbsorptionRequirement: _absorption,
    FilmThicknessRequirement: _thickness,
    BandEdgeRequirement: _edge,
}
"""The computation of each kind of requirement of this family."""
