"""What people of the house put on record beside the exports; the people are invented roles."""

from dataclasses import dataclass
from datetime import datetime

from speclake_demo.clock import at
from speclake_demo.troubles import JOLT_WHILE, LAMP_CHANGED, STEP_WHILE
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


@dataclass(frozen=True)
class Work:
    """What was done to an instrument, over a range in nm."""

    instrument: str
    what: str
    when: datetime
    range_nm: tuple[float, float]
    who: str
    why: str


@dataclass(frozen=True)
class Report:
    """A report that went to a customer, on all scans of a lot."""

    number: str
    customer: str
    product: str
    lot: str
    who: str
    why: str


@dataclass(frozen=True)
class Aside:
    """Sites of a part whose scans wait for a review."""

    product: str
    serial: str
    segment: str
    sites: tuple[str, ...]
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
WORK = (
    Work(
        "bench A",
        "lamp change",
        LAMP_CHANGED,
        (200.0, 320.0),
        who="op 1",
        why="the deuterium lamp had run 1,020 h and grown noisy (invented)",
    ),
    Work(
        "bench A",
        "service",
        at(5, 4, 17),
        (870.0, 2500.0),
        who="op 9",
        why="yearly service, the second detector was taken out and put back (invented)",
    ),
    Work(
        "bench A",
        "realignment",
        STEP_WHILE[1],
        (870.0, 2500.0),
        who="op 9",
        why="both detectors see the same spot again (invented)",
    ),
    Work(
        "bench E",
        "realignment",
        JOLT_WHILE[1],
        (400.0, 950.0),
        who="op 9",
        why="the bench had been moved on Wednesday evening and its grating had shifted (invented)",
    ),
)
REPORT = Report(
    "26-014",
    "customer 2",
    FILTER,
    "EF4",
    who="op 9",
    why="delivery of the lot (invented)",
)
ASIDE = Aside(
    "deep-UV wafer",
    "W2601-03",
    "deep UV",
    ("8", "9", "10"),
    who="op 3",
    why="the nitrogen bottle ran dry; to be scanned again below 200 nm (invented)",
)
