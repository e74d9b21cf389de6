"""What people of the house put on record beside the exports; the people are invented roles."""

from dataclasses import dataclass

from speclake_demo.turntable import CLEANED_FILTER, FILTER, LATE_EDGE_FILTER


@dataclass(frozen=True)
class Counted:
    """The word that of the scans of a part in one place the latest counts alone."""

    product: str
    serial: str
    who: str
    why: str


@dataclass(frozen=True)
class Conceded:
    """The word that a part is accepted although a requirement failed."""

    product: str
    serial: str
    requirement: str
    who: str
    why: str


COUNTED = Counted(
    FILTER,
    CLEANED_FILTER,
    who="op 9",
    why="the first scan was made with a fingerprint on the filter, see the photograph (invented)",
)
CONCEDED = Conceded(
    FILTER,
    LATE_EDGE_FILTER,
    requirement="cut-on",
    who="op 9",
    why="goes into the house's own test stand, which needs no edge before 555 nm (invented)",
)
