"""A part from the verdicts on its spectra, and a lot from its parts."""

from speclake.judging.rollup.lots import LotPart, LotVerdict, lot_outcome
from speclake.judging.rollup.parts import PartVerdict, part_outcome
from speclake.judging.rollup.record import AssignedAway, Beside, PartRecord
from speclake.judging.rollup.repeated import Repeat, RepeatedPlace

__all__ = [
    "AssignedAway",
    "Beside",
    "LotPart",
    "LotVerdict",
    "PartRecord",
    "PartVerdict",
    "Repeat",
    "RepeatedPlace",
    "lot_outcome",
    "part_outcome",
]
