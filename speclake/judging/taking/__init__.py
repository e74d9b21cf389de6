"""From a requirement to its number: which computation a kind of requirement asks for."""

from collections.abc import Mapping

from speclake.judging.taking.edges import TAKERS_OF_EDGES
from speclake.judging.taking.given import Given, Taker
from speclake.judging.taking.shapes import TAKERS_OF_SHAPES
from speclake.specs.requirements import Requirement

TAKERS: Mapping[type[Requirement], Taker] = {**TAKERS_OF_EDGES, **TAKERS_OF_SHAPES}
"""The computation of each kind of requirement; those on bands and positions are in `judgement`."""

__all__ = ["TAKERS", "Given", "Taker"]
