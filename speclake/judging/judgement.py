"""Requirements against many spectra at once: columns of values, margins and outcomes."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from speclake.judging.conditions import Conditions, fits
from speclake.quantities.bands import holes_in, reduced
from speclake.quantities.exact import exact
from speclake.quantities.windows import Window, locate
from speclake.specs.model import Requirement, Specification
from speclake.specs.rounding import decimal_of, last_place, rounded_values
from speclake.specs.verdicts import Outcome
from speclake.spectrum import FloatArray, SpectrumSet
from speclake.units import QUANTITY_OF_UNIT, can_convert, convert_values, exact_factor

ENGINE_VERSION = "1"
"""Kept with every verdict; it changes whenever a number or an outcome could."""

OUTCOMES = (Outcome.PASS, Outcome.FAIL, Outcome.UNDECIDED, Outcome.NOT_MEASURABLE)
"""What the codes of `Column.outcome` stand for."""

PASS, FAIL, UNDECIDED, NOT_MEASURABLE = range(4)

IN_DOUBT = 1e-9
"""Relative distance from a limit below which a value is taken again in rational arithmetic.

It is far above the rounding of any sum over a spectrum and far below what a scan resolves.
"""

ROWS_AT_ONCE = 512
"""Spectra that all requirements look at before the next ones are fetched from memory."""

BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Column:
    """One requirement against all spectra of a set; each array has one entry a spectrum.

    `value` and `margin` are in the unit of the requirement and NaN where there is none. `margin` is
    the distance of the value, as it was compared, to the nearest limit, negative outside. `outcome`
    holds positions in `OUTCOMES`; where `applies` is false the requirement says nothing of the
    spectrum and the other entries mean nothing. `reason` holds positions in `reasons`.
    """

    requirement: Requirement
    applies: BoolArray
    value: FloatArray
    margin: FloatArray
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
    distinct: dict[Conditions, int] = {}
    group = np.array([distinct.setdefault(each, len(distinct)) for each in conditions], np.intp)
    windows: dict[tuple[object, ...], Window] = {}
    tasks = [
        _prepared(each, spectra, list(distinct), group, windows)
        for each in specification.requirements
    ]
    for begin in range(0, len(spectra), ROWS_AT_ONCE):
        block = slice(begin, min(begin + ROWS_AT_ONCE, len(spectra)))
        for task in tasks:
            _reduce(task, spectra, block)
    for task in tasks:
        _settle(task, spectra)
    return Judgement(spectra, specification, tuple(map(_column, tasks)))


@dataclass(eq=False)
class _Task:
    """One requirement on its way: what is known of each spectrum so far."""

    requirement: Requirement
    applies: BoolArray
    judged: BoolArray
    window: Window | None
    factor: Fraction | None
    value: FloatArray
    at: FloatArray
    reason: npt.NDArray[np.int32]
    texts: dict[str, int]

    def give_reason(self, rows: BoolArray | int, text: str) -> None:
        self.reason[rows] = self.texts.setdefault(text, len(self.texts))


def _prepared(
    requirement: Requirement,
    spectra: SpectrumSet,
    kinds: Sequence[Conditions],
    group: npt.NDArray[np.intp],
    windows: dict[tuple[object, ...], Window],
) -> _Task:
    """Which spectra are judged, where on the axis, and why the others are not."""
    n = len(spectra)
    nobody = np.zeros(n, np.bool_)
    task = _Task(requirement, nobody, nobody, None, None, np.full(n, np.nan), np.full(n, np.nan),
                 np.zeros(n, np.int32), {"": 0})  # fmt: skip
    if not can_convert(spectra.unit, requirement.unit):
        return task
    found = fits(requirement, kinds)
    task.applies = np.array([each.applies for each in found], np.bool_)[group]
    task.judged = np.array([each.applies and not each.hindrance for each in found], np.bool_)[group]
    task.factor = exact_factor(spectra.unit, requirement.unit)
    if task.factor is None:
        task.give_reason(task.judged, f"converted from {spectra.unit} to {requirement.unit}")
    for number, each in enumerate(found):
        if each.hindrance is not None:
            task.give_reason(group == number, each.hindrance)
    task.window = _window(requirement, spectra, windows)
    if task.window.problem is not None:
        task.give_reason(task.judged, task.window.problem)
        task.judged = nobody
    return task


def _window(
    requirement: Requirement, spectra: SpectrumSet, windows: dict[tuple[object, ...], Window]
) -> Window:
    low, high = requirement.band or (requirement.at, None)
    assert low is not None  # the model asks for a band or a position
    place = (low, high, requirement.axis_unit, requirement.medium, requirement.largest_interval)
    if place not in windows:
        windows[place] = locate(
            spectra.axis,
            low,
            high,
            unit=requirement.axis_unit,
            medium=requirement.medium,
            largest_interval=requirement.largest_interval,
        )
    return windows[place]


def _reduce(task: _Task, spectra: SpectrumSet, block: slice) -> None:
    """Numbers of a block of spectra, in the unit of the requirement, as float64 gives them."""
    judged = task.judged[block]
    if task.window is None or not judged.any():
        return
    rows: slice | npt.NDArray[np.intp] = block
    if not judged.all():
        rows = block.start + np.flatnonzero(judged)
    values, unit = spectra.values[rows], task.requirement.unit
    if task.factor is None:
        # a logarithm changes what lies between two points: convert first, then reduce
        changed = convert_values(values[:, task.window.needed], spectra.unit, unit)
        found = reduced(task.requirement.what, changed, task.window.narrowed())
        value = found.value
    else:
        found = reduced(task.requirement.what, values, task.window)
        value = convert_values(found.value, spectra.unit, unit)
    task.value[rows] = value
    if found.at is not None:
        task.at[rows] = found.at


def _settle(task: _Task, spectra: SpectrumSet) -> None:
    """Exact numbers where float64 could mislead, and reasons where there is no number."""
    window, factor = task.window, task.factor
    if window is None or window.problem is not None:
        return
    what = task.requirement.what
    is_computed = what == "mean" or factor != 1 or window.before or window.after
    if factor is not None and is_computed:
        for row in np.flatnonzero(_in_doubt(task.value, task.requirement)):
            task.value[row] = float(exact(what, spectra.values[row], window) * factor)
    for row in np.flatnonzero(task.judged & np.isnan(task.value)):
        why = _missing(spectra.values[row : row + 1], window, spectra, task.requirement)
        task.give_reason(int(row), why)


def _missing(
    row: FloatArray, window: Window, spectra: SpectrumSet, requirement: Requirement
) -> str:
    hole = holes_in(row, window)[0]
    axis_unit = spectra.axis.unit
    if not np.isnan(hole):
        return f"the value at {hole:.10g} {axis_unit} is missing"
    changed = convert_values(row[:, window.needed], spectra.unit, requirement.unit)
    point = window.needed.start + int(np.isnan(changed[0]).argmax())
    return (
        f"the value of {row[0, point]:.6g} {spectra.unit} at "
        f"{spectra.axis.values[point]:.10g} {axis_unit} has no {QUANTITY_OF_UNIT[requirement.unit]}"
    )


def _in_doubt(values: FloatArray, requirement: Requirement) -> BoolArray:
    """Which values lie so near to a limit, or to a tie of rounding, that float64 may mislead."""
    size = np.maximum(1.0, np.abs(values))
    doubtful = np.zeros(values.shape, np.bool_)
    for mark in _marks(requirement):
        doubtful |= np.abs(values - mark) <= IN_DOUBT * size
    if requirement.decision == "rounded":
        digits = values / 10.0 ** last_place(requirement.limits[0])
        distance = np.abs(digits - np.floor(digits) - 0.5)
        doubtful |= distance <= IN_DOUBT * np.maximum(1.0, np.abs(digits))
    return doubtful


def _marks(requirement: Requirement) -> list[float]:
    reach = requirement.undecided_within
    shifts = [Decimal(0)] if reach is None else [Decimal(0), decimal_of(reach), -decimal_of(reach)]
    return [float(Decimal(limit) + shift) for limit in requirement.limits for shift in shifts]


def _column(task: _Task) -> Column:
    """Outcomes of values that are final.

    A value and a limit are compared as float64; since a limit has at most 14 digits this is the
    comparison of their decimal texts.
    """
    requirement, value = task.requirement, task.value
    compared = value
    if requirement.decision == "rounded":
        compared = rounded_values(value, last_place(requirement.limits[0]))
    margin = np.full(value.shape, np.inf)
    if requirement.at_least is not None:
        margin = compared - float(requirement.at_least)
    if requirement.at_most is not None:
        margin = np.minimum(margin, float(requirement.at_most) - compared)
    outcome = np.where(margin >= 0, PASS, FAIL).astype(np.int8)
    reach = requirement.undecided_within
    if reach is not None:
        for limit in requirement.limits:
            low, high = (float(Decimal(limit) + sign * decimal_of(reach)) for sign in (-1, 1))
            outcome[(value >= low) & (value <= high)] = UNDECIDED
    outcome[np.isnan(value)] = NOT_MEASURABLE
    return Column(
        requirement=requirement,
        applies=task.applies,
        value=value,
        margin=margin,
        at=task.at,
        outcome=outcome,
        reason=task.reason,
        reasons=tuple(task.texts),
    )
