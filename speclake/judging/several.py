"""Requirements that draw on several measurements: the spectra made of them, and the verdicts.

Whoever finds the measurements that belong together hands them over here, row for row, those of the
lead first. Nothing is looked up, and what one row gives never depends on the others.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from speclake.checks import Check
from speclake.conversion import turns_round
from speclake.errors import UnitError
from speclake.judging.conditions import (
    COMBINED,
    Bandwidth,
    Conditions,
    Fit,
    classed,
    doubt_hindrance,
    fits,
)
from speclake.judging.doubts import Doubt, within
from speclake.judging.judgement import judge_drawn
from speclake.judging.taking.given import Partners
from speclake.judging.verdict_rows import verdicts
from speclake.quantities.combining import (
    LOGARITHMS,
    absorptance_and_scatter,
    in_unit,
    resampled,
    unpolarised,
)
from speclake.quantities.joining import joined
from speclake.quantities.windows import on_axis
from speclake.specs.model import Specification
from speclake.specs.requirements import Requirement
from speclake.specs.requirements.several import (
    JoinedSegments,
    MeanOfPolarisations,
    OnOneAxis,
    Remainder,
)
from speclake.specs.verdicts import Verdict
from speclake.spectrum import Axis, SpectrumSet
from speclake.units import SpectralUnit

MAKING_VERSION = "1"
"""Kept with every derived spectrum; it changes whenever a value of one could."""

EVERYWHERE = (1e-9, 1e9)
"""Positions that no axis goes beyond, in whatever unit."""

_ANYWHERE = Axis(np.array([1.0]), "nm")


@dataclass(frozen=True, eq=False)
class Drawn:
    """Measurements of one role, row for row those that belong together."""

    spectra: SpectrumSet
    conditions: Sequence[Conditions]


@dataclass(frozen=True, eq=False)
class Several:
    """Verdicts, each with the measurement of the lead, and the spectra that were made for them.

    `made` is None where the number is taken of the measurements themselves, or where none of the
    spectra could be made; its keys are those of the leads.
    """

    verdicts: tuple[Verdict, ...]
    made: SpectrumSet | None = None


@dataclass(frozen=True, eq=False)
class _Made:
    """Spectra made of several, None where none could be; and why a row has none."""

    spectra: SpectrumSet | None
    reasons: Mapping[int, str] = field(default_factory=dict)


def judge_made(
    specification: Specification, requirement: Requirement, drawn: Sequence[Drawn]
) -> Several:
    """One requirement against the spectra that are made as its `drawn_from` says.

    Parameters
    ----------
    drawn : measurements of each role, the lead first, as many of one as of another.
    """
    lead = drawn[0]
    rows = list(zip(*(classed(each.conditions, specification) for each in drawn), strict=True))
    if isinstance(requirement.drawn_from, JoinedSegments):
        rows = [_with_bandwidths(requirement, requirement.drawn_from, each) for each in rows]
    blocked_by = specification.blocked_by_of(requirement)
    fit = [_fit_of(requirement, each, blocked_by) for each in rows]
    made = _made(requirement, drawn)
    reasons = {row: why for row, why in made.reasons.items() if fit[row].hindrance is None}
    hindered = [_hindered(each, reasons.get(row)) for row, each in enumerate(fit)]
    conditions = [_merged(requirement, each) for each in rows]
    spectra = made.spectra
    if spectra is None:
        spectra = _nothing(lead.spectra.keys, requirement.spectral_unit)
    judgement = judge_drawn(spectra, specification, requirement, conditions, hindered, ())
    is_total = {
        key: all(each.geometry == "total" for each in row)
        for key, row in zip(lead.spectra.keys, rows, strict=True)
    }
    found = tuple(_named(each, is_total) for each in verdicts(judgement))
    return Several(found, _those_made(made, hindered))


def judge_gathered(
    specification: Specification,
    requirement: Requirement,
    lead: Drawn,
    partners: Sequence[Partners],
) -> Several:
    """One requirement whose number is taken of several measurements, none of them changed.

    Parameters
    ----------
    partners : for each row, by the name of a role, its measurement or why there is none.
    """
    conditions = classed(lead.conditions, specification)
    blocked_by = specification.blocked_by_of(requirement)
    fit = fits(requirement, conditions, blocked_by)
    known = [_classed(each, specification) for each in partners]
    fit = [
        _hindered(each, _doubts_of(requirement, its, blocked_by))
        for each, its in zip(fit, known, strict=True)
    ]
    judgement = judge_drawn(lead.spectra, specification, requirement, conditions, fit, known)
    return Several(tuple(verdicts(judgement)))


def judge_lacking(
    specification: Specification,
    requirement: Requirement,
    lacking: Mapping[str, tuple[Conditions, str]],
) -> Several:
    """Verdicts on leads without the measurements that belong to them: not measurable.

    Parameters
    ----------
    lacking : by the measurement of the lead, how it was measured and what it lacks.
    """
    conditions = classed([each for each, _ in lacking.values()], specification)
    fit = [
        _hindered(each, why)
        for each, (_, why) in zip(fits(requirement, conditions), lacking.values(), strict=True)
    ]
    nothing = _nothing(tuple(lacking), requirement.spectral_unit)
    return Several(
        tuple(verdicts(judge_drawn(nothing, specification, requirement, conditions, fit, ())))
    )


def _doubts_of(
    requirement: Requirement, partners: Partners, blocked_by: Collection[Check]
) -> str | None:
    """The first of the other measurements that is in doubt, with why; None where none is."""
    for name, each in partners.items():
        if isinstance(each, str):
            continue
        if why := doubt_hindrance(requirement, each.conditions, blocked_by):
            return f"{name}: {why}"
    return None


def _classed(partners: Partners, specification: Specification) -> Partners:
    return {
        name: each
        if isinstance(each, str)
        else replace(each, conditions=classed([each.conditions], specification)[0])
        for name, each in partners.items()
    }


def _hindered(fit: Fit, why: str | None) -> Fit:
    return fit if fit.hindrance is not None or why is None else replace(fit, hindrance=why)


def _nothing(keys: tuple[str, ...], unit: SpectralUnit) -> SpectrumSet:
    return SpectrumSet(_ANYWHERE, np.full((len(keys), 1), np.nan), unit, keys)


def _fit_of(
    requirement: Requirement, row: Sequence[Conditions], blocked_by: Collection[Check]
) -> Fit:
    """How measurements that belong together stand to a requirement: as the lead, then each other.

    Where they were measured was compared when they were brought together; here each is held
    against what the requirement asks of a scan.
    """
    lead, *others = row
    fit = fits(requirement, [lead], blocked_by)[0]
    if not fit.applies or fit.hindrance is not None:
        return fit
    names = [role.name for role in requirement.roles[1:]]
    for name, each in zip(names, others, strict=True):
        there = each._replace(
            kind=lead.kind, angle_deg=lead.angle_deg, polarisation=lead.polarisation,
            side=lead.side, stage=lead.stage, site=lead.site, segment=lead.segment,
        )  # fmt: skip
        other = fits(requirement, [there], blocked_by)[0]
        if not other.applies:
            why = f"the {name} was measured in another way than the requirement asks for"
            return Fit(True, why)
        if other.hindrance is not None:
            return Fit(True, f"{name}: {other.hindrance}")
    return fit


def _with_bandwidths(
    requirement: Requirement, how: JoinedSegments, row: Sequence[Conditions]
) -> tuple[Conditions, ...]:
    """Conditions of segments with the bandwidths of the joined spectrum, each over its stretch.

    What is in doubt of a segment beyond its stretch matters to nobody.

    Where the scans count in another unit than the seams, all bandwidths of a segment are taken for
    those of its stretch.
    """
    ends = [EVERYWHERE[0], *how.seams, EVERYWHERE[1]]
    found: list[Bandwidth] = []
    doubts: list[tuple[Doubt, ...]] = []
    for each, low, high in zip(row, ends[:-1], ends[1:], strict=True):
        stretch = (low, high) if each.axis_unit == requirement.axis_unit else EVERYWHERE
        for known in each.bandwidths or (Bandwidth(*stretch, None),):
            start, stop = sorted((known.start, known.stop))
            start, stop = max(start, stretch[0]), min(stop, stretch[1])
            if start <= stop:
                found.append(Bandwidth(start, stop, known.bandwidth_nm))
        doubts.append(within(each.doubts, *stretch))
    return tuple(
        each._replace(bandwidths=tuple(found), doubts=own)
        for each, own in zip(row, doubts, strict=True)
    )


def _merged(requirement: Requirement, row: Sequence[Conditions]) -> Conditions:
    """Conditions of the spectrum made of several: those of the lead, where all agree on them."""
    lead = row[0]
    shared: dict[str, Any] = {
        name: getattr(lead, name) if len({getattr(each, name) for each in row}) == 1 else None
        for name in ("instrument", "accessory", "geometry", "segment")
    }
    merged = lead._replace(**shared)
    if isinstance(requirement.drawn_from, MeanOfPolarisations):
        merged = merged._replace(polarisation=COMBINED)
    return merged


def _named(verdict: Verdict, is_total: Mapping[str, bool]) -> Verdict:
    """Verdict with its quantity called absorptance where all light was gathered."""
    if verdict.quantity == "absorptance plus scatter" and is_total[verdict.measurement_id]:
        return replace(verdict, quantity="absorptance")
    return verdict


def _those_made(made: _Made, fit: Sequence[Fit]) -> SpectrumSet | None:
    """Spectra that a verdict was taken from."""
    if made.spectra is None:
        return None
    rows = [row for row, each in enumerate(fit) if each.applies and each.hindrance is None]
    if not rows:
        return None
    keys = tuple(made.spectra.keys[row] for row in rows)
    return SpectrumSet(made.spectra.axis, made.spectra.values[rows], made.spectra.unit, keys)


# --- how the spectra are made -----------------------------------------------------------------


def _made(requirement: Requirement, drawn: Sequence[Drawn]) -> _Made:
    how, sets = requirement.drawn_from, [each.spectra for each in drawn]
    if isinstance(how, JoinedSegments):
        return _end_to_end(requirement, how, sets)
    assert isinstance(how, OnOneAxis)
    lead, other = sets
    if isinstance(how, MeanOfPolarisations):
        unit = lead.unit
        if unit in LOGARITHMS:
            unit = "T" if unit == "A" else "R"
        lead, other = in_unit(lead, unit), in_unit(other, unit)
    brought = _on_axis_of(lead, other, requirement, how)
    if isinstance(brought, str):
        return _Made(None, dict.fromkeys(range(len(lead)), brought))
    if isinstance(how, Remainder):
        return _Made(absorptance_and_scatter(lead, brought))
    return _Made(unpolarised(lead, brought))


def _on_axis_of(
    lead: SpectrumSet, other: SpectrumSet, requirement: Requirement, how: OnOneAxis
) -> SpectrumSet | str:
    """The other spectra on the axis of the lead, or why they cannot be brought there."""
    if other.axis.id == lead.axis.id:
        return other
    name = requirement.roles[1].name
    found = f"the {name} has {_extent(other.axis)}, the {requirement.roles[0].name} "
    found += _extent(lead.axis)
    if how.largest_interval is None:
        return f"{found}; the requirement allows no resampling"
    if lead.axis.unit != requirement.axis_unit:
        return f"{found}; the requirement lets scans be resampled over {requirement.axis_unit}"
    try:
        return resampled(other, lead.axis, largest_interval=how.largest_interval)
    except ValueError as error:
        return f"{name}: {error}"


def _extent(axis: Axis) -> str:
    ends = f"{axis.values[0]:.10g} to {axis.values[-1]:.10g} {axis.unit}"
    return f"{len(axis)} points from {ends}"


def _end_to_end(
    requirement: Requirement, how: JoinedSegments, sets: Sequence[SpectrumSet]
) -> _Made:
    lead, names = sets[0], list(how.segments)
    try:
        seams = on_axis(
            lead.axis, np.array(how.seams), requirement.axis_unit, requirement.medium
        ).tolist()
        sets = [in_unit(each, requirement.spectral_unit) for each in sets]
        if turns_round(lead.axis.unit, requirement.axis_unit):
            sets, names, seams = [*reversed(sets)], [*reversed(names)], [*reversed(seams)]
        found = joined(sets, seams, largest_step=how.largest_step, names=names)
    except (UnitError, ValueError) as error:
        return _Made(None, dict.fromkeys(range(len(lead)), f"the segments do not fit: {error}"))
    spectra = found.spectra
    spectra = SpectrumSet(spectra.axis, spectra.values, spectra.unit, lead.keys)
    return _Made(spectra, found.reasons)
