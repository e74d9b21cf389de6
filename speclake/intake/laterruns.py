"""Verdicts on earlier scans when a qualification run comes in after them."""

from collections.abc import Collection, Iterator, Sequence
from dataclasses import replace
from datetime import datetime
from itertools import pairwise

from speclake.archive.catalog import Catalog
from speclake.checks import Check
from speclake.fitness.states import StateStretch, state_at
from speclake.intake.company import Change
from speclake.intake.doubts import CHECK_OF_STATE, Evidence, doubts_of_states
from speclake.intake.judged import Judged
from speclake.intake.states import AT_ANY_TIME, States
from speclake.intake.verdicts import Judge
from speclake.judging.conditions import Doubt
from speclake.measurement import Measurement
from speclake.specs import Specification


def judged_after(
    step: Judge,
    catalog: Catalog,
    programmes: Collection[str],
    before: States,
    evidence: Evidence,
) -> Judged:
    """New verdicts on scans in the archive whose instrument turns out to have been otherwise.

    A run that is taken in after scans that were made after it, as from a folder that could not be
    reached for a while, changes what was known of the instrument at their time; so does one that is
    withdrawn. Only verdicts that are blocked by that, or were, are made again.

    Parameters
    ----------
    programmes : of which the commit brings runs, or runs that count no longer.
    before : states without what it brings.
    evidence : with it.
    """
    asked = {
        version: _blocking(step.of_version(catalog, version)) for version in catalog.versions_used()
    }
    spans = _spans(before, evidence.states, programmes, frozenset().union(*asked.values()))
    late = {
        m.measurement_id: m
        for instrument, since, until in spans
        for m in catalog.measured_on([instrument], since, until)
        if m.measurement_id not in evidence.new
    }
    changed = list(
        dict.fromkeys(
            name
            for name, version in catalog.versions_of(list(late))
            if _blocks(late[name], before, asked.get(version, frozenset()))
            != _blocks(late[name], evidence.states, asked.get(version, frozenset()))
        )
    )
    if not changed:
        return Judged()
    measurements = [late[name] for name in changed]
    change = Change({m.measurement_id: m for m in measurements})
    why = "what qualification runs say of the instrument has changed"
    judged = step.again(step, catalog, measurements, why=why, change=change, evidence=evidence)
    return replace(judged, qualifications=(), standards=())


def _blocking(specification: Specification) -> frozenset[Check]:
    """Checks of an instrument's state that block any verdict by a specification."""
    return frozenset(
        check
        for each in specification.requirements
        for check in specification.blocked_by_of(each)
        if check in CHECK_OF_STATE.values()
    )


def _spans(
    before: States, after: States, programmes: Collection[str], asked: Collection[Check]
) -> Iterator[tuple[str, datetime, datetime]]:
    """Instruments with the spans over which their state blocks otherwise than it did."""
    for programme in before.standards.programmes:
        if programme.name not in programmes:
            continue
        seen = dict.fromkeys((*before.accessories(programme), *after.accessories(programme), None))
        for each in seen:
            old, new = before.over_time(programme, each), after.over_time(programme, each)
            yield from ((programme.instrument, *span) for span in _differing(old, new, asked))


def _differing(
    old: Sequence[StateStretch], new: Sequence[StateStretch], asked: Collection[Check]
) -> Iterator[tuple[datetime, datetime]]:
    moments = sorted({each.since for each in (*old, *new) if each.since is not None})
    for since, until in pairwise([*moments, AT_ANY_TIME]):
        if _said(state_at(old, since), asked) != _said(state_at(new, since), asked):
            yield since, until


def _said(found: StateStretch, asked: Collection[Check]) -> str | None:
    """Why a state blocks; None for one that does not."""
    return found.reason if CHECK_OF_STATE.get(found.state) in asked else None


def _blocks(m: Measurement, states: States, asked: Collection[Check]) -> list[Doubt]:
    return [each for each in doubts_of_states(m, states, ()) if each.check in asked]
