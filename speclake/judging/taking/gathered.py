"""The measurements of one role brought together, so that a number is taken of many at once."""

from collections.abc import Callable, Sequence

import numpy as np

from speclake.judging.taking.given import Given, Partner
from speclake.quantities.values import Values
from speclake.spectrum import SpectrumSet

NOBODY_LOOKED = "it is a number of several measurements, and only one was given"


def leads(spectra: SpectrumSet, given: Given) -> list[Partner | str]:
    """Each spectrum of a set as a measurement of its own."""
    return [
        Partner(SpectrumSet(spectra.axis, spectra.values[[row]], spectra.unit, (key,)), conditions)
        for row, (key, conditions) in enumerate(zip(spectra.keys, given.conditions, strict=True))
    ]


def partners_as(role: str, n: int, given: Given) -> list[Partner | str]:
    """Measurement that fills a role for each of `n` leads, or why none does."""
    if not given.partners:
        return [NOBODY_LOOKED] * n
    return [each.get(role, NOBODY_LOOKED) for each in given.partners]


def numbers_of(
    members: Sequence[Partner | str],
    take: Callable[[SpectrumSet, Given], Values],
    hindrance: Callable[[Partner], str | None] = lambda _: None,
) -> Values:
    """One number of each member; those on one axis and in one unit are taken together.

    Parameters
    ----------
    take : gives the numbers of a set.
    hindrance : why a member cannot be taken; None if it can.
    """
    value, reasons = np.full(len(members), np.nan), dict[int, str]()
    groups: dict[tuple[str, str], list[tuple[int, Partner]]] = {}
    for row, member in enumerate(members):
        why = member if isinstance(member, str) else hindrance(member)
        if why is not None:
            reasons[row] = why
        elif isinstance(member, Partner):
            spectrum = member.spectrum
            groups.setdefault((spectrum.axis.id, spectrum.unit), []).append((row, member))
    for group in groups.values():
        rows = [row for row, _ in group]
        sets = [member.spectrum for _, member in group]
        together = SpectrumSet(
            sets[0].axis,
            np.concatenate([each.values for each in sets]),
            sets[0].unit,
            tuple(key for each in sets for key in each.keys),
        )
        found = take(together, Given([member.conditions for _, member in group]))
        value[rows] = found.value
        reasons |= {rows[place]: why for place, why in found.reasons.items()}
    return Values(value, None, reasons)
