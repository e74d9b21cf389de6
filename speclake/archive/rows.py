"""Rows of the archive's tables, and the batch that one commit adds."""

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import Literal

import numpy as np
import numpy.typing as npt

from speclake.checks import Check, Severity
from speclake.measurement import Measurement
from speclake.specs.verdicts import Outcome, Verdict
from speclake.spectrum import Axis
from speclake.units import Quantity


class FileOutcome(StrEnum):
    """What became of a file that was found in a watched folder."""

    TAKEN = "taken"
    REPEATED = "repeated"
    CONFLICT = "conflict"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True, kw_only=True)
class FileRow:
    """The ledger's line on one look at one file. Times in UTC; `note` in plain words."""

    file_id: str
    folder: str
    """Name of the watched folder in the settings, or ``by hand:`` and the folder's own path."""
    path: str
    """Path below the watched folder, with forward slashes."""
    size: int
    modified_ns: int
    sha256: str
    outcome: FileOutcome
    note: str
    place: str = ""
    found: str = ""
    expected: str = ""
    importer: str = ""
    importer_version: str = ""
    format: str = ""
    readers: str = ""
    """Fingerprint of all importers and formats that could be asked; a refusal is tried again
    when it changes."""
    measurements: int = 0
    arrived_at: datetime
    backfill: bool = False
    holds_original: bool = True
    """False where the bytes are already held under another file_id of the same sha256."""


def file_id(folder: str, path: str, modified_ns: int, sha256: str, readers: str) -> str:
    """Identifier of one reading of one state of one file, the same on every retry."""
    text = f"{folder}|{path}|{modified_ns}|{sha256}|{readers}"
    return hashlib.sha256(text.encode()).hexdigest()[:32]


@dataclass(frozen=True, slots=True)
class EncodedValues:
    """Values of one spectrum: integers times ten to `exponent`, or the float64 themselves.

    Exactly one of `integers` (int32) and `floats` is given; decoding gives every float64 back
    bit for bit.
    """

    exponent: int | None
    integers: npt.NDArray[np.int32] | None
    floats: npt.NDArray[np.float64] | None


@dataclass(frozen=True, slots=True)
class StoredSpectrum:
    """Values of one measurement (or derived spectrum) and the grid they stand on."""

    measurement_id: str
    axis_id: str
    values: EncodedValues


@dataclass(frozen=True, slots=True, kw_only=True)
class DerivedRow:
    """A spectrum computed from others: parents, operation, parameters, version."""

    derived_id: str
    parents: tuple[str, ...]
    operation: str
    parameters: Mapping[str, str]
    version: str
    unit: str
    axis_id: str
    values: EncodedValues


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingRow:
    """Something a fitness or intake check has to say about a measurement."""

    finding_id: str
    measurement_id: str
    check: Check
    severity: Severity
    text: str
    advice: str = ""
    """What to do about it."""
    value: float | None = None
    uncertainty: float | None = None
    """Expanded (k = 2), in `unit`."""
    unit: str | None = None
    at: float | None = None
    """Where it sits, in the unit of the axis."""
    start: float | None = None
    stop: float | None = None
    """The stretch of the axis that it speaks of, lower end first; None for all of it."""
    version: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureRow:
    """A number that a check took of a spectrum; the fields of `speclake.fitness.Figure`."""

    figure_id: str
    measurement_id: str
    name: str
    value: float
    uncertainty: float | None = None
    unit: str
    start: float
    stop: float
    at: float | None = None
    version: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class QualificationRow:
    """One number of a qualification run against its limits.

    `error` is `value` less `expected`; `uncertainty` (expanded, k = 2) is that of the error, and
    `low` and `high` are its limits, all in `unit`. `at` is the place on the axis in nm. A pass
    counts until `due_at`.
    """

    qualification_id: str
    measurement_id: str
    programme: str
    programme_version: str
    check: str
    """Name of the check in the programme."""
    what: str
    instrument: str
    accessory: str | None = None
    quantity: Quantity
    start_nm: float
    stop_nm: float
    standard: str | None = None
    certificate: str | None = None
    """Identification on the certificate."""
    certificate_version: str | None = None
    """Name of its content, by which `StandardRow` keeps it."""
    taken_at: datetime
    at: float | None = None
    expected: float | None = None
    value: float | None = None
    error: float | None = None
    uncertainty: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str
    outcome: Outcome
    reason: str = ""
    due_at: datetime | None = None
    version: str = ""


