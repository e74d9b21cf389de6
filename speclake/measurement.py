"""What a measurement is: the one record of everything known about a scan, and its vocabulary.

Unknown stays unknown: a field that nobody stated is None, and later evidence adds it as an event.
"""

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Any, Literal

from speclake.spectrum import ScanDirection
from speclake.units import AxisUnit, Medium, Quantity, ValueUnit


class Kind(StrEnum):
    """What was in the beam. Not every spectrum is of a part."""

    PART = "part"
    WITNESS = "witness piece"
    CHECK = "check piece"
    STANDARD = "standard"
    BLANK = "blank"
    ZERO_LINE = "zero line"
    REFERENCE = "reference"
    UNKNOWN = "unknown"


class Correction(StrEnum):
    """What the numbers of a ratio instrument were multiplied with."""

    RAW_RATIO = "raw ratio"
    TIMES_CERTIFICATE = "ratio times certificate"
    ABSOLUTE = "absolute"


class LinkKind(StrEnum):
    """How one measurement stands to another."""

    MEASURED_AGAINST = "measured against"
    REPEAT_OF = "repeat of"
    WITNESS_FOR = "witness for"
    SEGMENT_OF = "segment of"
    SUPERSEDES = "supersedes"
    SAME_VALUES_AS = "same values as"


FieldType = Literal["text", "number", "flag", "time"]

PART_FIELDS: dict[str, FieldType] = {
    "order_number": "text",
    "customer": "text",
    "product": "text",
    "coating_run": "text",
    "fixture_position": "text",
    "lot": "text",
    "sample": "text",
    "serial": "text",
    "side": "text",
    "substrate": "text",
    "substrate_thickness_mm": "number",
    "stage": "text",
    "site": "text",
    "x_mm": "number",
    "y_mm": "number",
    "segment": "text",
}
"""Which part, and where on it."""

SETUP_FIELDS: dict[str, FieldType] = {
    "kind": "text",
    "run": "text",
    "instrument": "text",
    "accessory": "text",
    "method": "text",
    "operator": "text",
    "comment": "text",
    "angle_deg": "number",
    "polarisation": "text",
    "geometry": "text",
    "port": "text",
    "correction": "text",
    "bounces": "number",
    "zero_line_applied": "flag",
    "smoothed": "flag",
    "clipped": "flag",
}
"""How it was measured and what was done to the numbers."""

HEADER_ONLY_FIELDS: dict[str, FieldType] = {
    "scanned": "time",
    "medium": "text",
    "bandwidth_nm": "number",
    "interval_nm": "number",
    "response_s": "number",
    "changeovers_nm": "text",
    "measured_against": "text",
    "repeat_of": "text",
    "witness_for": "text",
    "segment_of": "text",
    "baseline_at": "time",
    "purge_min": "number",
    "oxygen_ppm": "number",
    "averages": "number",
}
"""Fields that an importer or a run sheet may state but no person later.

They become times, ranges, links, and what is known of the beam's path while it was scanned.
"""

BEAM_FIELDS = ("baseline_at", "purge_min", "oxygen_ppm", "averages")
"""Header-only fields that a measurement keeps under their own names."""

ASSIGNABLE: dict[str, FieldType] = PART_FIELDS | SETUP_FIELDS
"""Fields that a person may assign later, as an event."""

FIELDS: dict[str, FieldType] = ASSIGNABLE | HEADER_ONLY_FIELDS
"""Every name that a format, a pattern or a run sheet may use."""

IDENTITY_FIELDS = (
    "order_number", "coating_run", "lot", "sample", "serial", "side", "stage", "site",
    "segment", "angle_deg", "polarisation", "instrument", "accessory",
)  # fmt: skip
"""What tells one scan of the lab from another, beside its time."""


@dataclass(frozen=True, slots=True)
class Range:
    """How one stretch of the axis was measured; both ends in the unit of the axis."""

    start: float
    stop: float
    bandwidth_nm: float | None = None
    interval_nm: float | None = None
    response_s: float | None = None
    detector: str | None = None


