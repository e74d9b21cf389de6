"""The time of a scan as a header writes it, turned into ISO 8601 without inventing precision."""

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo

from speclake.importing.formats import Scanned


@dataclass(frozen=True)
class ScanTime:
    """A time of a scan in ISO 8601, or the reading note that says why there is none."""

    text: str | None
    note: str | None = None


def scan_time(text: str, rules: Scanned) -> ScanTime:
    """Time of a scan in ISO 8601, as fine as the header writes it and no finer.

    A bare date becomes ``2026-05-04``; hours ``2026-05-04T10+02:00``; minutes
    ``2026-05-04T10:12+02:00``; seconds ``2026-05-04T10:12:30+02:00``; hundredths
    ``2026-05-04T10:12:30.25+02:00``. Where the format names no zone and the text no offset, the
    offset is left out and a note says so. What is no date, what two patterns read differently,
    and an hour that the zone has twice or never, become a note and no time.
    """
    readings = {_parsed(text, pattern): pattern for pattern in rules.readable_patterns}
    readings.pop(None, None)
    if not readings:
        wanted = " or ".join(repr(pattern) for pattern in rules.readable_patterns)
        return ScanTime(None, f"scan time not read: found {text!r}; expected {wanted}")
    if len(readings) > 1:
        return ScanTime(
            None,
            f"scan time not read: {text!r} is {' or '.join(str(m) for m in readings)}, "
            "by which pattern is meant",
        )
    [(moment, pattern)] = readings.items()
    assert moment is not None
    return _in_zone(moment, pattern, text, rules.zone)


def _parsed(text: str, pattern: str) -> datetime | None:
    if any(sign.isdigit() and not sign.isascii() for sign in text):
        return None  # strptime takes the digits of any script
    try:
        return datetime.strptime(text, pattern)  # noqa: DTZ007 (the zone is added by _in_zone)
    except (ValueError, OverflowError):
        return None


def _in_zone(moment: datetime, pattern: str, text: str, zone: str | None) -> ScanTime:
    clock = _clock(moment, pattern, text)
    if not clock:
        return ScanTime(moment.date().isoformat())
    naive = f"{moment.date().isoformat()}T{clock}"
    if moment.tzinfo is None and zone is None:
        return ScanTime(naive, "scan time without a time zone: the format names none")
    if moment.tzinfo is None and zone is not None:
        place = _zone(zone)
        moment = moment.replace(tzinfo=place)
        if problem := _hour_problem(moment, place):
            return ScanTime(None, f"scan time not read: {text!r} is an hour that {zone} {problem}")
    return ScanTime(f"{naive}{_offset(moment)}")


def _clock(moment: datetime, pattern: str, text: str) -> str:
    """Time of day down to the finest part that the pattern names; empty for a bare date."""
    named = set(re.findall(r"%([a-zA-Z])", pattern))
    if named & {"f"}:
        return f"{moment:%H:%M:%S}.{_fraction(moment, text)}"
    if named & {"S", "T"}:
        return f"{moment:%H:%M:%S}"
    if named & {"M", "R"}:
        return f"{moment:%H:%M}"
    return f"{moment:%H}" if named & {"H", "I"} else ""


def _fraction(moment: datetime, text: str) -> str:
    """Digits of the fraction of a second, as many as the text has."""
    for digits in reversed(re.findall(r"[0-9]+", text)):
        if len(digits) <= 6 and int(digits.ljust(6, "0")) == moment.microsecond:
            return str(digits)
    return f"{moment.microsecond:06d}"


def _zone(name: str) -> tzinfo:
    if offset := re.fullmatch(r"([+-])(\d\d):(\d\d)", name):
        size = timedelta(hours=int(offset[2]), minutes=int(offset[3]))
        return timezone(-size if offset[1] == "-" else size)
    return ZoneInfo(name)


def _hour_problem(moment: datetime, zone: tzinfo) -> str | None:
    """Why a wall-clock time does not say one instant in its zone."""
    first, second = moment.replace(fold=0), moment.replace(fold=1)
    if first.utcoffset() == second.utcoffset():
        return None
    back = first.astimezone(UTC).astimezone(zone)
    is_there = back.replace(tzinfo=None) == moment.replace(tzinfo=None)
    return "has twice on that day" if is_there else "does not have on that day"


def _offset(moment: datetime) -> str:
    text = moment.strftime("%z")
    return f"{text[:3]}:{text[3:5]}"
