"""Numbers of edges and passbands for their requirements."""

from collections.abc import Mapping

from speclake.judging.taking.given import Given, Taker
from speclake.judging.taking.places import place_of
from speclake.quantities import edges
from speclake.quantities.edges import Direction, Level
from speclake.quantities.values import Values
from speclake.specs.requirements import Requirement
from speclake.specs.requirements.edges import (
    CentroidRequirement,
    EdgeRequirement,
    ExtremePlaceRequirement,
    ExtremeValueRequirement,
    MiddleRequirement,
    SteepnessRequirement,
    WidthRequirement,
)
from speclake.spectrum import SpectrumSet

_DIRECTIONS: Mapping[str, Direction] = {"cut-on": "rising", "cut-off": "falling"}


def _edge(spectra: SpectrumSet, asked: EdgeRequirement, _: Given) -> Values:
    level = Level(asked.level, asked.peak)
    return edges.edge(spectra, place_of(asked), level, _DIRECTIONS[asked.what], asked.which)


def _steepness(spectra: SpectrumSet, asked: SteepnessRequirement, _: Given) -> Values:
    middle = asked.middle_level
    return edges.steepness(
        spectra,
        place_of(asked),
        (Level(asked.level, asked.peak), Level(asked.to_level, asked.peak)),
        _DIRECTIONS[asked.edge],
        asked.definition,
        middle=None if middle is None else Level(middle, asked.peak),
        which=asked.which,
    )


def _width(spectra: SpectrumSet, asked: WidthRequirement, _: Given) -> Values:
    level, others = Level(asked.level, asked.peak), asked.elsewhere_above == "allowed"
    return edges.passband_width(spectra, place_of(asked), level, others=others)


def _middle(spectra: SpectrumSet, asked: MiddleRequirement, _: Given) -> Values:
    level, others = Level(asked.level, asked.peak), asked.elsewhere_above == "allowed"
    how: edges.Centre = "middle of the crossings"
    return edges.centre(spectra, place_of(asked), how, level=level, others=others)


def _centroid(spectra: SpectrumSet, asked: CentroidRequirement, _: Given) -> Values:
    return edges.centre(spectra, place_of(asked), "centroid")


def _place(spectra: SpectrumSet, asked: ExtremePlaceRequirement, _: Given) -> Values:
    extreme: edges.Extreme = "maximum" if asked.what == "place of maximum" else "minimum"
    return edges.place_of_extreme(spectra, place_of(asked), extreme, asked.peak)


def _value(spectra: SpectrumSet, asked: ExtremeValueRequirement, _: Given) -> Values:
    extreme: edges.Extreme = "maximum" if asked.what == "value at maximum" else "minimum"
    return edges.extreme_value(spectra, place_of(asked), extreme, asked.peak)


TAKERS_OF_EDGES: Mapping[type[Requirement], Taker] = {
    EdgeRequirement: _edge,
    SteepnessRequirement: _steepness,
    WidthRequirement: _width,
    MiddleRequirement: _middle,
    CentroidRequirement: _centroid,
    ExtremePlaceRequirement: _place,
    ExtremeValueRequirement: _value,
}
