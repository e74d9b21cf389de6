"""Requirements against many spectra at once: columns of values, margins and outcomes."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from speclake.judging.banded import BandTask, Rows
from speclake.judging.conditions import (
    Conditions,
    Fit,
    classed,
    fits,
    of_another_quantity,
    weighed,
)
from speclake.judging.deciding import decide, settled
from speclake.judging.reasons import BoolArray, Reasons
from speclake.judging.taking import TAKERS, Given
from speclake.judging.taking.given import Partners
from speclake.judging.taking.places import where_of
from speclake.judging.uncertainty import Uncertainty
from speclake.judging.uncertainty.propagating import Found, uncertainty_of
from speclake.quantities.smoothing import smoothed
from speclake.specs.model import Specification
from speclake.specs.requirements import BandRequirement, Requirement, ValueRequirement
from speclake.spectrum import FloatArray, SpectrumSet
from speclake.units import can_convert, convert_values, exact_factor

ENGINE_VERSION = "2"
"""Kept with every verdict; it changes whenever a number or an outcome could."""

ROWS_AT_ONCE = 512
"""Spectra that all requirements look at before the next ones are fetched from memory."""


@dataclass(frozen=True, eq=False)
class Column:
    """One requirement against all spectra of a set; each array has one entry a spectrum.

    `value` and `margin` are in the unit of the requirement and NaN where there is none. `bound`
    says whether the value is only a bound, as in `speclake.quantities.values`. `margin` is
    the distance of the value, as it was compared, to the nearest limit, negative outside. `outcome`
    holds positions in `OUTCOMES`; where `applies` is false the requirement says nothing of the
    spectrum and the other entries mean nothing. `guard` and `conformity` are as in
    `speclake.judging.deciding.Decided`. `reason` holds positions in `reasons`.
    """

    requirement: Requirement
    applies: BoolArray
    value: FloatArray
    bound: npt.NDArray[np.int8]
    margin: FloatArray
    uncertainty: Uncertainty
    guard: FloatArray
    conformity: FloatArray
    at: FloatArray
    outcome: npt.NDArray[np.int8]
    reason: npt.NDArray[np.int32]
    reasons: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Judgement:
    """A specification against a set of spectra."""

    spectra: SpectrumSet
    specification: Specification
    columns: tuple[Column, ...]
    engine_version: str = ENGINE_VERSION


def judge_columns(
    spectra: SpectrumSet, specification: Specification, conditions: Sequence[Conditions]
) -> Judgement:
    """Every requirement against every spectrum that it applies to, without a row being made.

    Requirements that draw on several measurements are left out; see `speclake.judging.several`.

    Parameters
    ----------
    conditions : one for each spectrum, in the order of the set.

    Raises
    ------
    ValueError
        There are not as many conditions as spectra.
    """
    if len(conditions) != len(spectra):
        raise ValueError(f"{len(conditions)} conditions for {len(spectra)} spectra")
    conditions = weighed(classed(conditions, specification), specification)
    distinct: dict[Conditions, int] = {}
    group = np.array([distinct.setdefault(each, len(distinct)) for each in conditions], np.intp)
    kinds = list(distinct)
    tasks = [
        _prepared(
            each,
            spectra,
            lambda asked: fits(asked, kinds, specification.blocked_by_of(asked)),
            group,
        )
        for each in specification.requirements
        if not each.roles
    ]
    return _judged(tasks, spectra, specification, conditions)


def judge_drawn(
    spectra: SpectrumSet,
    specification: Specification,
    requirement: Requirement,
    conditions: Sequence[Conditions],
    fit: Sequence[Fit],
    partners: Sequence[Partners],
) -> Judgement:
    """One requirement that draws on several measurements, on the spectra made of them.

    Parameters
    ----------
    conditions, fit : how each spectrum was measured, and how it stands to the requirement.
    partners : the other measurements of each, where the number itself asks for them.
    """
    rows = np.arange(len(spectra))
    task = _prepared(requirement, spectra, lambda _: fit, rows)
    task.partners = partners
    return _judged([task], spectra, specification, conditions)


def _judged(
    tasks: Sequence["_Task"],
    spectra: SpectrumSet,
    specification: Specification,
    conditions: Sequence[Conditions],
) -> Judgement:
    for begin in range(0, len(spectra), ROWS_AT_ONCE):
        block = slice(begin, min(begin + ROWS_AT_ONCE, len(spectra)))
        for task in tasks:
            _take(task, spectra, conditions, block)
    columns = (_column(each, spectra, specification, conditions) for each in tasks)
    return Judgement(spectra, specification, tuple(columns))


@dataclass(eq=False)
class _Task:
    """One requirement on its way: what is known of each spectrum so far."""

    requirement: Requirement
    applies: BoolArray
    judged: BoolArray
    value: FloatArray
    bound: npt.NDArray[np.int8]
    at: FloatArray
    method: FloatArray
    reasons: Reasons
    band: BandTask | None = None
    partners: Sequence[Partners] = ()

    @classmethod
    def of(cls, requirement: Requirement, n: int) -> "_Task":
        """Task that speaks of none of `n` spectra."""
        return cls(
            requirement, np.zeros(n, np.bool_), np.zeros(n, np.bool_), np.full(n, np.nan),
            np.zeros(n, np.int8), np.full(n, np.nan), np.full(n, np.nan), Reasons(n),
        )  # fmt: skip


def _prepared(
    requirement: Requirement,
    spectra: SpectrumSet,
    fitting: Callable[[Requirement], Sequence[Fit]],
    group: npt.NDArray[np.intp],
) -> _Task:
    """Which spectra are judged, where on the axis, and why the others are not."""
    task, unit = _Task.of(requirement, len(spectra)), requirement.spectral_unit
    found = fitting(requirement)
    if not can_convert(spectra.unit, unit):
        found = [of_another_quantity(requirement, each, spectra.unit) for each in found]
    task.applies = np.array([each.applies for each in found], np.bool_)[group]
    task.judged = np.array([each.applies and not each.hindrance for each in found], np.bool_)[group]
    for number, each in enumerate(found):
        if each.hindrance is not None:
            task.reasons.give(group == number, each.hindrance)
    if not task.judged.any():
        return task
    factor = exact_factor(spectra.unit, unit)
    if factor is None and not requirement.as_exported:
        task.reasons.give(task.judged, f"converted from {spectra.unit} to {unit}")
    is_smoothed = requirement.after_smoothing is not None
    if isinstance(requirement, BandRequirement | ValueRequirement) and not is_smoothed:
        task.band = BandTask(requirement, where_of(requirement).on(spectra), factor)
        if task.band.window.problem is not None:
            task.reasons.give(task.judged, task.band.window.problem)
            task.judged = np.zeros(len(spectra), np.bool_)
    return task


def _take(
    task: _Task, spectra: SpectrumSet, conditions: Sequence[Conditions], block: slice
) -> None:
    """Take the numbers of a block of spectra, in the unit of the requirement."""
    judged = task.judged[block]
    if not judged.any():
        return
    numbers = block.start + np.flatnonzero(judged)
    rows: Rows = block if judged.all() else numbers
    if task.band is not None:
        task.value[rows], at = task.band.numbers(spectra, rows)
        if at is not None:
            task.at[rows] = at
        return
    unit = spectra.unit if task.requirement.as_exported else task.requirement.spectral_unit
    chosen = SpectrumSet(
        spectra.axis,
        convert_values(spectra.values[rows], spectra.unit, unit),
        unit,
        tuple(spectra.keys[number] for number in numbers),
    )
    smoothing = task.requirement.after_smoothing
    if smoothing is not None:
        chosen = smoothed(chosen, smoothing.window, smoothing.degree)
    given = Given(
        [conditions[number] for number in numbers],
        [task.partners[number] for number in numbers] if task.partners else (),
    )
    found = TAKERS[type(task.requirement)](chosen, task.requirement, given)
    task.value[rows] = settled(found.value, task.requirement)
    if found.at is not None:
        task.at[rows] = found.at
    if found.bound is not None:
        task.bound[rows] = found.bound
    if found.standard_uncertainty is not None:
        task.method[rows] = found.standard_uncertainty
    for place, why in found.reasons.items():
        task.reasons.give(int(numbers[place]), why if smoothing is None else f"{why}; {SMOOTHED}")


def _column(
    task: _Task,
    spectra: SpectrumSet,
    specification: Specification,
    conditions: Sequence[Conditions],
) -> Column:
    """What became of a requirement: final numbers, their outcomes, and reasons where none is."""
    if task.band is not None and task.band.window.problem is None:
        task.band.settle(spectra, task.value)
        for row in np.flatnonzero(task.judged & np.isnan(task.value)):
            task.reasons.give(int(row), task.band.why_missing(spectra, int(row)))
    uncertainty = uncertainty_of(
        task.requirement,
        spectra,
        conditions,
        Found(task.value, task.at, task.method),
        specification.instrument_class_of,
    )
    decided = decide(task.requirement, task.value, task.bound, uncertainty)
    task.reasons.put_before(decided.reasons)
    return Column(
        requirement=task.requirement,
        applies=task.applies,
        value=task.value,
        bound=task.bound,
        margin=decided.margin,
        uncertainty=uncertainty,
        guard=decided.guard,
        conformity=decided.conformity,
        at=task.at,
        outcome=decided.outcome,
        reason=task.reasons.of,
        reasons=task.reasons.texts,
    )


SMOOTHED = (
    "a smoothed value needs the spectrum over half the window on both sides, with no value missing "
    "and points enough"
)
