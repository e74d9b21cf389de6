"""Places that were measured more than once: what was found, and what counts."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from speclake.judging.conditions import JUDGED_KINDS, Conditions
from speclake.judging.repeats import Choice, Counted, counted
from speclake.judging.rollup.places import Place, compared_place, place_of
from speclake.judging.rollup.record import Beside, PartRecord
from speclake.judging.rollup.together import mean_of
from speclake.specs.model import Specification
from speclake.specs.verdicts import Outcome, Verdict, worst


@dataclass(frozen=True)
class Repeat:
    """One of several spectra of one place.

    Parameters
    ----------
    outcome : the worst of its verdicts by the specification; None where there is none.
    set_aside : why it is withdrawn or superseded; empty where it is not.
    """

    measurement_id: str
    measured_at: datetime
    outcome: Outcome | None
    counts: bool
    set_aside: str

    @property
    def in_words(self) -> str:
        """Its outcome, and why it does not count where it was set aside."""
        outcome = str(self.outcome or "not judged")
        return f"{outcome} ({self.set_aside})" if self.set_aside else outcome


@dataclass(frozen=True)
class RepeatedPlace:
    """A place of which there are several spectra, the oldest first.

    Parameters
    ----------
    piece : the witness piece in words; empty where it is the part itself.
    by : whose word it is that one alone counts.
    why_more : why more than one counts, in words; empty where one does.
    most : how many the specification holds for enough; None where it says nothing of it.
    """

    place: Place
    piece: str
    spectra: tuple[Repeat, ...]
    by: Choice | None
    why_more: str
    most: int | None

    @property
    def is_doubtful(self) -> bool:
        """Whether the place was measured more often than the specification holds for enough."""
        return self.most is not None and len(self.spectra) > self.most

    @property
    def passed_over(self) -> tuple[Repeat, ...]:
        """Spectra that were judged, did not pass and do not count."""
        return tuple(
            each
            for each in self.spectra
            if not each.counts and each.outcome not in (None, Outcome.PASS)
        )

    @property
    def in_words(self) -> str:
        """How often the place was measured, with what outcomes, and which count, and why."""
        where = ", ".join(filter(None, (self.piece, str(self.place)))) or "one place"
        found = ", then ".join(each.in_words for each in self.spectra)
        said = [f"{where} was measured {len(self.spectra)} times: {found}"]
        if self.by is not None:
            number = [each.counts for each in self.spectra].index(True) + 1
            said.append(f"number {number} alone counts, says {self.by.who} ({self.by.why})")
        elif self.why_more:
            said.append(self.why_more)
        if self.passed_over:
            outcomes = ", ".join(dict.fromkeys(str(each.outcome) for each in self.passed_over))
            said.append(f"found and not counted: {outcomes}")
        if self.is_doubtful:
            said.append(f"the specification holds {self.most} for enough")
        return "; ".join(said)


@dataclass(frozen=True)
class CountedVerdicts:
    """Verdicts that count, each with its place, and the places that were measured repeatedly."""

    verdicts: tuple[tuple[Verdict, Place], ...]
    repeated: tuple[RepeatedPlace, ...]


def counted_verdicts(
    verdicts: Iterable[Verdict],
    conditions: Mapping[str, Conditions],
    specification: Specification,
    record: PartRecord,
    set_aside: Mapping[str, Beside],
    piece: str = "",
) -> CountedVerdicts:
    """Verdicts on one piece that count by the rule for repeats.

    Parameters
    ----------
    verdicts : on the spectra that were not set aside.
    conditions : of the spectra of `verdicts`, by measurement.
    piece : the witness piece in words; empty for the part itself.
    """
    by_id = {each.id: each for each in specification.requirements}
    aside = [verdict for each in set_aside.values() for verdict in each.verdicts]
    known = {**conditions, **{key: each.conditions for key, each in set_aside.items()}}
    groups: dict[tuple[str, Place], _Verdicts] = {}
    for verdict in (*verdicts, *aside):
        where = compared_place(
            known[verdict.measurement_id], specification.needs, by_id[verdict.requirement]
        )
        groups.setdefault((verdict.requirement, where), {})[verdict.measurement_id] = verdict
    kept: list[tuple[Verdict, Place]] = []
    repeated: dict[tuple[str, ...], list[_Verdicts]] = {}
    telling = _Telling(known, specification, record, set_aside, piece)
    for (requirement, where), group in groups.items():
        found = telling.counted(group)
        standing = [group[key] for key in found.ids]
        if found.as_mean:
            over = f"mean of {len(standing)} repeats"
            standing = [mean_of(by_id[requirement], standing, over)]
        kept += [(verdict, where) for verdict in standing]
        if len(group) > 1:
            repeated.setdefault(telling.in_order(group), []).append(group)
    for ids in telling.unjudged(repeated):
        repeated[ids] = []
    places = tuple(telling.place(ids, found) for ids, found in repeated.items())
    return CountedVerdicts(tuple(kept), places)


_Verdicts = dict[str, Verdict]
"""Verdicts by one requirement on spectra of one place, by measurement."""


@dataclass(frozen=True)
class _Telling:
    """What is known of the spectra of one piece, to tell of its repeats."""

    conditions: Mapping[str, Conditions]
    specification: Specification
    record: PartRecord
    set_aside: Mapping[str, Beside]
    piece: str

    def in_order(self, ids: Iterable[str]) -> tuple[str, ...]:
        """Spectra, the oldest first."""
        return tuple(sorted(ids, key=lambda each: (self.record.time_of(each), each)))

    def counted(self, ids: Iterable[str]) -> Counted:
        """Those of the spectra of one place that count."""
        measured = {each: self.record.time_of(each) for each in ids if each not in self.set_aside}
        return counted(measured, self.specification.repeats, self.record.choices)

    def unjudged(self, told: Iterable[tuple[str, ...]]) -> list[tuple[str, ...]]:
        """Repeats of one quantity and place of which no requirement tells, as of a partner."""
        known = [set(ids) for ids in told]
        groups: dict[tuple[str, Place], list[str]] = {}
        for key, each in self.conditions.items():
            quantity = self.record.quantities.get(key)
            if quantity is not None and each.kind in JUDGED_KINDS:
                where = compared_place(each, self.specification.needs)
                groups.setdefault((quantity, where), []).append(key)
        return [
            self.in_order(ids)
            for ids in groups.values()
            if len(ids) > 1 and not any(set(ids) <= each for each in known)
        ]

    def place(self, ids: Sequence[str], groups: Sequence[_Verdicts]) -> RepeatedPlace:
        """What is told of spectra of one place, on which these groups of verdicts are."""
        found = self.counted(ids)
        spectra = [
            Repeat(
                measurement_id=each,
                measured_at=self.record.time_of(each),
                outcome=worst(group[each].outcome for group in groups),
                counts=each in found.ids,
                set_aside=self.set_aside[each].said if each in self.set_aside else "",
            )
            for each in ids
        ]
        return RepeatedPlace(
            place=place_of(self.conditions[ids[0]]),
            piece=self.piece,
            spectra=tuple(spectra),
            by=found.by,
            why_more=found.why_more,
            most=self.specification.repeats.most,
        )
