"""Events as a person reads them."""

from datetime import UTC, datetime

import pytest

from speclake.api.eventwords import details_told, named
from speclake.archive.rows import EventKind, EventRow


def told(kind: EventKind, **details: str) -> str:
    at = datetime(2026, 5, 4, tzinfo=UTC)
    event = EventRow(
        event_id="e", kind=kind, subject="m", details=details, who="ada", why="a look", at=at
    )
    return details_told(event)


def test_reviews_name_what_they_end_and_what_stands() -> None:
    assert told(EventKind.PUT_ASIDE) == ""
    assert told(EventKind.RELEASE, ends="dust; lamp") == "ends the review for: dust; lamp"
    said = told(EventKind.PUT_ASIDE, failure="holmium of bench 1", standing_by="ada",
                standing_why="dust; lamp")  # fmt: skip
    assert said == "for holmium of bench 1, under review for: dust; lamp"


def test_corrections_are_told_without_the_names_of_fields() -> None:
    said = told(EventKind.CORRECT, operation="levelled at a change-over", derived_id="d1",
                at_nm="860", side_kept="shorter", factor="1.003")  # fmt: skip
    assert said.startswith(
        "levelled at a change-over (at 860 nm, keeping the side of shorter wavelengths, "
        "times 1.003): spectrum d1 beside"
    )
    said = told(EventKind.CORRECT, standard="mirror", certificate="certificate 26-010")
    assert "(standard mirror, certificate 26-010)" in said


@pytest.mark.parametrize(
    ("number", "expected"), [("R-14", "report R-14"), ("report 26-014", "report 26-014")]
)
def test_what_a_number_is_of_is_said_once(number: str, expected: str) -> None:
    assert named("report", number) == expected
