"""The three times of a measurement: scanned, saved, arrived; which one is trusted, and why."""

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Any

DAY_S = 86_400.0


@dataclass(frozen=True)
class Times:
    """Times as `speclake.measurement.Measurement` keeps them."""

    scanned_at: datetime | None
    scanned_text: str | None
    scanned_precision_s: float | None
    saved_at: datetime | None
    arrived_at: datetime
    trusted_at: datetime
    trusted_time: str
    time_notes: tuple[str, ...]

    def as_fields(self) -> dict[str, Any]:
        """Keyword arguments of a measurement."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__}


def resolve_times(
    scanned: str | None,
    saved_at: datetime | None,
    arrived_at: datetime,
    zone: tzinfo | None,
    skew: timedelta,
) -> Times:
    """Times of a scan with impossible orders remarked, in words.

    Parameters
    ----------
    scanned : ISO 8601 text of the header, with or without an offset, or a bare date.
    saved_at : modification time of the file; None when the bytes came without one.
    arrived_at : when the file was first seen complete.
    zone : time zone for text without an offset; without it such text stays text.
    skew : by how much clocks may disagree unremarked.
    """
    notes: list[str] = []
    scanned_at, precision = _parse(scanned, zone, notes)
    end_of_scan = scanned_at
    if scanned_at and saved_at and scanned_at > saved_at + skew:
        notes.append(_order("scanned", scanned_at, "saved", saved_at))
        end_of_scan = None
    if scanned_at and scanned_at > arrived_at + skew:
        notes.append(_order("scanned", scanned_at, "arrived", arrived_at))
        end_of_scan = None
    saved_is_possible = saved_at is not None
    if saved_at and saved_at > arrived_at + skew:
        notes.append(_order("saved", saved_at, "arrived", arrived_at))
        saved_is_possible = False
    trusted_at, why = _trusted(
        end_of_scan, precision, saved_at if saved_is_possible else None, arrived_at
    )
    return Times(
        scanned_at, scanned, precision, saved_at, arrived_at, trusted_at, why, tuple(notes)
    )


def time_of_day(text: str, zone: tzinfo | None) -> datetime:
    """Time in UTC of a text in ISO 8601 that tells a time of the day.

    Parameters
    ----------
    zone : time zone for text without an offset.

    Raises
    ------
    ValueError
        There is no such time, or it may be one of two; the message says what is expected.
    """
    notes: list[str] = []
    moment, precision = _parse(text, zone, notes)
    if moment is None or precision is None or precision >= DAY_S:
        raise ValueError("a date and a time of day with its offset, as 2026-05-04T10:12+02:00")
    return moment


def is_without_offset(scanned: str) -> bool:
    """Whether a scan time tells the clock's reading but not which clock's: it has no offset."""
    try:
        return datetime.fromisoformat(scanned).tzinfo is None
    except ValueError:
        return False


def _trusted(
    scanned: datetime | None, precision: float | None, saved: datetime | None, arrived: datetime
) -> tuple[datetime, str]:
    if scanned and precision is not None and precision < DAY_S:
        return scanned, "scanned: the header gives it and no clock contradicts it"
    if scanned and saved and scanned <= saved < scanned + timedelta(seconds=DAY_S):
        return saved, "saved: the header gives only the day, and the file was saved on it"
    if scanned:
        return scanned, "scanned: the header gives only the day"
    if saved:
        return saved, "saved: the header gives no usable time"
    return arrived, "arrived: neither header nor file gives a usable time"


def _order(later: str, later_at: datetime, earlier: str, earlier_at: datetime) -> str:
    return (
        f"{later} at {later_at.isoformat()}, which is after it was {earlier} "
        f"at {earlier_at.isoformat()}: a clock is wrong"
    )


def _parse(
    text: str | None, zone: tzinfo | None, notes: list[str]
) -> tuple[datetime | None, float | None]:
    """Time in UTC and the step that its text shows, in seconds."""
    if text is None:
        return None, None
    try:
        parsed = datetime.fromisoformat(text)
    except ValueError:
        notes.append(f"the scan time {text!r} is not a date and time")
        return None, None
    if parsed.tzinfo is None:
        if zone is None:
            notes.append(f"the scan time {text!r} has no time zone, and the settings name none")
            return None, _precision(text)
        parsed = parsed.replace(tzinfo=zone)
        if (later := parsed.replace(fold=1)).utcoffset() != parsed.utcoffset():
            notes.append(_two_readings(text, parsed, later))
            return None, _precision(text)
    try:
        return parsed.astimezone(UTC), _precision(text)
    except OverflowError:
        notes.append(f"the scan time {text!r} lies outside the years 1 to 9999")
        return None, None


def _two_readings(text: str, first: datetime, second: datetime) -> str:
    """Note on an hour that the clock showed twice in autumn, or skipped in spring."""
    readings = " or ".join(each.astimezone(UTC).isoformat() for each in (first, second))
    return (
        f"the scan time {text!r} falls into an hour in which the clocks were changed: it may be "
        f"{readings}"
    )


def _precision(text: str) -> float:
    time_of_day = re.split(r"[T ]", text, maxsplit=1)[1:]
    if not time_of_day:
        return DAY_S
    clock = re.split(r"[Zz+-]", time_of_day[0], maxsplit=1)[0]
    if fraction := re.search(r"[.,](\d+)$", clock):
        return float(10.0 ** -len(fraction[1]))
    return {0: 3600.0, 1: 60.0}.get(clock.count(":"), 1.0)
