"""Numbers of checks and figures of scans as courses over time, with words for each."""

import math
from collections.abc import Iterable, Mapping, Sequence
from statistics import median
from typing import Any

from speclake_dashboards.courses import Course, Courses, Point, shortened
from speclake_dashboards.curves import stroke_of
from speclake_dashboards.digits import MOST_DECIMALS, fixed
from speclake_dashboards.theme import number
from speclake_dashboards.timeline import Work

MOST_COURSES = 8
LAST_FEW = 5
FIGURE_WORDS = {"noise": "noise, rms", "step": "step at the change-over"}


def errors(rows: Sequence[Mapping[str, Any]], works: Sequence[Work]) -> Courses:
    """Errors of a check over time, or its values where nothing is expected; rows oldest first."""
    with_errors = [row for row in rows if row["error"] is not None]
    what = "error" if with_errors else "value"
    by_place: dict[str, list[Point]] = {}
    for row in with_errors or rows:
        if row[what] is None:
            continue
        place = _place_of(row)
        name = "" if place is None else f"{number(place)} nm"
        point = Point(row["taken_at"], row[what], row["uncertainty"], row["measurement_id"])
        by_place.setdefault(name or rows[0]["check"], []).append(point)
    last = rows[-1]
    found = [Course(name, tuple(points)) for name, points in by_place.items()]
    return Courses(
        shortened(found[:MOST_COURSES]),
        f"{what} of {last['check']}",
        last["unit"],
        tuple(works),
        low=last["low"],
        high=last["high"],
    )


def figures(rows: Iterable[Mapping[str, Any]], figure: str, works: Sequence[Work]) -> list[Courses]:
    """Figures of scans over time, one picture for each unit; rows oldest first.

    Noise is drawn for each stretch apart, a step for each change-over; those with most scans
    first where there are too many.
    """
    by_unit: dict[str, dict[str, list[Point]]] = {}
    for row in rows:
        # what was in the beam differs from scan to scan more than each noise is uncertain
        known = row["uncertainty"] if figure == "step" else None
        point = Point(row["trusted_at"], row["value"], known, row["measurement_id"])
        place = _place(row) if figure == "noise" else f"at {number(row['at'])} nm"
        by_unit.setdefault(row["unit"], {}).setdefault(place, []).append(point)
    return [
        Courses(
            shortened(
                sorted(
                    (Course(place, tuple(points)) for place, points in places.items()),
                    key=lambda course: -len(course.points),
                )[:MOST_COURSES]
            ),
            FIGURE_WORDS[figure],
            unit,
            tuple(works),
            is_logarithmic=figure == "noise"
            and all(point.value > 0 for points in places.values() for point in points),
            joined=0.2,
        )
        for unit, places in by_unit.items()
    ]


def _place(row: Mapping[str, Any]) -> str:
    return f"{number(row['start'])} to {number(row['stop'])} nm"


def summary(course: Course, unit: str) -> str:
    """A course in one sentence: how many, the usual number, and the last few against it."""
    values = [point.value for point in course.points]
    usual, last = median(values), median(values[-LAST_FEW:])
    told = f"{len(values)} scan{'' if len(values) == 1 else 's'}, median {number(usual, 3)} {unit}"
    if len(values) <= LAST_FEW:
        return told
    return f"{told}; of the last {LAST_FEW}, {number(last, 3)} {unit}"


def strokes(shown: Courses) -> list[tuple[str, str]]:
    """Colour and stroke of each course of a picture."""
    return [stroke_of(index) for index in range(len(shown.courses))]


def legend(shown: Courses) -> list[tuple[tuple[str, str], str]]:
    """Look and name of each course of a picture."""
    return list(zip(strokes(shown), (each.name for each in shown.courses), strict=True))


def told(row: Mapping[str, Any]) -> dict[str, Any]:
    """One number of a run as texts for a table.

    The uncertainty has two digits, value and error end where it does.
    """
    place, decimals = _place_of(row), _decimals(row["uncertainty"])
    return {
        "at": "" if place is None else f"{number(place)} nm",
        "expected": _text(row["expected"]),
        "value": _text(row["value"], decimals),
        "error": _text(row["error"], decimals),
        "uncertainty": _text(row["uncertainty"], decimals),
        "limits": _limits(row["low"], row["high"]),
        "unit": row["unit"],
        "outcome": str(row["outcome"]),
        "reason": row["reason"] or "",
        "standard": ", ".join(filter(None, (row["standard"], row["certificate"]))),
    }


def _place_of(row: Mapping[str, Any]) -> float | None:
    """Where a number was taken: a band is found a little elsewhere each time, yet is the same."""
    place: float | None = row["expected"] if row["what"] == "band positions" else row["at"]
    return place


def _decimals(uncertainty: float | None) -> int | None:
    """Decimals of two digits of an uncertainty, None where none is known."""
    if uncertainty is None or not math.isfinite(uncertainty) or uncertainty <= 0:
        return None
    return min(max(1 - math.floor(math.log10(uncertainty)), 0), MOST_DECIMALS)


def _text(value: float | None, decimals: int | None = None) -> str:
    if value is None:
        return ""
    return number(value) if decimals is None else fixed(value, decimals)


def _limits(low: float | None, high: float | None) -> str:
    if low is not None and high is not None:
        return f"{number(low)} to {number(high)}"
    if low is not None:
        return f"at least {number(low)}"
    return "" if high is None else f"at most {number(high)}"
