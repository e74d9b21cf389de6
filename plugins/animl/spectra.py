"""Spectra from the results of a file, each with an axis of its own or one that it refers to."""

from collections.abc import Iterator, Sequence

from speclake_plugins.animl.declared import Settings
from speclake_plugins.animl.document import is_signed, results
from speclake_plugins.animl.header import Header, add_attributes, add_category
from speclake_plugins.animl.references import Axes, Budget, own_axis
from speclake_plugins.animl.series import (
    Axis,
    Curve,
    Series,
    SeriesSet,
    curve_of,
    described,
    numbers_of,
    unit_of_axis,
    unit_of_values,
)
from speclake_plugins.animl.steps import Step
from speclake_plugins.animl.where import Element, Where, local_name, shown

from speclake.importing.interface import Source
from speclake.spectrum import Spectrum
from speclake.units import AxisUnit


def spectra_of(source: Source, says: Settings) -> Iterator[Spectrum]:
    """Spectra of a file in file order.

    Raises
    ------
    speclake.errors.MalformedFile
        The file cannot be read without guessing, or holds no spectrum of ours.
    """
    reading = _Reading(source, says)
    given, first_other = 0, ""
    for step, number, result in results(source):
        at = len(step.notes)
        for spectrum in reading.of_result(step, number, result):
            given += 1
            yield spectrum
        if len(step.notes) > at and not first_other:
            first_other = f"{step.where.place}: {step.notes[at]}"
    if not given:
        raise Where(source.name).refusal(
            first_other or "no result with a series set",
            "a spectrum against wavelength, wavenumber or photon energy, which is what speclake "
            "archives",
        )


class _Reading:
    """One reading of one file."""

    def __init__(self, source: Source, says: Settings) -> None:
        self._says = says
        self._budget = Budget(source)
        self._axes = Axes(source, says.units)
        # looked for beforehand, so that no result has to wait for the end of the file
        unchecked = "digital signatures in the file were not checked"
        self._notes = (unchecked,) if is_signed(source) else ()

    def of_result(self, step: Step, number: int, result: Element) -> Iterator[Spectrum]:
        """Spectra of one result; what is none becomes a note of its step."""
        where = step.where.at(f"result {number}")
        sets = [part for part in result if local_name(part) == "SeriesSet"]
        if not sets:
            return
        if step.other_technique:
            step.note(f"result {number} is of {step.other_technique!r}; it is not read")
            return
        series_set = described(sets[0], self._says.units, where)
        axis, curves = self._axis_and_curves(step, number, series_set)
        if axis is None or not curves:
            return
        header = Header()
        header.add_all(step.header)
        add_attributes(header, "Result/", result, ("name",))
        for part in result:
            if local_name(part) == "Category":
                add_category(header, "Result/", part, where)
        for curve in curves:
            yield self._spectrum(step, where, header, axis, curve)

    def _axis_and_curves(
        self, step: Step, number: int, series_set: SeriesSet
    ) -> tuple[Axis | None, list[Curve]]:
        axis = self._axis(step, number, series_set)
        if axis is None:
            return None, []
        curves = []
        for series in series_set.series:
            if series.dependency == "independent":
                continue
            unit = unit_of_values(series, step.technique, self._says.units)
            if unit is None:
                step.note(f"{series.described()} is no spectrum; it is not read")
                continue
            values = numbers_of(series, series_set.length, self._budget.spend)
            if values is None:
                raise series.where.refusal("no values", "a value set", series.element)
            curves.append(curve_of(series, values, unit, self._says.units))
        return axis, curves

    def _axis(self, step: Step, number: int, series_set: SeriesSet) -> Axis | None:
        """Axis of a series set; None, and a note, where it has no optical one."""
        independent = [each for each in series_set.series if each.dependency == "independent"]
        if not series_set.length:
            step.note(f"result {number} has no points; it is not read")
            return None
        if not independent:
            axis = self._axes.range_of_parent(step, series_set)
            if axis is None:
                step.note(f"result {number} has no independent series; it is not read")
            return axis
        by_unit = [(each, unit_of_axis(each, self._says.units)) for each in independent]
        optical = [(each, unit) for each, unit in by_unit if unit is not None]
        if len(independent) > 1 and optical:
            names = " and ".join(shown(each.name) for each in independent)
            raise series_set.where.refusal(
                f"{len(independent)} independent series: {names}",
                "one; a format can say which to ignore (docs/animl.md)",
                series_set.element,
            )
        if optical:
            return self._own_or_named(step, series_set, *optical[0])
        if len(independent) == 1 and independent[0].unit is None:
            return self._without_unit(step, number, series_set, independent[0])
        step.note(f"result {number}, {independent[0].described()}: no axis of light")
        return None

    def _own_or_named(
        self, step: Step, series_set: SeriesSet, series: Series, unit: AxisUnit
    ) -> Axis:
        axis = own_axis(series, series_set.length, unit, self._budget.spend)
        if axis is not None:
            return axis
        axis = self._axes.named_by(step, series, series_set.length)
        if axis.unit != unit:
            found = f"a series in {unit} that refers to one in {axis.unit}"
            raise series.where.refusal(found, "one unit", series.element)
        return axis

    def _without_unit(
        self, step: Step, number: int, series_set: SeriesSet, series: Series
    ) -> Axis | None:
        if not series.value_sets:
            return self._axes.named_by(step, series, series_set.length)
        dependent = [each for each in series_set.series if each.dependency == "dependent"]
        if any(unit_of_values(each, step.technique, self._says.units) for each in dependent):
            raise series.where.refusal(
                f"the independent series {shown(series.name)} without a Unit",
                f"one, or a format that says: series = {{ {series.name!r} = ... }}",
                series.element,
            )
        step.note(f"result {number} has no spectrum; it is not read")
        return None

    def _spectrum(
        self, step: Step, where: Where, shared: Header, axis: Axis, curve: Curve
    ) -> Spectrum:
        header = {**shared.entries, "Series/name": curve.name}
        self._budget.spend_text(shared.characters)
        fields = dict(step.fields)
        notes: Sequence[str] = (*self._notes, *step.notes, *axis.notes, *curve.notes)
        for name, entry in self._says.fields.items():
            if text := header.get(entry):
                fields[name] = text
        return Spectrum.as_listed(
            axis.positions,
            curve.values,
            axis_unit=axis.unit,
            unit=curve.unit,
            header=header,
            fields=fields,
            place=where.at(f"series {curve.series_id}").place,
            notes=tuple(dict.fromkeys(notes)),
        )
