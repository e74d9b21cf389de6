"""The vocabulary of judging: specifications, which one applies, outcomes and verdicts."""

from speclake.specs.choosing import choose, in_effect
from speclake.specs.model import Needs, Requirement, Specification
from speclake.specs.verdicts import SEVERITY, Outcome, Verdict, worst

__all__ = [
    "SEVERITY",
    "Needs",
    "Outcome",
    "Requirement",
    "Specification",
    "Verdict",
    "choose",
    "in_effect",
    "worst",
]
