"""Which of the three times is trusted, and what an impossible order looks like."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from speclake.intake.times import Times, resolve_times

ARRIVED = datetime(2026, 5, 4, 12, 0, tzinfo=UTC)
LISBON = ZoneInfo("Europe/Lisbon")  # one hour ahead of UTC in May


def times(
    scanned: str | None,
    *,
    saved_minutes_before: float | None = 5,
    zone: ZoneInfo | None = LISBON,
) -> Times:
    saved = (
        None if saved_minutes_before is None else ARRIVED - timedelta(minutes=saved_minutes_before)
    )
    return resolve_times(scanned, saved, ARRIVED, zone, timedelta(minutes=2))


def test_scan_time_without_offset_is_read_in_the_zone_of_the_settings() -> None:
    resolved = times("2026-05-04T12:30:10")
    assert resolved.scanned_at == datetime(2026, 5, 4, 11, 30, 10, tzinfo=UTC)
    assert resolved.trusted_at == resolved.scanned_at
    assert resolved.trusted_time.startswith("scanned:")
    assert resolved.time_notes == ()


def test_scan_time_of_an_unknown_zone_stays_text() -> None:
    resolved = times("2026-05-04T12:30:10", zone=None)
    assert resolved.scanned_at is None
    assert resolved.scanned_text == "2026-05-04T12:30:10"
    assert resolved.trusted_time.startswith("saved:")
    assert "no time zone" in resolved.time_notes[0]


def test_scan_after_saving_is_flagged_and_not_trusted() -> None:
    resolved = times("2026-05-04T14:30:10+01:00", saved_minutes_before=60)
    assert resolved.trusted_time.startswith("saved:")
    assert [("scanned" in n, "saved" in n or "arrived" in n) for n in resolved.time_notes] == [
        (True, True),
        (True, True),
    ]


def test_file_from_the_future_is_flagged_and_the_scan_time_trusted() -> None:
    resolved = times("2026-05-04T12:30:10", saved_minutes_before=-60)
    assert resolved.trusted_time.startswith("scanned:")
    (note,) = resolved.time_notes
    assert note.startswith("saved at") and "arrived" in note


def test_small_skew_is_not_remarked() -> None:
    assert times("2026-05-04T12:56:30", saved_minutes_before=5).time_notes == ()


def test_bare_date_gives_way_to_a_file_saved_on_that_day() -> None:
    resolved = times("2026-05-04")
    assert resolved.scanned_precision_s == 86_400
    assert resolved.trusted_at == resolved.saved_at


@pytest.mark.parametrize(
    ("text", "step"),
    [
        ("2026-05-04T10:12", 60.0),
        ("2026-05-04T10:12+02:00", 60.0),
        ("2026-05-04T10:12:07Z", 1.0),
        ("2026-05-04T10:12:07.125+02:00", 1e-3),
        ("2026-05-04", 86_400.0),
    ],
)
def test_step_of_the_clock_is_what_the_text_shows(text: str, step: float) -> None:
    assert times(text).scanned_precision_s == pytest.approx(step)


def test_nothing_known_means_the_arrival_counts() -> None:
    resolved = times(None, saved_minutes_before=None)
    assert (resolved.trusted_at, resolved.trusted_time.split(":")[0]) == (ARRIVED, "arrived")


@pytest.mark.parametrize(
    "text", ["0001-01-01T00:00:00", "0001-01-01T00:00:00+05:00", "9999-12-31T23:59:59-05:00"]
)
def test_time_that_no_calendar_holds_is_noted_and_not_used(text: str) -> None:
    resolved = times(text, zone=ZoneInfo("Asia/Tokyo"))
    assert resolved.scanned_at is None and resolved.scanned_text == text
    assert resolved.trusted_time.startswith("saved:")
    assert "outside the years" in resolved.time_notes[0]


@pytest.mark.parametrize(
    ("text", "readings"),
    [
        # Lisbon sets its clocks at 01:00 UTC on the last Sunday of March and of October
        # (Directive 2000/84/EC, articles 2 and 3)
        ("2026-10-25T01:30:00", ("2026-10-25T00:30:00+00:00", "2026-10-25T01:30:00+00:00")),
        ("2026-03-29T01:30:00", ("2026-03-29T01:30:00+00:00", "2026-03-29T00:30:00+00:00")),
    ],
)
def test_hour_that_the_clock_showed_twice_or_never_is_not_trusted(
    text: str, readings: tuple[str, str]
) -> None:
    resolved = times(text)
    assert resolved.scanned_at is None and resolved.scanned_text == text
    assert resolved.trusted_time.startswith("saved:")
    assert all(reading in resolved.time_notes[0] for reading in readings)


@pytest.mark.parametrize("text", ["2026-10-25T00:59:59", "2026-10-25T02:00:00"])
def test_hours_beside_the_change_of_clocks_are_trusted(text: str) -> None:
    assert times(text).scanned_at is not None
