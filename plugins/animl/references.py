"""Axes by reference: a series of another step named by its ID, or a range of the parent's axis."""

from collections.abc import Callable

from speclake_plugins.animl.document import results
from speclake_plugins.animl.numbers import SERIES_TYPES
from speclake_plugins.animl.series import (
    Axis,
    Series,
    SeriesSet,
    described,
    numbers_of,
    positions_of,
    unit_of_axis,
)
from speclake_plugins.animl.steps import PointReference, Step
from speclake_plugins.animl.units import Declared
from speclake_plugins.animl.where import Where, local_name, shown

from speclake.importing.interface import Source
from speclake.spectrum import FloatArray
from speclake.units import AxisUnit

_FREE_POINTS = 4_000_000
_POINTS_A_BYTE = 4
_CHARACTERS_A_POINT = 8


class Budget:
    """How much a file may ask for in all, so that a small one cannot ask for much memory.

    A start and an increment stand for millions of points, and a header goes with every spectrum.
    """

    def __init__(self, source: Source) -> None:
        self._where = Where(source.name)
        self._most = self._left = _FREE_POINTS + _POINTS_A_BYTE * source.size

    def spend(self, points: int) -> None:
        """Nothing, if so many points are left.

        Raises
        ------
        speclake.errors.MalformedFile
            They are not.
        """
        self._left -= points
        if self._left < 0:
            raise self._where.refusal(
                "series and headers far longer than the file itself",
                f"at most {self._most} points in a file of this size",
            )

    def spend_text(self, characters: int) -> None:
        """Nothing, if a header of this length is left; raises as `spend` does."""
        self.spend(1 + characters // _CHARACTERS_A_POINT)


class Axes:
    """Axes of a file by step and series ID.

    They are gathered, in a reading of their own, only when a step first refers to one: most files
    have no reference, and of those that have, a step may come before the one that it refers to.
    """

    def __init__(self, source: Source, says: Declared) -> None:
        self._source, self._says = source, says
        self._held: dict[tuple[str, str], list[Axis]] | None = None

    def named_by(self, step: Step, series: Series, length: int) -> Axis:
        """Axis that a series without values stands for.

        It is the one series of its ID in the steps around its own and in those whose data its
        step consumes.

        Raises
        ------
        speclake.errors.MalformedFile
            There is none or more than one, or its length is another.
        """
        steps = (*step.parents, *step.consumed)
        found = [
            (each, axis) for each in dict.fromkeys(steps) for axis in self._of(each, series.id)
        ]
        if len({(id(axis.positions), axis.unit) for _, axis in found}) != 1:
            raise series.where.refusal(
                f"a series without values, and {len(found)} series {shown(series.id)} in the "
                "steps around it and those that it consumes",
                "values of its own, or one such series that it stands for",
                series.element,
            )
        other, axis = found[0]
        if axis.positions.size != length:
            raise series.where.refusal(
                f"{axis.positions.size} points in step {other}, to which it refers",
                f"{length}, the length of its series set",
                series.element,
            )
        return _referring(axis, f"axis taken from step {other}, series {series.id}, by reference")

    def range_of_parent(self, step: Step, series_set: SeriesSet) -> Axis | None:
        """Axis of a set without an independent series: the range of its parent's axis.

        None where its step names no range of an axis of light.

        Raises
        ------
        speclake.errors.MalformedFile
            The range holds another number of points than the set.
        """
        ranges = [each for each in step.points if each.end is not None]
        found = [
            (each, axis)
            for each in ranges
            for axis in (self._of(step.parents[0], each.series_id) if step.parents else [])
        ]
        if not found:
            return None
        if len(found) > 1:
            what = f"{len(found)} axes whose ranges its step refers to"
            raise series_set.where.refusal(what, "one", series_set.element)
        return self._part(step, series_set, *found[0])

    @staticmethod
    def _part(step: Step, series_set: SeriesSet, named: PointReference, axis: Axis) -> Axis:
        low, high = sorted((named.start, named.end or 0.0))
        inside = axis.positions[(axis.positions >= low) & (axis.positions <= high)]
        if inside.size != series_set.length:
            raise series_set.where.refusal(
                f"{inside.size} points of series {named.series_id} from {low:g} to {high:g}",
                f"{series_set.length}, the length of the series set",
                series_set.element,
            )
        note = f"axis taken from step {step.parents[0]}, series {named.series_id}, by reference"
        return _referring(Axis(inside, axis.unit, axis.notes), note)

    def _of(self, step_id: str, series_id: str) -> list[Axis]:
        if self._held is None:
            self._held = self._gathered()
        return self._held.get((step_id, series_id), [])

    def _gathered(self) -> dict[tuple[str, str], list[Axis]]:
        budget = Budget(self._source)
        held: dict[tuple[str, str], list[Axis]] = {}
        same: dict[bytes, FloatArray] = {}
        for step, number, result in results(self._source):
            for part in result:
                if local_name(part) != "SeriesSet":
                    continue
                where = step.where.at(f"result {number}")
                series_set = described(part, self._says, where)
                for series in series_set.series:
                    unit = _unit_of_kept(series, self._says)
                    if unit is None:
                        continue
                    axis = own_axis(series, series_set.length, unit, budget.spend)
                    if axis is not None:
                        # thousands of steps often share one grid
                        once = same.setdefault(axis.positions.tobytes(), axis.positions)
                        shared = Axis(once, axis.unit, axis.notes)
                        held.setdefault((step.id, series.id), []).append(shared)
        return held


def own_axis(
    series: Series, length: int, unit: AxisUnit, spend: Callable[[int], None]
) -> Axis | None:
    """Axis from the values of a series; None where it has none."""
    values = numbers_of(series, length, spend)
    return None if values is None else positions_of(series, values, unit)


def _unit_of_kept(series: Series, says: Declared) -> AxisUnit | None:
    is_axis = series.dependency == "independent" and series.type in SERIES_TYPES
    return unit_of_axis(series, says) if is_axis and series.value_sets else None


def _referring(axis: Axis, note: str) -> Axis:
    return Axis(axis.positions, axis.unit, (*axis.notes, note))
