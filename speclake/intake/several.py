"""Verdicts that draw on several measurements: which to judge, and from what.

Such a verdict is one on its lead. It is made when the lead is judged, and again, by the version of
the specification that judged the lead, in every commit that changes what it draws on: a partner
arrives, is assigned, withdrawn or taken back, superseded, or its conflict is settled.
"""

import hashlib
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from speclake.archive.catalog import Catalog
from speclake.archive.encoding import encode
from speclake.archive.rows import DerivedRow
from speclake.intake.company import Change, Company, company_of
from speclake.judging.belonging import Belonging, is_lead, partner_of
from speclake.judging.conditions import Conditions
from speclake.judging.several import (
    MAKING_VERSION,
    Drawn,
    Several,
    judge_gathered,
    judge_lacking,
    judge_made,
)
from speclake.judging.taking.given import Partner
from speclake.measurement import Measurement
from speclake.specs import Specification, Verdict
from speclake.specs.requirements import Requirement
from speclake.spectrum import Axis, SpectrumSet

GROUPS_AT_ONCE = 1_000
"""How many verdicts are made before the spectra for the next ones are read."""

Read = Callable[[Sequence[str]], Iterable[SpectrumSet]]
"""Spectra of measurements by their identifiers, those of the same commit included."""


class Stored(Protocol):
    """What has the spectra of measurements."""

    def spectra(self, ids: Sequence[str]) -> Iterable[SpectrumSet]:
        """Spectra of measurements by their identifiers."""
        ...


Known = Callable[[Sequence[Measurement]], Mapping[str, Conditions]]
"""How measurements were made, with the doubts about them, by measurement."""

Due = Mapping[str, tuple[Measurement, Sequence[Specification]]]
"""Measurements that are judged, each with its specifications."""


@dataclass(frozen=True)
class DrawnVerdicts:
    """Verdicts with the spectra that were made for them, and the axes of these."""

    verdicts: tuple[Verdict, ...] = ()
    derived: tuple[DerivedRow, ...] = ()
    axes: tuple[Axis, ...] = ()
    specifications: tuple[Specification, ...] = ()


@dataclass(frozen=True)
class _Group:
    """A lead with what fills the other roles of a requirement."""

    lead: Measurement
    specification: Specification
    requirement: Requirement
    others: tuple[Belonging, ...]

    @property
    def members(self) -> tuple[Measurement, ...]:
        """The lead and the measurements that were found."""
        return (self.lead, *(each.found for each in self.others if each.found is not None))

    @property
    def drawn_from(self) -> tuple[str, ...]:
        """The measurements beside the lead that fill a role, or that leave one open."""
        return tuple(dict.fromkeys(name for each in self.others for name in each.hangs_on))

    @property
    def lacks(self) -> str | None:
        """Why there is no complete group, None where there is."""
        return next((each.reason for each in self.others if each.found is None), None)


def drawn_verdicts(
    catalog: Catalog,
    change: Change,
    due: Due,
    read: Read,
    specification_of: Callable[[str], Specification],
    conditions_of: Known,
    longest_h: float,
) -> Iterator[DrawnVerdicts]:
    """Verdicts that draw on several measurements and follow from a commit, some at a time.

    Parameters
    ----------
    change : what the commit changes; the leads that draw on it are judged again.
    due : what is judged whatever changes.
    specification_of : a specification by its version.
    conditions_of : how measurements were made, with the doubts about them.
    longest_h : how long after a blank a lead may still draw on it, over all specifications.
    """
    company = company_of(catalog, change, [m for m, _ in due.values()], longest_h)
    groups = list(_groups(company, due, specification_of))
    for start in range(0, len(groups), GROUPS_AT_ONCE):
        yield _judged(groups[start : start + GROUPS_AT_ONCE], read, conditions_of)


def without_known(catalog: Catalog, found: DrawnVerdicts) -> DrawnVerdicts:
    """The same without derived spectra and axes that the archive holds already."""
    derived = {row.derived_id: row for row in found.derived}
    axes = {axis.id: axis for axis in found.axes}
    if not derived:
        return replace(found, derived=(), axes=())
    held = catalog.places("derived", list(derived))
    known = catalog.axes_known(list(axes))
    return replace(
        found,
        derived=tuple(row for name, row in derived.items() if name not in held),
        axes=tuple(axis for name, axis in axes.items() if name not in known),
    )


def _groups(
    company: Company, due: Due, specification_of: Callable[[str], Specification]
) -> Iterator[_Group]:
    for lead, versions in company.leads(due):
        specifications = (
            due[lead.measurement_id][1]
            if lead.measurement_id in due
            else [specification_of(version) for version in versions]
        )
        for specification in specifications:
            for requirement in specification.requirements:
                if requirement.roles and is_lead(requirement, lead):
                    yield _group(company, lead, specification, requirement)


def _group(
    company: Company, lead: Measurement, specification: Specification, requirement: Requirement
) -> _Group:
    others = tuple(
        partner_of(
            lead, role, requirement, specification,
            company.near(lead, is_blank=role.blank_within_h is not None), company.record,
        )
        for role in requirement.roles[1:]
    )  # fmt: skip
    return _Group(lead, specification, requirement, others)


# --- judging ----------------------------------------------------------------------------------


