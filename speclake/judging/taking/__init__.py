"""From a requirement to its number: which computation a kind of requirement asks for."""

from collections.abc import Mapping

from speclake.judging.taking.angles import TAKERS_OF_ANGLES
from speclake.judging.taking.bands import TAKERS_OF_BANDS
from speclake.judging.taking.blocking import TAKERS_OF_BLOCKING
from speclake.judging.taking.coating import TAKERS_OF_COATING
from speclake.judging.taking.colour import TAKERS_OF_COLOUR, missing_extra
from speclake.judging.taking.edges import TAKERS_OF_EDGES
from speclake.judging.taking.given import Given, Taker
from speclake.judging.taking.haze import TAKERS_OF_HAZE
from speclake.judging.taking.noise import TAKERS_OF_NOISE
from speclake.judging.taking.shapes import TAKERS_OF_SHAPES
from speclake.judging.taking.weighted import TAKERS_OF_WEIGHTED
from speclake.specs import requirements

TAKERS: Mapping[type[requirements.Requirement], Taker] = {
    **TAKERS_OF_BANDS,
    **TAKERS_OF_EDGES,
    **TAKERS_OF_SHAPES,
    **TAKERS_OF_WEIGHTED,
    **TAKERS_OF_COLOUR,
    **TAKERS_OF_BLOCKING,
    **TAKERS_OF_COATING,
    **TAKERS_OF_NOISE,
    **TAKERS_OF_HAZE,
    **TAKERS_OF_ANGLES,
}
"""The computation of each kind of requirement.

Those on bands and positions are taken so after smoothing only, else by `speclake.judging.banded`.
"""

__all__ = ["TAKERS", "Given", "missing_extra"]
