"""One series set: which of its series is the axis, which are spectra, and which are neither."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import cast

import numpy as np
from speclake_plugins.animl.numbers import SERIES_TYPES
from speclake_plugins.animl.units import (
    AXIS_UNITS,
    Declared,
    Unclear,
    Unit,
    axis_unit,
    unit_of,
    value_unit,
)
from speclake_plugins.animl.valuesets import VALUE_SETS, Values, length_of, values_of
from speclake_plugins.animl.where import Element, Where, attribute, children, local_name, shown

from speclake.spectrum import FloatArray
from speclake.units import AxisUnit, ValueUnit

MOST_POINTS = 4_000_000
"""Points of one series."""

LARGEST_FRACTION = 2.0
NOTED_FRACTION = 1.2

_DEPENDENCIES = ("independent", "dependent")
_OTHER_TYPES = ("String", "Boolean", "DateTime", "EmbeddedXML", "PNG", "SVG")


@dataclass(frozen=True)
class Series:
    """One series as its attributes and its unit describe it."""

    id: str
    name: str
    dependency: str
    type: str
    unit: Unit | None
    value_sets: list[Element]
    where: Where
    element: Element

    def described(self) -> str:
        """Words for it in a message."""
        label = self.unit.label if self.unit else "no unit"
        return f"series {shown(self.name)} ({label})"


@dataclass(frozen=True)
class Axis:
    """Positions as listed, with what was tolerated."""

    positions: FloatArray
    unit: AxisUnit
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Curve:
    """A dependent series that is a spectrum."""

    series_id: str
    name: str
    values: FloatArray
    unit: ValueUnit
    notes: tuple[str, ...]


@dataclass(frozen=True)
class SeriesSet:
    """A series set, its series described but their numbers not yet read."""

    length: int
    series: tuple[Series, ...]
    where: Where
    element: Element


def described(element: Element, says: Declared, where: Where) -> SeriesSet:
    """Series of a set, without those that the format ignores.

    Raises
    ------
    speclake.errors.MalformedFile
        The set breaks the schema.
    """
    length = length_of(element, where)
    found: dict[str, Series] = {}
    for each in children(element, ("Series",), where):
        series = _described_series(each, where)
        if series.id in found:
            raise where.refusal(f"a second series {shown(series.id)}", "one ID a series", each)
        found[series.id] = series
    kept = tuple(each for each in found.values() if says.series.get(each.name) != "ignore")
    return SeriesSet(length, kept, where, element)


def _described_series(element: Element, where: Where) -> Series:
    series_id = attribute(element, "seriesID", where)
    here = where.at(f"series {series_id}")
    parts = children(element, (*VALUE_SETS, "Unit"), here, once=("Unit",))
    units = [part for part in parts if local_name(part) == "Unit"]
    dependency, kind = (attribute(element, name, here) for name in ("dependency", "seriesType"))
    if dependency not in _DEPENDENCIES:
        raise here.refusal(f"dependency {shown(dependency)}", " or ".join(_DEPENDENCIES), element)
    if kind not in (*SERIES_TYPES, *_OTHER_TYPES):
        expected = " or ".join((*SERIES_TYPES, *_OTHER_TYPES))
        raise here.refusal(f"seriesType {shown(kind)}", expected, element)
    return Series(
        id=series_id,
        name=attribute(element, "name", here),
        dependency=dependency,
        type=kind,
        unit=unit_of(units[0] if units else None, here),
        value_sets=[part for part in parts if local_name(part) != "Unit"],
        where=here,
        element=element,
    )


def unit_of_axis(series: Series, says: Declared) -> AxisUnit | None:
    """Unit of an independent series; None where it is no optical axis.

    Raises
    ------
    speclake.errors.MalformedFile
        Its unit could be read in more than one way.
    """
    declared = says.series.get(series.name)
    if declared in AXIS_UNITS:
        return declared
    if series.type not in SERIES_TYPES or series.unit is None or "shift" in series.name.casefold():
        return None
    try:
        return axis_unit(series.unit)
    except Unclear as error:
        raise _unclear(series, error) from error


def unit_of_values(series: Series, technique: str, says: Declared) -> ValueUnit | None:
    """Unit of a dependent series; None where it is no spectrum.

    Raises
    ------
    speclake.errors.MalformedFile
        Its unit could be read in more than one way.
    """
    declared = says.series.get(series.name)
    if declared is not None and declared not in AXIS_UNITS:
        return cast(ValueUnit, declared)
    if series.type not in SERIES_TYPES:
        return None
    try:
        return value_unit(series.name, series.unit, technique, says)
    except Unclear as error:
        raise _unclear(series, error) from error


def _unclear(series: Series, error: Unclear) -> Exception:
    found, expected = error.args
    what = f"series {shown(series.name)} with {found}"
    return series.where.refusal(what, expected, series.element)


def numbers_of(series: Series, length: int, spend: Callable[[int], None]) -> Values | None:
    """Numbers of a series; None where it has none of its own.

    Parameters
    ----------
    spend : told how many points are asked for, before memory is.

    Raises
    ------
    speclake.errors.MalformedFile
        The numbers are not there, or are none.
    """
    if not series.value_sets:
        return None
    if length > MOST_POINTS:
        raise series.where.refusal(
            f"{length} points", f"at most {MOST_POINTS} in one series", series.element
        )
    spend(length)
    return values_of(series.value_sets, series.type, length, series.where)


def positions_of(series: Series, values: Values, unit: AxisUnit) -> Axis:
    """Axis of an independent series: finite positions that only rise or only fall.

    Raises
    ------
    speclake.errors.MalformedFile
        A position is missing, repeats or turns back.
    """
    positions = values.numbers
    if np.isnan(positions).any():
        at = int(np.isnan(positions).argmax())
        raise series.where.refusal(
            f"no position at index {at}", "a position for each point", series.element
        )
    check_monotonic(positions, series.where, series.element)
    return Axis(positions, unit, tuple(f"axis: {note}" for note in values.notes))


def check_monotonic(positions: FloatArray, where: Where, element: Element) -> None:
    """Nothing, if the positions only rise or only fall.

    Raises
    ------
    speclake.errors.MalformedFile
        A position repeats or turns back.
    """
    steps = np.diff(positions)
    wrong = ~(steps > 0) if positions.size < 2 or positions[0] < positions[-1] else ~(steps < 0)
    if wrong.any():
        at = int(wrong.argmax())
        raise where.refusal(
            f"{positions[at]:.10g} at index {at} and then {positions[at + 1]:.10g}",
            "positions that only rise or only fall",
            element,
        )


def curve_of(series: Series, values: Values, unit: ValueUnit, says: Declared) -> Curve:
    """Spectrum of a dependent series.

    Raises
    ------
    speclake.errors.MalformedFile
        The numbers cannot be what the unit says.
    """
    notes = list(values.notes)
    if values.uncovered:
        notes.append(f"{values.uncovered} points have no value in the file and are missing")
    by_format = series.name in says.series or (
        series.unit is not None and series.unit.label in says.value_units
    )
    there = values.numbers[~np.isnan(values.numbers)]
    highest = float(there.max()) if there.size else 0.0
    if unit in ("T", "R") and not by_format and highest > NOTED_FRACTION:
        label = series.unit.label if series.unit else ""
        found = f"the unit {label!r}, a fraction, but values up to {highest:.6g}"
        if highest > LARGEST_FRACTION:
            raise series.where.refusal(
                found,
                "a fraction; where the instrument means percent, a format says it: "
                f'value_units = {{ "{label}" = "%{unit}" }}',
                series.element,
            )
        notes.append(f"{found}; confirm the unit")
    return Curve(series.id, series.name, values.numbers, unit, tuple(notes))
