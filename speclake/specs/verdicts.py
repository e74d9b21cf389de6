"""The vocabulary of judging: outcomes and verdicts. No arithmetic."""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

from speclake.specs.requirements.rules import Rule
from speclake.specs.rounding import Decision
from speclake.units import AxisUnit

AS_EXPORTED = "as exported"
"""What a verdict calls the spectrum of its measurement itself."""

Side = Literal["inside", "outside"]
Bound = Literal["exact", "at least", "at most"]


class Outcome(StrEnum):
    """What a requirement says of one spectrum."""

    PASS = "pass"
    FAIL = "fail"
    UNDECIDED = "undecided"
    NOT_MEASURABLE = "not measurable"
    INCOMPLETE = "incomplete"
    """Only of a part or a lot: something that the specification asks for is missing."""
    LAPSED = "lapsed"
    """An earlier verdict no longer applies, since more was learned of the measurement."""


SEVERITY = (
    Outcome.FAIL,
    Outcome.NOT_MEASURABLE,
    Outcome.UNDECIDED,
    Outcome.INCOMPLETE,
    Outcome.PASS,
)
"""Worst first: the outcome of several is the first of these that occurs among them.

What has lapsed is none of them: it says nothing any more.
"""


def worst(outcomes: Iterable[Outcome]) -> Outcome | None:
    """Outcome of several together, None where there are none."""
    found = set(outcomes)
    return next((outcome for outcome in SEVERITY if outcome in found), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """One requirement judged on one spectrum, with everything needed to say why.

    `value`, `low`, `high`, `margin` and `uncertainty` are in `unit`. `margin` is the distance of
    the value to the nearest limit, negative outside; under the decision ``rounded`` the value was
    rounded to the last digit of the limit before, and `value` is still the one found. `at` is the
    axis position that decided, in `at_unit`, the axis unit of the spectrum. `side` is the side of
    the limit on which an undecided value lies. `shown` is the value as it is printed: with as many
    digits as it takes to lie on the side of the limit that the outcome says.
    """

    measurement_id: str
    spectrum: str
    """Which spectrum was judged: ``as exported`` or the identifier of a derived one."""
    spec: str
    spec_version: str
    requirement: str
    description: str
    quantity: str
    unit: str
    value: float | None
    low: float | None
    high: float | None
    margin: float | None
    uncertainty: float | None
    at: float | None
    outcome: Outcome
    side: Side | None
    reason: str
    engine_version: str
    decision: Decision = "absolute"
    shown: str = ""
    bound: Bound = "exact"
    """Whether `value` is the value itself, or what the true one is at least, or at most."""
    at_unit: AxisUnit | None = None
    coverage_factor: float | None = None
    """The k with which `uncertainty` was expanded."""
    guard: float | None = None
    """Distance from a limit, in `unit`, within which the decision rule lets no value decide."""
    conformity: float | None = None
    """Probability that the true value lies inside the limits, from 0 to 1."""
    noise_bias: float | None = None
    """By how much noise alone moves a minimum or maximum outwards, with its sign, in `unit`."""
    drawn_from: tuple[str, ...] = ()
    """Other measurements that the number draws on, beside `measurement_id`."""
    rule: Rule = "simple acceptance"
    """How a value near a limit decides."""
