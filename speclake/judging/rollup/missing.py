"""What a complete part has and this one lacks, in words."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from speclake.judging.conditions import JUDGED_KINDS, Conditions
from speclake.judging.rollup.places import (
    number_of_sites,
    places_needed,
    places_spoken_of,
)
from speclake.specs.model import Needs, Specification
from speclake.specs.requirements import Requirement
from speclake.specs.verdicts import Verdict


def unmeasured(conditions: Mapping[str, Conditions], needs: Needs) -> list[str]:
    """Combinations that a complete part has and at which no spectrum was measured."""
    judged = [each for each in conditions.values() if each.kind in JUDGED_KINDS]
    missing = []
    for place in places_needed(needs.sites, needs):
        for segment in needs.segments or (None,):
            here = replace(place, segment=segment)
            found = [c for c in judged if here.holds(c, needs.angle_tolerance_deg)]
            if isinstance(needs.sites, int):
                if (sites := number_of_sites(found)) < needs.sites:
                    lack = f"{needs.sites - sites} of {needs.sites} sites"
                    missing.append(f"{lack}{here.in_words} ({sites} measured)")
            elif not found:
                missing.append(str(here) or "a spectrum of the part")
    return missing


def unjudged(
    verdicts: Sequence[Verdict],
    conditions: Mapping[str, Conditions],
    specification: Specification,
    witnessed: Sequence[tuple[Verdict, Conditions]] = (),
) -> list[str]:
    """Requirements without a verdict at one of the combinations they speak of.

    A verdict that draws on several spectra stands for the places of all of them. Where nothing was
    measured at all `unmeasured` has said so; only sites that the requirement alone names are told
    here.

    Parameters
    ----------
    witnessed : verdicts on the witness pieces that stand for the part.
    """
    missing = []
    for requirement in specification.requirements:
        lacks = _lacking(requirement, verdicts, conditions, specification.needs)
        witness = specification.witness
        if witness is None or requirement.id not in witness.requirements:
            missing += lacks
            continue
        held = [known for verdict, known in witnessed if verdict.requirement == requirement.id]
        own = any(each.requirement == requirement.id for each in verdicts)
        if (lacks or not own) and not _answers(held, requirement, specification.needs):
            missing.append(f"a verdict on {requirement.id} of a witness piece")
    return missing


def _answers(held: Sequence[Conditions], requirement: Requirement, needs: Needs) -> bool:
    """Whether a witness piece was judged wherever a requirement speaks of, sites left out."""
    places = places_spoken_of(requirement, needs)
    if not requirement.sites:
        places = [each.without_site() for each in places]
    return all(
        any(place.holds(each, needs.angle_tolerance_deg) for each in held) for place in places
    )


def _lacking(
    requirement: Requirement,
    verdicts: Iterable[Verdict],
    conditions: Mapping[str, Conditions],
    needs: Needs,
) -> list[str]:
    missing = []
    found = [
        conditions[name]
        for v in verdicts
        if v.requirement == requirement.id
        for name in (v.measurement_id, *v.drawn_from)
        if name in conditions
    ]
    for place in places_spoken_of(requirement, needs):
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
            judged = number_of_sites(held)
            missing.append(f"{lack}: {judged} of {needs.sites} sites judged")
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
    return number_of_sites(held) < min(needs.sites, number_of_sites(measured))
