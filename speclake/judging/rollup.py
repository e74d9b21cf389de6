"""A part from the verdicts on its spectra, and a lot from its parts."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product

from speclake.judging.conditions import JUDGED_KINDS, Conditions
from speclake.specs.model import Needs, Specification
from speclake.specs.requirements import Requirement, same_text
from speclake.specs.verdicts import Outcome, Verdict, worst


@dataclass(frozen=True)
class PartVerdict:
    """What a specification says of one part.

    Parameters
    ----------
    outcome : the worst of its verdicts; never pass while something is missing.
    missing : what a complete part has and this one lacks, in words.
    reasons : why the outcome is not pass, in words, one sentence a requirement and spectrum.
    deciding : the verdicts that have this outcome, the smallest margin first.
    """

    outcome: Outcome
    missing: tuple[str, ...]
    reasons: tuple[str, ...]
    deciding: tuple[Verdict, ...]


@dataclass(frozen=True)
class LotVerdict:
    """What a specification says of a lot: the worst of its parts, None where there are none."""

    outcome: Outcome | None
    parts: Mapping[Outcome, int]


@dataclass(frozen=True)
class _Place:
    """One combination of what a complete part needs; None where any will do."""

    site: str | None = None
    side: str | None = None
    angle_deg: float | None = None
    polarisation: str | None = None
    stage: str | None = None
    segment: str | None = None

    def __str__(self) -> str:
        words = [
            f"{name} {value}"
            for name in ("site", "side", "polarisation", "stage", "segment")
            if (value := getattr(self, name)) is not None
        ]
        if self.angle_deg is not None:
            words.insert(2, f"{self.angle_deg:g}°")
        return ", ".join(words)

    @property
    def in_words(self) -> str:
        """The place behind a phrase: empty where any place will do."""
        return f" at {self}" if str(self) else ""

    def holds(self, conditions: Conditions, angle_tolerance_deg: float) -> bool:
        """Whether a spectrum was measured there; what is unknown was not."""
        if self.angle_deg is not None:
            angle = conditions.angle_deg
            if angle is None or abs(angle - self.angle_deg) > angle_tolerance_deg:
                return False
        for name in ("site", "side", "polarisation", "stage", "segment"):
            wanted, known = getattr(self, name), getattr(conditions, name)
            if wanted is None:
                continue
            if known is None or same_text(known) != same_text(wanted):
                return False
        return True


def part_outcome(
    verdicts: Sequence[Verdict],
    conditions: Mapping[str, Conditions],
    specification: Specification,
) -> PartVerdict:
    """Outcome of one part from the verdicts on its spectra.

    Every combination that the specification needs must have been measured, and every requirement
    must have been judged at each of them that it speaks of. A verdict 'not measurable' on a
    spectrum of one segment is set aside where a spectrum of another segment of the same place
    answers the requirement.

    Parameters
    ----------
    verdicts : of this specification, on the spectra that count: the caller leaves out what was
        withdrawn or is in conflict.
    conditions : of every spectrum of the part that counts, by measurement; those without a verdict
        too.
    """
    judged = {key: each for key, each in conditions.items() if each.kind in JUDGED_KINDS}
    standing = [each for each in verdicts if not _answered_elsewhere(each, verdicts, conditions)]
    missing = _unmeasured(judged, specification.needs)
    missing += _unjudged(standing, conditions, specification)
    outcomes = [each.outcome for each in standing]
    outcome = worst([*outcomes, Outcome.INCOMPLETE] if missing else outcomes)
    assert outcome is not None  # a specification has a requirement: judged, or missing
    deciding = sorted(
        (each for each in standing if each.outcome is outcome),
        key=lambda each: (each.margin if each.margin is not None else 0.0, each.requirement),
    )
    reasons = [f"missing: {each}" for each in missing]
    reasons += [_reason(each, conditions) for each in standing if each.outcome is not Outcome.PASS]
    return PartVerdict(outcome, tuple(missing), tuple(reasons), tuple(deciding))


def lot_outcome(parts: Iterable[PartVerdict]) -> LotVerdict:
    """Outcome of a lot: the worst of its parts, with how many parts have which."""
    counts = Counter(each.outcome for each in parts)
    return LotVerdict(worst(counts), dict(counts))


def _reason(verdict: Verdict, conditions: Mapping[str, Conditions]) -> str:
    said = f"{verdict.requirement}: {verdict.outcome}"
    said += _place_of(conditions[verdict.measurement_id]).in_words
    return f"{said}, {verdict.reason}" if verdict.value is None else said


def _place_of(conditions: Conditions) -> _Place:
    return _Place(
        site=conditions.site,
        side=conditions.side,
        angle_deg=conditions.angle_deg,
        polarisation=conditions.polarisation,
        stage=conditions.stage,
        segment=conditions.segment,
    )


def _answered_elsewhere(
    verdict: Verdict, verdicts: Sequence[Verdict], conditions: Mapping[str, Conditions]
) -> bool:
    """Whether another segment of the same place answers what this spectrum could not."""
    here = conditions[verdict.measurement_id]
    if verdict.outcome is not Outcome.NOT_MEASURABLE or here.segment is None:
        return False
    for other in verdicts:
        there = conditions[other.measurement_id]
        if other.requirement != verdict.requirement or other.outcome is Outcome.NOT_MEASURABLE:
            continue
        if there.segment not in (None, here.segment) and _same_place(here, there):
            return True
    return False


def _same_place(here: Conditions, there: Conditions) -> bool:
    names = ("site", "side", "angle_deg", "polarisation", "stage")
    return all(getattr(here, name) == getattr(there, name) for name in names)


def _unmeasured(judged: Mapping[str, Conditions], needs: Needs) -> list[str]:
    """Combinations that a complete part has and at which no spectrum was measured."""
    missing = []
    for place in _places(needs.sites, needs):
        for segment in needs.segments or (None,):
            here = replace(place, segment=segment)
            found = [c for c in judged.values() if here.holds(c, needs.angle_tolerance_deg)]
            if isinstance(needs.sites, int):
                if (sites := _sites(found)) < needs.sites:
                    lack = f"{needs.sites - sites} of {needs.sites} sites"
                    missing.append(f"{lack}{here.in_words} ({sites} measured)")
            elif not found:
                missing.append(str(here) or "a spectrum of the part")
    return missing


def _unjudged(
    verdicts: Sequence[Verdict], conditions: Mapping[str, Conditions], specification: Specification
) -> list[str]:
    """Requirements without a verdict at one of the combinations they speak of.

    Where nothing was measured at all `_unmeasured` has said so; only sites that the requirement
    alone names are told here.
    """
    needs = specification.needs
    missing = []
    for requirement in specification.requirements:
        found = [conditions[v.measurement_id] for v in verdicts if v.requirement == requirement.id]
        for place in _spoken_of(requirement, needs):
            held = [c for c in found if place.holds(c, needs.angle_tolerance_deg)]
            measured = [
                c
                for c in conditions.values()
                if c.kind in JUDGED_KINDS and place.holds(c, needs.angle_tolerance_deg)
            ]
            if not held and (measured or requirement.sites):
                missing.append(f"a verdict on {requirement.id}{place.in_words}")
            elif held and _fewer_sites(held, measured, requirement, needs):
                lack = f"verdicts on {requirement.id}{place.in_words}"
                missing.append(f"{lack}: {_sites(held)} of {needs.sites} sites judged")
    return missing


def _fewer_sites(
    held: Sequence[Conditions],
    measured: Sequence[Conditions],
    requirement: Requirement,
    needs: Needs,
) -> bool:
    """Whether a requirement was judged at fewer sites than were measured and are needed."""
    if requirement.sites or not isinstance(needs.sites, int):
        return False
    return _sites(held) < min(needs.sites, _sites(measured))


def _sites(found: Iterable[Conditions]) -> int:
    """How many different sites were measured, as far as they are known."""
    return len({same_text(each.site) for each in found if each.site is not None})


def _places(sites: int | tuple[str, ...], needs: Needs) -> list[_Place]:
    """Every combination of the entries; a number of sites names none."""
    return [
        _Place(*combination)
        for combination in product(
            (sites if isinstance(sites, tuple) else ()) or (None,),
            needs.sides or (None,),
            needs.angles_deg or (None,),
            needs.polarisations or (None,),
            needs.stages or (None,),
        )
    ]


def _spoken_of(requirement: Requirement, needs: Needs) -> list[_Place]:
    """Combinations at which a requirement must be judged.

    What it states of side, angle, polarisation or stage itself, its verdicts fulfil already; of
    the rest it speaks wherever a complete part is measured.
    """
    rest = needs.model_copy(
        update={
            key: ()
            for key, own in (
                ("sides", requirement.side),
                ("angles_deg", requirement.angle_deg),
                ("polarisations", requirement.polarisation),
                ("stages", requirement.stage),
            )
            if own is not None
        }
    )
    return _places(requirement.sites or needs.sites, rest)
