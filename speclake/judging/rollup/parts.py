"""A part from the verdicts on its spectra."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import NamedTuple

from speclake.judging.conditions import Conditions
from speclake.judging.rollup.missing import unjudged, unmeasured
from speclake.judging.rollup.places import Place, place_of
from speclake.judging.rollup.record import AssignedAway, Beside, PartRecord
from speclake.judging.rollup.repeated import RepeatedPlace, counted_verdicts
from speclake.judging.rollup.together import mean_of, share_passing, worst_of
from speclake.specs.model import Specification
from speclake.specs.requirements import Requirement
from speclake.specs.verdicts import Outcome, Verdict, worst


@dataclass(frozen=True)
class PartVerdict:
    """What a specification says of one part.

    Parameters
    ----------
    outcome : the worst of its numbers; never pass while something is missing.
    missing : what a complete part has and this one lacks, in words.
    reasons : why the outcome is not pass, in words, one sentence a requirement and place.
    deciding : the numbers that have this outcome, the smallest margin first.
    numbers : one a requirement and place, or a requirement, as its rule over sites has it. One
        that was made of several verdicts names the other measurements in `drawn_from`.
    repeated : places that were measured more than once.
    remarks : what must be seen beside the outcome whatever it is, in words: repeats, which witness
        piece stands in, sites that fail and are tolerated, spectra that were assigned away.
    """

    outcome: Outcome
    missing: tuple[str, ...]
    reasons: tuple[str, ...]
    deciding: tuple[Verdict, ...]
    numbers: tuple[Verdict, ...] = ()
    repeated: tuple[RepeatedPlace, ...] = ()
    remarks: tuple[str, ...] = ()


NO_RECORD = PartRecord()


def part_outcome(
    verdicts: Sequence[Verdict],
    conditions: Mapping[str, Conditions],
    specification: Specification,
    record: PartRecord = NO_RECORD,
) -> PartVerdict:
    """Outcome of one part from the verdicts on its spectra.

    Every combination that the specification needs must have been measured, and every requirement
    must have been judged at each of them that it speaks of. A verdict 'not measurable' on a
    spectrum of one segment is set aside where a spectrum of another segment of the same place
    answers the requirement, and where a witness piece answers it.

    Parameters
    ----------
    verdicts : of this specification, on the spectra that count: the caller leaves out what was
        withdrawn or is in conflict.
    conditions : of every spectrum of the part that counts, by measurement; those without a verdict
        too.
    """
    pieces, witnessed = _witnesses(specification, record)
    answered = {each.requirement for each, _, _ in witnessed if each.value is not None}
    standing = [
        each
        for each in verdicts
        if not _answered_elsewhere(each, verdicts, conditions)
        and not (each.outcome is Outcome.NOT_MEASURABLE and each.requirement in answered)
    ]
    own = counted_verdicts(standing, conditions, specification, record, record.set_aside)
    numbers, tolerated = _over_sites(own.verdicts, conditions, specification)
    numbers += [_Number(verdict, f" of {piece}") for verdict, _, piece in witnessed]
    missing = unmeasured(conditions, specification.needs)
    missing += unjudged(
        standing, conditions, specification, [(each, known) for each, known, _ in witnessed]
    )
    outcomes = [each.verdict.outcome for each in numbers]
    outcome = worst([*outcomes, Outcome.INCOMPLETE] if missing else outcomes)
    assert outcome is not None  # a specification has a requirement: judged, or missing
    repeated = (*own.repeated, *pieces)
    return PartVerdict(
        outcome=outcome,
        missing=tuple(missing),
        reasons=(
            *(f"missing: {each}" for each in missing),
            *(each.reason for each in numbers if each.verdict.outcome is not Outcome.PASS),
        ),
        deciding=tuple(_deciding([each.verdict for each in numbers], outcome)),
        numbers=tuple(each.verdict for each in numbers),
        repeated=repeated,
        remarks=(
            *_stand_ins(witnessed),
            *tolerated,
            *(each.in_words for each in repeated),
            *_taken_away(record.assigned_away),
        ),
    )


def _deciding(numbers: Sequence[Verdict], outcome: Outcome) -> list[Verdict]:
    """Numbers with the outcome of the part, the smallest margin first."""
    return sorted(
        (each for each in numbers if each.outcome is outcome),
        key=lambda each: (each.margin if each.margin is not None else 0.0, each.requirement),
    )


_Witnessed = list[tuple[Verdict, Conditions, str]]


def _witnesses(
    specification: Specification, record: PartRecord
) -> tuple[tuple[RepeatedPlace, ...], _Witnessed]:
    """Repeats of the witness pieces, and their verdicts that count for the part."""
    if specification.witness is None:
        return (), []
    wanted = set(specification.witness.requirements)
    by_piece: dict[str, dict[str, Beside]] = {}
    for key, each in record.witnesses.items():
        by_piece.setdefault(each.said, {})[key] = each
    repeated: list[RepeatedPlace] = []
    witnessed: _Witnessed = []
    for piece, spectra in by_piece.items():
        known = {key: each.conditions for key, each in spectra.items()}
        verdicts = [
            v for each in spectra.values() for v in each.verdicts if v.requirement in wanted
        ]
        aside = {
            key: replace(each, verdicts=tuple(v for v in each.verdicts if v.requirement in wanted))
            for key, each in record.witnesses_aside.get(piece, {}).items()
        }
        found = counted_verdicts(verdicts, known, specification, record, aside, piece)
        repeated += found.repeated
        witnessed += [(v, known[v.measurement_id], piece) for v, _ in found.verdicts]
    return tuple(repeated), witnessed


def _stand_ins(witnessed: _Witnessed) -> list[str]:
    """Which witness piece stands in for which requirements, in words."""
    of_piece: dict[str, dict[str, None]] = {}
    for verdict, _, piece in witnessed:
        of_piece.setdefault(piece, {})[verdict.requirement] = None
    return [f"{piece} stands in for {', '.join(ids)}" for piece, ids in of_piece.items()]


def _taken_away(spectra: Iterable[AssignedAway]) -> list[str]:
    """Spectra that were assigned away from the part and what they had found, in words."""
    acts: dict[tuple[str, date, str], list[Outcome | None]] = {}
    for each in spectra:
        acts.setdefault((each.who, each.on, each.why), []).append(each.outcome)
    told = []
    for (who, on, why), outcomes in acts.items():
        scans, they = ("1 scan was", "it")
        if len(outcomes) > 1:
            scans, they = f"{len(outcomes)} scans were", "they"
        found = ", ".join(dict.fromkeys(str(o) if o else "nothing, not judged" for o in outcomes))
        told.append(f"{scans} assigned away by {who} on {on} ({why}): {they} had found {found}")
    return told


class _Number(NamedTuple):
    """A number that counts for the part, the place behind it, and what it was made of."""

    verdict: Verdict
    at: str
    made_of: str = ""

    @property
    def reason(self) -> str:
        """The number as what keeps a part from passing."""
        verdict = self.verdict
        said = f"{verdict.requirement}: {verdict.outcome}{self.at}"
        if verdict.value is None:
            return f"{said}, {verdict.reason}"
        bound = "" if verdict.bound == "exact" else f"{verdict.bound} "
        number = f"{bound}{verdict.shown or repr(verdict.value)} {verdict.unit}"
        because = f", because {verdict.reason}" if verdict.reason else ""
        return f"{said}, {self.made_of or 'found'} {number}{because}"


def _over_sites(
    found: Iterable[tuple[Verdict, Place]],
    conditions: Mapping[str, Conditions],
    specification: Specification,
) -> tuple[list[_Number], list[str]]:
    """Numbers of a part, and in words what fails and is tolerated."""
    groups: dict[tuple[str, Place], dict[str | None, list[Verdict]]] = {}
    for verdict, place in found:
        sites = groups.setdefault((verdict.requirement, place.without_site()), {})
        sites.setdefault(place.site, []).append(verdict)
    by_id = {each.id: each for each in specification.requirements}
    numbers: list[_Number] = []
    tolerated: list[str] = []
    for (name, _), by_site in groups.items():
        asked = by_id[name]
        if asked.over_sites.how == "all":
            numbers += [_Number(v, _at(v, conditions)) for each in by_site.values() for v in each]
            continue
        of_sites = [worst_of(each) for each in by_site.values()]
        number = _one_number(asked, of_sites, conditions, specification)
        numbers.append(number)
        said = number.verdict.reason
        if asked.over_sites.how == "fraction" and number.verdict.outcome is Outcome.PASS:
            passed_over = [each for each in of_sites if each.outcome is not Outcome.PASS]
            tolerated += [
                f"{_Number(each, _at(each, conditions)).reason}; tolerated, since {said}"
                for each in passed_over
            ]
    return numbers, tolerated


def _one_number(
    asked: Requirement,
    sites: Sequence[Verdict],
    conditions: Mapping[str, Conditions],
    specification: Specification,
) -> _Number:
    """Number of a part from one verdict a site."""
    rule = asked.over_sites
    lead = worst_of(sites)
    if rule.how == "worst":
        return _Number(lead, _at(lead, conditions))
    everywhere = place_of(conditions[lead.measurement_id]).without_site().in_words
    if rule.how == "mean":
        over = f"mean of {len(sites)} site{'' if len(sites) == 1 else 's'}"
        return _Number(mean_of(asked, sites, over, rule), everywhere, over)
    needed = asked.sites or specification.needs.sites
    number = needed if isinstance(needed, int) else len(needed)
    return _Number(share_passing(rule, sites, number), everywhere)


def _at(verdict: Verdict, conditions: Mapping[str, Conditions]) -> str:
    return place_of(conditions[verdict.measurement_id]).in_words


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
