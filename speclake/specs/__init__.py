"""The vocabulary of judging: specifications, which one applies, outcomes and verdicts."""

from speclake.specs.choosing import Pinned, choose, pin
from speclake.specs.model import Needs, Requirement, Specification
from speclake.specs.verdicts import SEVERITY, Outcome, Verdict, worst

__all__ = [
    "SEVERITY",
    "Needs",
    "Outcome",
    "Pinned",
    "Requirement",
    "Specification",
    "Verdict",
    "choose",
    "pin",
    "worst",
]
