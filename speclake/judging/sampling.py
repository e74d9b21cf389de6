"""What a sampling plan lets through: its operating characteristic."""

import math

from speclake.specs.sampling import Plan


def acceptance_probability(plan: Plan, nonconforming: float) -> float:
    """Probability that a plan accepts a lot, by the binomial distribution.

    It holds for a lot that is large beside the sample (common practice: ten times).

    Parameters
    ----------
    nonconforming : share of the parts of the lot that do not conform, from 0 to 1.

    References
    ----------
    The sum of the binomial distribution up to the acceptance number; elementary.

    Examples
    --------
    >>> round(acceptance_probability(Plan(2, 0, "two coins"), 0.5), 3)
    0.25
    """
    if nonconforming in (0.0, 1.0):
        return 1.0 if nonconforming == 0.0 or plan.accept >= plan.sample_size else 0.0
    n, good, bad = plan.sample_size, math.log1p(-nonconforming), math.log(nonconforming)
    # in logarithms, since the number of ways soon exceeds every float
    ways = math.lgamma(n + 1)
    return math.fsum(
        math.exp(
            ways
            - math.lgamma(failed + 1)
            - math.lgamma(n - failed + 1)
            + failed * bad
            + (n - failed) * good
        )
        for failed in range(min(plan.accept, n) + 1)
    )
