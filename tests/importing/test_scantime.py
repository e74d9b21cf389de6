"""A time of a scan keeps its precision and its offset, and is left out where it is not certain."""

import pytest

from speclake.importing.formats import Scanned
from speclake.importing.scantime import scan_time


def rules(*patterns: str, zone: str | None = "Europe/Berlin") -> Scanned:
    return Scanned(entries=["Date"], patterns=list(patterns), zone=zone)


@pytest.mark.parametrize(
    ("pattern", "text", "expected"),
    [
        ("%d.%m.%Y", "04.05.2026", "2026-05-04"),
        ("%Y-%m-%d %H", "2026-05-04 10", "2026-05-04T10+02:00"),
        ("%d/%m/%Y %H:%M", "04/05/2026 10:12", "2026-05-04T10:12+02:00"),
        ("%m/%d/%Y %I:%M:%S %p", "05/04/2026 12:12:30 AM", "2026-05-04T00:12:30+02:00"),
        ("%Y-%m-%d %H:%M:%S.%f", "2026-05-04 10:12:30.25", "2026-05-04T10:12:30.25+02:00"),
        ("%Y-%m-%d %H:%M:%S.%f", "2026-05-04 10:12:30.000", "2026-05-04T10:12:30.000+02:00"),
        ("%d %b %y %H:%M:%S", "4 Jan 26 10:12:30", "2026-01-04T10:12:30+01:00"),
        ("%Y-%m-%dT%H:%M:%S%z", "2026-05-04T10:12:30-0330", "2026-05-04T10:12:30-03:30"),
        ("%Y-%m-%dT%H:%M:%S%z", "2026-05-04T10:12:30Z", "2026-05-04T10:12:30+00:00"),
        ("%Y年%m月%d日 %H:%M", "2026年05月04日 10:12", "2026-05-04T10:12+02:00"),
    ],
)
def test_precision_stays_as_written(pattern, text, expected) -> None:
    time = scan_time(text, rules(pattern))
    assert (time.text, time.note) == (expected, None)


def test_offset_instead_of_a_zone() -> None:
    time = scan_time("2026-05-04 10:12", rules("%Y-%m-%d %H:%M", zone="-03:30"))
    assert time.text == "2026-05-04T10:12-03:30"


def test_time_without_a_zone_stays_without_offset_and_says_so() -> None:
    time = scan_time("2026-05-04 10:12", rules("%Y-%m-%d %H:%M", zone=None))
    assert time.text == "2026-05-04T10:12"
    assert time.note == "scan time without a time zone: the format names none"


@pytest.mark.parametrize(
    "text",
    ["2026-02-30 10:12", "2026-05-04 24:01", "soon", "", "\uff12026-05-04 10:12", "26-05-04 10:12"],
)
def test_impossible_time_is_left_out(text) -> None:
    time = scan_time(text, rules("%Y-%m-%d %H:%M"))
    assert time.text is None
    assert time.note == f"scan time not read: found {text!r}; expected '%Y-%m-%d %H:%M'"


def test_text_that_two_patterns_read_differently_is_left_out() -> None:
    both = rules("%d/%m/%Y", "%m/%d/%Y")
    assert scan_time("13/05/2026", both).text == "2026-05-13"
    time = scan_time("04/05/2026", both)
    assert time.text is None
    assert time.note is not None
    assert "2026-05-04" in time.note
    assert "2026-04-05" in time.note


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("2026-10-25 02:30", "has twice on that day"),
        ("2026-03-29 02:30", "does not have on that day"),
    ],
)
def test_hour_around_the_change_of_clocks_is_left_out(text, reason) -> None:
    """Clocks in the European Union change on the last Sunday of March and October at 01:00 UTC.

    Directive 2000/84/EC, articles 2 and 3 (from memory).
    """
    time = scan_time(text, rules("%Y-%m-%d %H:%M"))
    assert time.text is None
    assert time.note is not None
    assert reason in time.note