class EventKind(StrEnum):
    """What people do."""

    ASSIGN = "assign"
    WITHDRAW = "withdraw"
    REINSTATE = "reinstate"
    LINK = "link"
    SETTLE_CONFLICT = "settle conflict"
    ADOPT_REVISION = "adopt revision"
    COUNT = "count"
    """Of several spectra of one place this one counts."""
    STATE_LOT = "state lot"
    CONCEDE = "concede"
    """A person accepts what failed: one event on the concession, one on each measurement."""
    REVOKE_CONCESSION = "revoke concession"
    SAVE_FORMAT = "save format"
    KEEP_VALIDATION = "keep validation"
    VALIDATE = "validate"
    NOTE = "note"
    LOG_INSTRUMENT = "log instrument"
    """What was done to an instrument; its subject is the instrument."""
    PUT_ASIDE = "put aside"
    """Measurements wait for a person's review; their verdicts are not measurable until then."""
    RELEASE = "release"
    ISSUE_REPORT = "issue report"
    """A report went to a customer: one event on its number, one on each measurement."""
    CORRECT = "correct"
    """A corrected spectrum was derived; the measurement's own stays as it is."""


PART_IS_TOLD_BY = ("kind", "product", "lot", "serial", "sample")
"""Fields that tell which part a measurement is of."""


PLACE_IS_TOLD_BY = ("site", "side", "stage")
"""Fields that tell where on the part, and when in its making, it was measured."""


def before(name: str) -> str:
    """Detail of an event of assignment that keeps what stood in a field before."""
    return f"{name} before"


TOLD_BEFORE = frozenset(before(name) for name in (*PART_IS_TOLD_BY, *PLACE_IS_TOLD_BY))
"""All details of an event of assignment that are no fields."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EventRow:
    """What a person did, to which measurement (or order), why. `details` are field to value."""

    event_id: str
    kind: EventKind
    subject: str
    """A measurement_id; the order or lot for ``adopt revision``, the lot for ``state lot``, the
    name for ``save format`` or of a validation pack, the concession for one of the events of
    ``concede``, the number of the report for one of ``issue report``, the instrument for ``log
    instrument``."""
    details: Mapping[str, str]
    who: str
    why: str
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class SpecificationRow:
    """A specification as resolved, so that a verdict can be made again."""

    spec_version: str
    spec: str
    revision: str
    content: str
    """The resolved specification as JSON."""
    first_used_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class StandardRow:
    """A certificate or a programme as it was used, so that a qualification can be made again."""

    standard_version: str
    sort: Literal["certificate", "programme"]
    name: str
    content: str
    """All that it says, as JSON."""
    first_used_at: datetime


@dataclass(frozen=True)
class Batch:
    """What one commit adds. Empty tables are not written."""

    measurements: tuple[Measurement, ...] = ()
    spectra: tuple[StoredSpectrum, ...] = ()
    axes: tuple[Axis, ...] = ()
    derived: tuple[DerivedRow, ...] = ()
    verdicts: tuple[Verdict, ...] = ()
    findings: tuple[FindingRow, ...] = ()
    figures: tuple[FigureRow, ...] = ()
    qualifications: tuple[QualificationRow, ...] = ()
    files: tuple[FileRow, ...] = ()
    events: tuple[EventRow, ...] = ()
    specifications: tuple[SpecificationRow, ...] = ()
    standards: tuple[StandardRow, ...] = ()
    originals: Mapping[str, bytes | Path] = field(default_factory=dict)
    """Bytes of each file by its sha256, or a copy of a file that is too long to be held."""

    def __bool__(self) -> bool:
        return any(
            (self.measurements, self.spectra, self.axes, self.derived, self.verdicts,
             self.findings, self.figures, self.qualifications, self.files, self.events,
             self.specifications, self.standards, self.originals)
        )  # fmt: skip


@dataclass(frozen=True)
class LongBatch:
    """What one commit adds where that is too much to be held at once.

    The parts are asked for once, and each is written before the next; their rows stand in the
    tables of one batch, one part after another. Given again after another writer was faster, the
    same object says that its parts would be the same.
    """

    parts: Iterable[Batch]
