"""Thresholds from a budget of false alarms.

All detectors of noise share what one instrument may raise a day with nothing wrong. With m looks a
spectrum, each with its own chance of an alarm, the chance of one look is the share of its check
over m (Bonferroni), and the threshold is the two-sided quantile of the normal distribution.
"""

from statistics import NormalDist

from speclake.settings import Fitness

SHARES = 8
"""Detectors that share the budget: offset, spikes, steps in level, slope and noise, noise by
region, oxygen, water."""


def share(limits: Fitness) -> float:
    """Chance that one detector raises a false alarm on one spectrum.

    Examples
    --------
    >>> print(f"{share(Fitness()):.6f}")
    0.000417
    """
    return limits.false_alarms_a_day / limits.scans_a_day / SHARES


def threshold(limits: Fitness, looks: int = 1) -> float:
    """How many standard deviations, to either side, a detector lets pass.

    Parameters
    ----------
    looks : places or stretches of one spectrum at which the detector could raise an alarm.

    Examples
    --------
    >>> print(f"{threshold(Fitness()):.2f} {threshold(Fitness(), 2401):.2f}")
    3.53 5.23
    """
    return NormalDist().inv_cdf(1 - share(limits) / max(looks, 1) / 2)
