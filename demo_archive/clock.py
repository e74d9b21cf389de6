"""The invented calendar: ten weeks of 2026, told by wall clocks that once jump to summer time."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

TIME_ZONE = "Europe/Lisbon"
"""Zone of the clocks on the benches; they print no offset."""

WEEKS = 10


def at(week: int, weekday: int, hour: int, minute: float = 0.0) -> datetime:
    """Time in UTC of a wall-clock time; week 0 is the first, weekday 0 is Monday."""
    first_monday = datetime(2026, 3, 2, tzinfo=ZoneInfo(TIME_ZONE))
    # Sums of an aware time and a span are taken on the wall clock, which is what is meant here.
    told = first_monday + timedelta(weeks=week, days=weekday, hours=hour, minutes=minute)
    return told.astimezone(UTC)


def wall(moment: datetime) -> datetime:
    """Wall-clock time of the benches."""
    return moment.astimezone(ZoneInfo(TIME_ZONE))
