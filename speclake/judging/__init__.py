"""Specifications against spectra: verdicts, their explanation, and parts and lots as a whole."""

from speclake.judging.conditions import JUDGED_KINDS, Conditions
from speclake.judging.deciding import OUTCOMES
from speclake.judging.explaining import explain
from speclake.judging.judgement import ENGINE_VERSION, Column, Judgement, judge_columns
from speclake.judging.rollup import (
    AssignedAway,
    Beside,
    LotPart,
    LotVerdict,
    PartRecord,
    PartVerdict,
    RepeatedPlace,
    lot_outcome,
    part_outcome,
)
from speclake.judging.verdict_rows import judge, verdicts
from speclake.specs.verdicts import AS_EXPORTED

__all__ = [
    "AS_EXPORTED",
    "ENGINE_VERSION",
    "JUDGED_KINDS",
    "OUTCOMES",
    "AssignedAway",
    "Beside",
    "Column",
    "Conditions",
    "Judgement",
    "LotPart",
    "LotVerdict",
    "PartRecord",
    "PartVerdict",
    "RepeatedPlace",
    "explain",
    "judge",
    "judge_columns",
    "lot_outcome",
    "part_outcome",
    "verdicts",
]
