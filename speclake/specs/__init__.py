"""The vocabulary of judging: specifications, which one applies, outcomes and verdicts."""

from speclake.specs.choosing import choose, in_effect
from speclake.specs.model import Needs, Specification
from speclake.specs.requirements import (
    AnyRequirement,
    BandRequirement,
    Requirement,
    ValueRequirement,
)
from speclake.specs.verdicts import SEVERITY, Outcome, Verdict, worst

__all__ = [
    "SEVERITY",
    "AnyRequirement",
    "BandRequirement",
    "Needs",
    "Outcome",
    "Requirement",
    "Specification",
    "ValueRequirement",
    "Verdict",
    "choose",
    "in_effect",
    "worst",
]
