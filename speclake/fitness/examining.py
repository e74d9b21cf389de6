"""All checks of every spectrum, on whole sets."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from speclake.checks import Check, Severity
from speclake.fitness import (
    baselines,
    changeovers,
    flatness,
    noise,
    noisesteps,
    physical,
    purge,
    soundness,
    spikes,
)
from speclake.fitness.circumstances import Circumstances
from speclake.fitness.findings import Figure, Finding
from speclake.fitness.subject import Subject
from speclake.settings import Fitness
from speclake.spectrum import SpectrumSet

ENGINE_VERSION = "1"
"""Kept with every finding; it changes whenever a number or a word could."""

Said = tuple[int, Finding | Figure]
"""Row of the set, and what is said of its spectrum."""

Checking = Callable[[Subject], Iterator[Said]]

CHECKS: Sequence[Checking] = (
    soundness.coverage,
    soundness.spacing,
    soundness.missing_values,
    flatness.standing_still,
    flatness.written_twice,
    physical.beyond,
    physical.offset_below_zero,
    spikes.spikes,
    spikes.dropouts,
    changeovers.check,
    noisesteps.check,
    noise.check,
    baselines.check_baselines,
    baselines.check_lines,
    purge.check_purge,
    purge.check_oxygen_bands,
    purge.check_water_bands,
)

BLOCK = 128
"""Spectra that are looked at together: of 2,401 points they stay in the cache of a core."""


@dataclass(frozen=True)
class Examined:
    """What all checks say of one spectrum, in the order of the checks."""

    findings: tuple[Finding, ...]
    figures: tuple[Figure, ...]


def examine(
    spectra: SpectrumSet, known: Sequence[Circumstances], limits: Fitness
) -> list[Examined]:
    """What the checks say of each spectrum of a set, in its order.

    Raises
    ------
    ValueError
        There are not as many circumstances as spectra.
    """
    if len(known) != len(spectra):
        raise ValueError(f"{len(known)} circumstances for {len(spectra)} spectra")
    findings: list[list[Finding]] = [[] for _ in known]
    figures: list[list[Figure]] = [[] for _ in known]
    left_out: frozenset[Check] = frozenset(limits.without)
    for first in range(0, len(known), BLOCK):
        subject = _block(spectra, known, limits, slice(first, first + BLOCK))
        for check in CHECKS:
            for row, said in _said(check, subject):
                if isinstance(said, Figure):
                    figures[first + row].append(said)
                elif said.check not in left_out:
                    findings[first + row].append(said)
    return [Examined(tuple(f), tuple(g)) for f, g in zip(findings, figures, strict=True)]


def _said(check: Checking, subject: Subject) -> list[Said]:
    """What a check says; of a scan on which it fails, that it did."""
    try:
        return list(check(subject))
    except Exception as error:  # noqa: BLE001  # a fault of ours on one odd scan stops no intake
        if len(subject.known) == 1:
            return [(0, _failed(check, error))]
    found: list[Said] = []
    for row in range(len(subject.known)):
        only = _block(subject.spectra, subject.known, subject.limits, slice(row, row + 1))
        found += [(row, said) for _, said in _said(check, only)]
    return found


def _failed(check: Checking, error: Exception) -> Finding:
    name = f"{check.__module__}.{check.__name__}"
    return Finding(
        check=Check.FAILED,
        severity=Severity.DOUBT,
        text=f"{name} failed on this scan and says nothing of it: {type(error).__name__}: {error}",
        advice="report it with the scan to the authors of the program; look at the scan yourself",
    )


def _block(
    spectra: SpectrumSet, known: Sequence[Circumstances], limits: Fitness, rows: slice
) -> Subject:
    some = SpectrumSet(spectra.axis, spectra.values[rows], spectra.unit, spectra.keys[rows])
    return Subject(some, known[rows], limits)
