"""Digits of a number with an uncertainty: JCGM 100:2008, 7.2.6, two digits of U at most."""

import math

import pytest

from speclake.specs.rounding import with_uncertainty


@pytest.mark.parametrize(
    ("value", "uncertainty", "expected"),
    [
        (0.000302014, 0.202812, "0.00"),
        (0.8046, 0.16, "0.80"),
        (100.02147, 0.00035, "100.02147"),  # the mass of 7.2.2 with u = 0.35 mg
        (1234.5, 250.0, "1230"),
        (0.99, 0.0997, "0.99"),  # U is 0.10 in two digits
        (90.25, None, "90.25"),
        (90.25, 0.0, "90.25"),
        (90.25, math.nan, "90.25"),
        (None, 0.1, ""),
    ],
)
def test_a_number_ends_where_its_uncertainty_ends(
    value: float | None, uncertainty: float | None, expected: str
) -> None:
    assert with_uncertainty(value, uncertainty) == expected
