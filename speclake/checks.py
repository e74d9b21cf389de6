"""Names of the checks that may have something to say of a measurement."""

from enum import StrEnum


class Check(StrEnum):
    """What was looked at. A specification names those that block its verdicts."""

    # by intake
    CLOCKS = "clocks"
    IDENTICAL = "identical values"
    RUN_SHEETS = "run sheets"
    # of the spectrum itself
    COVERAGE = "coverage"
    SPACING = "spacing"
    MISSING = "missing values"
    SATURATION = "saturation"
    CLIPPING = "clipping"
    HELD = "held values"
    BEYOND = "beyond physical limits"
    OFFSET = "offset below zero"
    DIGITS = "coarse digits"
    SPIKE = "spike"
    CHANGE_OVER = "change-over"
    NOISE = "noise"
    OXYGEN = "oxygen bands"
    WATER = "water bands"
    FAILED = "not examined"
    # of what it was measured against
    BASELINE = "baseline"
    REFERENCE = "reference"
    LINE = "line not flat"
    # of the instrument, and by people
    UNFIT = "instrument unfit"
    STATE_UNKNOWN = "instrument state unknown"
    REVIEW = "under review"


class Severity(StrEnum):
    """How much a finding weighs."""

    REMARK = "remark"
    DOUBT = "doubt"