class _Spectra:
    """Spectra that were read, by measurement, and how each was measured."""

    def __init__(self, sets: Iterable[SpectrumSet], conditions: Mapping[str, Conditions]) -> None:
        self._at = {key: (each, row) for each in sets for row, key in enumerate(each.keys)}
        self.conditions = conditions

    def kind(self, name: str) -> tuple[str, str]:
        """Axis and unit of one."""
        found = self._at[name][0]
        return found.axis.id, found.unit

    def together(self, names: Sequence[str]) -> SpectrumSet:
        """Some of one axis and unit as a set, in the order asked for."""
        first = self._at[names[0]][0]
        rows = [found.values[row] for found, row in (self._at[name] for name in names)]
        return SpectrumSet(first.axis, np.stack(rows), first.unit, tuple(names))


def _judged(groups: Sequence[_Group], read: Read, conditions_of: Known) -> DrawnVerdicts:
    by_requirement: defaultdict[tuple[str, str], list[_Group]] = defaultdict(list)
    for each in groups:
        by_requirement[each.specification.version, each.requirement.id].append(each)
    needed = dict.fromkeys(
        m.measurement_id for each in groups if _is_read(each) for m in each.members
    )
    members = {m.measurement_id: m for each in groups for m in each.members}
    known = conditions_of(list(members.values())) if members else {}
    spectra = _Spectra(read(list(needed)) if needed else (), known)
    verdicts: list[Verdict] = []
    derived: list[DerivedRow] = []
    axes: dict[str, Axis] = {}
    for same in by_requirement.values():
        for part, found in _by_kind(same, spectra):
            rows = _derived_rows(part, found)
            derived += rows.values()
            if found.made is not None:
                axes[found.made.axis.id] = found.made.axis
            verdicts += _told(part, found, rows)
    used = {each.specification.version: each.specification for each in groups}
    return DrawnVerdicts(
        tuple(verdicts), tuple(derived), tuple(axes.values()), tuple(used.values())
    )


def _is_read(group: _Group) -> bool:
    """Whether a number may be taken: one that makes no spectrum tells itself what it lacks."""
    return group.lacks is None or group.requirement.drawn_from is None


def _by_kind(
    groups: Sequence[_Group], spectra: _Spectra
) -> Iterator[tuple[Sequence[_Group], Several]]:
    """Groups of one requirement whose spectra share their axes and units, and what they give."""
    lacking = [each for each in groups if not _is_read(each)]
    if lacking:
        yield (
            lacking,
            judge_lacking(
                lacking[0].specification,
                lacking[0].requirement,
                {
                    each.lead.measurement_id: (
                        spectra.conditions[each.lead.measurement_id],
                        each.lacks or "",
                    )
                    for each in lacking
                },
            ),
        )
    alike: defaultdict[tuple[tuple[str, str], ...], list[_Group]] = defaultdict(list)
    for each in groups:
        if _is_read(each):
            members = each.members if each.requirement.drawn_from else (each.lead,)
            alike[tuple(spectra.kind(m.measurement_id) for m in members)].append(each)
    for part in alike.values():
        yield part, _several(part, spectra)


def _several(groups: Sequence[_Group], spectra: _Spectra) -> Several:
    specification, requirement = groups[0].specification, groups[0].requirement
    if requirement.drawn_from is not None:
        roles = zip(*(each.members for each in groups), strict=True)
        return judge_made(specification, requirement, [_drawn(role, spectra) for role in roles])
    lead = _drawn([each.lead for each in groups], spectra)
    return judge_gathered(
        specification, requirement, lead, [_partners(each, spectra) for each in groups]
    )


def _drawn(measurements: Sequence[Measurement], spectra: _Spectra) -> Drawn:
    return Drawn(
        spectra.together([m.measurement_id for m in measurements]),
        [spectra.conditions[m.measurement_id] for m in measurements],
    )


def _partners(group: _Group, spectra: _Spectra) -> dict[str, Partner | str]:
    return {
        role.name: each.reason
        if each.found is None
        else Partner(
            spectra.together([each.found.measurement_id]),
            spectra.conditions[each.found.measurement_id],
        )
        for role, each in zip(group.requirement.roles[1:], group.others, strict=True)
    }


def _derived_rows(groups: Sequence[_Group], found: Several) -> dict[str, DerivedRow]:
    """The spectra made for some groups as rows, by the lead's measurement."""
    made = found.made
    if made is None:
        return {}
    by_lead = {each.lead.measurement_id: each for each in groups}
    return {key: _derived_row(by_lead[key], made, row) for row, key in enumerate(made.keys)}


def _derived_row(group: _Group, made: SpectrumSet, row: int) -> DerivedRow:
    how = group.requirement.drawn_from
    assert how is not None
    parents = tuple(m.measurement_id for m in group.members)
    said = [how.how, MAKING_VERSION, made.unit, made.axis.id, *parents]
    said += [f"{name}={text}" for name, text in sorted(how.parameters.items())]
    digest = hashlib.sha256("\x1f".join(said).encode())
    digest.update(made.values[row].astype("<f8").tobytes())
    return DerivedRow(
        derived_id=digest.hexdigest()[:32],
        parents=parents,
        operation=how.how,
        parameters=dict(how.parameters),
        version=MAKING_VERSION,
        unit=made.unit,
        axis_id=made.axis.id,
        values=encode(made.values[row]),
    )


def _told(
    groups: Sequence[_Group], found: Several, rows: Mapping[str, DerivedRow]
) -> Iterator[Verdict]:
    """Verdicts that say which spectrum was judged, and which measurements they draw on."""
    by_lead = {each.lead.measurement_id: each for each in groups}
    for each in found.verdicts:
        row = rows.get(each.measurement_id)
        told = replace(each, drawn_from=by_lead[each.measurement_id].drawn_from)
        yield told if row is None else replace(told, spectrum=row.derived_id)
