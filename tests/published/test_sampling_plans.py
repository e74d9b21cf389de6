"""Single sampling plans for normal inspection, MIL-STD-105E and ISO 2859-1:1999.

The plans of the table are from memory. What holds them against the outside is what the standard is
built on, their operating characteristics:

- the binomial distribution of an independent library;
- the unity values of J. M. Cameron, Industrial Quality Control 9 (1952) 37, numbers of
  nonconforming parts np at which a plan with a large sample accepts with 95 %, 50 % and 10 %;
  from memory, three digits after the point;
- all plans accept a lot at its AQL with nearly the same high probability (introductions of both
  standards; between 0.87 and 0.995 by computation);
- the usual example of handbooks: 1,000 parts, level II, AQL 1.0 %: 80 parts, accept on 2.
"""

from decimal import Decimal

import pytest
from scipy.stats import binom

from speclake.judging.sampling import acceptance_probability
from speclake.specs.sampling import Plan, limits_of_quality, tabled_plan

LEVELS = ("S-1", "S-2", "S-3", "S-4", "I", "II", "III")
SIZES = (2, 9, 16, 26, 51, 91, 151, 281, 501, 1_201, 3_201, 10_001, 35_001, 150_001, 500_001)
PLANS = [
    (tabled_plan(size, level, aql), aql)
    for size in SIZES
    for level in LEVELS
    for aql in limits_of_quality()
]
UNITY = {
    0: (0.051, 0.693, 2.303), 1: (0.355, 1.678, 3.890), 2: (0.818, 2.674, 5.322),
    3: (1.366, 3.672, 6.681), 5: (2.613, 5.670, 9.275), 7: (3.981, 7.669, 11.771),
    10: (6.169, 10.668, 15.407), 14: (9.246, 14.668, 20.128),
}  # fmt: skip


def test_every_plan_accepts_a_lot_at_its_quality_limit_nearly_always():
    found = [acceptance_probability(plan, float(aql) / 100) for plan, aql in PLANS]
    assert min(found) > 0.87
    assert max(found) < 0.995


def test_the_operating_characteristic_is_the_binomial_distribution():
    shares = [0.0, 0.001, 0.01, 0.1, 0.5, 0.9, 1.0]
    for plan in {plan for plan, _ in PLANS}:
        for share in shares:
            expected = binom.cdf(plan.accept, plan.sample_size, share)
            assert acceptance_probability(plan, share) == pytest.approx(expected, abs=1e-11)


@pytest.mark.parametrize("accept", UNITY)
def test_large_samples_have_the_published_unity_values(accept):
    n = 10**7
    for expected, nonconforming in zip((0.95, 0.50, 0.10), UNITY[accept], strict=True):
        # np is rounded to 0.0005, and the curve falls by less than 1 for each 1 of np
        found = acceptance_probability(Plan(n, accept, ""), nonconforming / n)
        assert found == pytest.approx(expected, abs=6e-4)


def test_the_example_of_the_handbooks():
    assert tabled_plan(1000, "II", Decimal("1.0"))[:2] == (80, 2)


def test_a_stricter_limit_never_accepts_more_in_the_same_sample():
    # within one sample size the acceptance number rises with the AQL
    by_size: dict[int, dict[Decimal, int]] = {}
    for plan, aql in PLANS:
        by_size.setdefault(plan.sample_size, {})[aql] = plan.accept
    for found in by_size.values():
        accepted = [found[aql] for aql in sorted(found)]
        assert accepted == sorted(accepted)


def test_a_larger_lot_at_one_level_never_has_a_smaller_acceptance_number():
    for level in LEVELS:
        for aql in limits_of_quality():
            accepts = [tabled_plan(size, level, aql).accept for size in SIZES]
            assert accepts == sorted(accepts)