@dataclass(frozen=True, slots=True)
class Link:
    """A link to another measurement, by identifier, or by the name that a header gives."""

    kind: LinkKind
    target: str
    by_name: bool
    evidence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """One scan as it was taken in. Never rewritten; events and later links stand beside it.

    Times are aware and in UTC. `scanned_precision_s` is the step of the clock that the header
    shows (1 for seconds, 60 for minutes, 86400 for a bare date). `trusted_at` is the time that
    searches and charts use, and `trusted_time` says which of the three it is and why.
    `origin` tells for every resolved field where it came from (``header``, ``pattern bench``,
    ``run sheet monday.csv``). `unresolved` lists in words what could not be resolved.
    """

    measurement_id: str
    # where it came from
    file_id: str
    file: str
    place: str
    importer: str
    importer_version: str
    format: str | None = None
    scan_sha256: str
    values_sha256: str
    header: Mapping[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    # what it is
    kind: Kind = Kind.UNKNOWN
    quantity: Quantity
    unit: ValueUnit
    axis_id: str
    axis_unit: AxisUnit
    medium: Medium | None = None
    points: int
    axis_first: float
    axis_last: float
    scan_direction: ScanDirection
    correction: Correction | None = None
    bounces: int | None = None
    zero_line_applied: bool | None = None
    smoothed: bool | None = None
    clipped: bool | None = None
    # how it was measured
    run: str | None = None
    instrument: str | None = None
    accessory: str | None = None
    method: str | None = None
    angle_deg: float | None = None
    polarisation: str | None = None
    geometry: str | None = None
    """Which light was gathered: ``total``, ``regular`` or ``diffuse``."""
    port: str | None = None
    """What closed the exit port of an integrating sphere, as ``white standard``, ``light trap``."""
    ranges: tuple[Range, ...] = ()
    changeovers: tuple[float, ...] = ()
    baseline_at: datetime | None = None
    """When the baseline was measured that it was corrected with."""
    purge_min: float | None = None
    """For how many minutes the beam's path had been purged."""
    oxygen_ppm: float | None = None
    """What a sensor told of the purged path."""
    averages: float | None = None
    """Scans that were averaged."""
    operator: str | None = None
    comment: str | None = None
    # which part
    order_number: str | None = None
    customer: str | None = None
    product: str | None = None
    coating_run: str | None = None
    fixture_position: str | None = None
    lot: str | None = None
    sample: str | None = None
    serial: str | None = None
    side: str | None = None
    substrate: str | None = None
    substrate_thickness_mm: float | None = None
    stage: str | None = None
    site: str | None = None
    x_mm: float | None = None
    y_mm: float | None = None
    segment: str | None = None
    origin: Mapping[str, str] = field(default_factory=dict)
    unresolved: tuple[str, ...] = ()
    # when
    scanned_at: datetime | None = None
    scanned_text: str | None = None
    scanned_precision_s: float | None = None
    saved_at: datetime | None = None
    arrived_at: datetime
    trusted_at: datetime
    trusted_time: str
    time_notes: tuple[str, ...] = ()
    # how it stands to others
    links: tuple[Link, ...] = ()
    conflict: str | None = None

    @property
    def identity(self) -> tuple[str, ...]:
        """Identity in canonical text: the fields of `IDENTITY_FIELDS` and the time of the scan."""
        return identity_of(lambda name: getattr(self, name))


def time_of(trusted_at: datetime, scanned_at: datetime | None) -> str:
    """What the trusted time is that of, in a word: of the ``scan``, or only of the ``file``."""
    return "scan" if trusted_at == scanned_at else "file"


def identity_of(field_named: Callable[[str], Any]) -> tuple[str, ...]:
    """Identity from the fields of a measurement, whatever holds them."""
    parts = ["" if (value := field_named(name)) is None else str(value) for name in IDENTITY_FIELDS]
    scanned_at = field_named("scanned_at")
    scanned = scanned_at.isoformat() if scanned_at else field_named("scanned_text")
    return (*parts, scanned or "", field_named("quantity"))


def measurement_id(
    scan_sha256: str, place: str, identity: tuple[str, ...], reader: tuple[str, ...]
) -> str:
    """Identifier of a measurement, the same on every retry.

    Parameters
    ----------
    scan_sha256 : hash of the scan's content.
    place : where in the file it stands.
    identity : `Measurement.identity`.
    reader : importer, its version, and the format with its version.
    """
    text = "\x1f".join((scan_sha256, place, *identity, *reader))
    return hashlib.sha256(text.encode()).hexdigest()[:32]
