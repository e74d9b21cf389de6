"""Columns of an unknown export: the axis, the spectra, what is neither, and their units."""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import get_args

from speclake.importing.drafting.parts import LINE_NAME, Parts, escaped
from speclake.importing.drafting.sheet import Sheet
from speclake.importing.drafting.tables import FoundTable, columns_of, counts_rows, is_steady
from speclake.importing.statedunits import (
    UnitText,
    axis_unit_in,
    likely_axis_unit,
    names_an_axis,
    quantities_in,
    value_unit_in,
)
from speclake.importing.words import has_stem, is_among
from speclake.units import QUANTITY_OF_UNIT, AxisUnit, Quantity, ValueUnit

AXIS_UNITS: tuple[AxisUnit, ...] = get_args(AxisUnit)
VALUE_UNITS: tuple[ValueUnit, ...] = get_args(ValueUnit)


@dataclass(frozen=True)
class Other:
    """Why a column is no spectrum, and whether that needs no question."""

    reason: str
    is_sure: bool


@dataclass(frozen=True)
class Roles:
    """What the columns of a table are; indices count from 0.

    Parameters
    ----------
    counter : column that only counts the rows.
    spectra : columns that may be spectra.
    others : columns that are none, with what says so.
    """

    axis: int
    counter: int | None
    spectra: tuple[int, ...]
    others: Mapping[int, Other]
    are_pairs: bool


def find_roles(lines: Sequence[str], found: FoundTable, parts: Parts) -> Roles:
    """What the columns of the first table are."""
    run = found.runs[0]
    if _are_pairs(lines, found, parts):
        return Roles(0, None, tuple(range(1, run.cells, 2)), {}, are_pairs=True)
    counter = 0 if run.axis == 1 and counts_rows(lines, found) else None
    rest = [index for index in range(run.cells) if index not in (run.axis, counter)]
    is_told = any(value_unit_in(_title(parts, index)) for index in rest)
    found_others = {index: _other(index, lines, found, parts, is_told=is_told) for index in rest}
    others = {index: other for index, other in found_others.items() if other}
    if len(others) == len(rest):
        others = {}
    spectra = tuple(index for index in rest if index not in others)
    return Roles(run.axis, counter, spectra, others, are_pairs=False)


def _other(
    index: int, lines: Sequence[str], found: FoundTable, parts: Parts, *, is_told: bool
) -> Other | None:
    """What says that a column is no spectrum; None where nothing does.

    Parameters
    ----------
    is_told : whether the titles of other columns state units of values.
    """
    title = _title(parts, index)
    if index in found.texts:
        return Other("it holds no numbers", is_sure=True)
    if value_unit_in(title):
        return None
    if has_stem(title, "other_columns", "stems"):
        return Other(f"its title is {title!r}", is_told)
    if is_steady(columns_of(lines, found.runs[0], found.reading)[index]):
        is_axis = names_an_axis(title) or axis_unit_in(title) is not None
        why = "its numbers rise or fall all the way, as those of an axis or a clock"
        return Other(why, is_told and is_axis)
    return Other(f"its title {title!r} states no unit", is_sure=False) if is_told else None


def _title(parts: Parts, index: int) -> str:
    return parts.titles[index] if parts.titles else ""


def _title_of_spectrum(parts: Parts, roles: Roles, index: int) -> str:
    """Title of a spectrum; of one in a pair, that of both its columns."""
    if not roles.are_pairs:
        return _title(parts, index)
    return f"{_title(parts, index - 1)} {_title(parts, index)}".strip()


def _are_pairs(lines: Sequence[str], found: FoundTable, parts: Parts) -> bool:
    """Whether every second column is an axis over about the same positions."""
    run = found.runs[0]
    if run.cells < 4 or run.cells % 2 or run.axis != 0:
        return False
    columns = columns_of(lines, run, found.reading)
    axes = [_without_end(column) for column in columns[::2]]
    if not all(axis and is_steady(axis) for axis in axes):
        return False
    if parts.titles:
        return all(names_an_axis(title) or axis_unit_in(title) for title in parts.titles[::2])
    if min(map(len, axes)) < 3:
        return False
    ends = [sorted((axis[0] or 0.0, axis[-1] or 0.0)) for axis in axes]
    low, high = max(first for first, _ in ends), min(last for _, last in ends)
    longest = max(last - first for first, last in ends)
    others = [column for column in columns[1::2] if is_steady(_without_end(column))]
    return high - low > 0.8 * longest and not others


def _without_end(column: Sequence[float | None]) -> list[float | None]:
    """Column without the empty cells below a spectrum that ends earlier than others."""
    numbers = list(column)
    while numbers and numbers[-1] is None:
        numbers.pop()
    return numbers


def say_columns(sheet: Sheet, found: FoundTable, parts: Parts, roles: Roles) -> None:
    """Write the tables of the axis and of the values."""
    _say_axis(sheet, found, parts, roles)
    if roles.are_pairs:
        sheet.say("values", "pairs", True, "every second column is an axis")
    _say_ignored(sheet, roles)
    _say_value_unit(sheet, found, parts, roles)
    if len(roles.spectra) > 1:
        _doubt_columns(sheet, parts, roles)


def _say_axis(sheet: Sheet, found: FoundTable, parts: Parts, roles: Roles) -> None:
    if not roles.are_pairs:
        why = "the column that rises or falls from row to row"
        sheet.say("axis", "column", roles.axis + 1, why)
    for where, text in _axis_texts(parts, roles):
        if unit := axis_unit_in(text):
            others = [each for each in AXIS_UNITS if each != unit]
            sheet.say("axis", "unit", unit, f"{where} has it", others)
            break
    else:
        _ask_axis_unit(sheet, parts, roles)
    if found.repeats:
        told = ", ".join(found.repeats[:5])
        question = f"{told} stand there twice: which value counts?"
        sheet.ask("axis", "duplicates", "mean", question, ["first", "last", "refuse"])
    sheet.offer(
        "axis", "medium", "air", "the medium in which the wavelengths are counted", ["vacuum"]
    )


def _axis_texts(parts: Parts, roles: Roles) -> Iterator[tuple[str, str]]:
    """Texts that may state the unit of the axis, with where they stand."""
    if title := _title(parts, roles.axis):
        yield f"the column title {title!r}", title
    if not parts.titles:
        for line in parts.last_lines:
            if names_an_axis(line) or not (parts.between and parts.between in line):
                yield f"the line {line!r}", line
    for name, text in parts.entries.items():
        bare = name.rpartition("/")[2]
        if is_among(bare, "axis_entries") or (names_an_axis(bare) and len(text) < 20):
            yield f"the header entry {name!r}", text


def _ask_axis_unit(sheet: Sheet, parts: Parts, roles: Roles) -> None:
    texts = [_title(parts, roles.axis), *parts.last_lines]
    likely = next((unit for text in texts if (unit := likely_axis_unit(text))), AXIS_UNITS[0])
    others = [unit for unit in AXIS_UNITS if unit != likely]
    question = "nm, um, cm-1 or eV; it stands nowhere in the file"
    sheet.ask("axis", "unit", likely, question, others)


def _say_ignored(sheet: Sheet, roles: Roles) -> None:
    others = dict(roles.others)
    if roles.counter is not None:
        others[roles.counter] = Other("it only counts the rows", is_sure=True)
    if not others:
        return
    ignored = [index + 1 for index in sorted(others)]
    why = "; ".join(f"column {index + 1}: {others[index].reason}" for index in sorted(others))
    if all(other.is_sure for other in others.values()):
        sheet.say("values", "ignore", ignored, why)
    else:
        sheet.ask("values", "ignore", ignored, f"are these no spectra? {why}")


def _doubt_columns(sheet: Sheet, parts: Parts, roles: Roles) -> None:
    sheet.doubt(f"values: are all {len(roles.spectra)} columns beside the axis spectra?")
    if not roles.are_pairs:
        numbers = [index + 1 for index in roles.spectra]
        sheet.offer("values", "columns", numbers, "name those that are, and ignore the rest")
    if parts.titles:
        pattern = r"(?P<sample>\w+)-(?P<site>\d+)"
        sheet.offer("values", "title_pattern", pattern, "what the titles tell")


def _say_value_unit(sheet: Sheet, found: FoundTable, parts: Parts, roles: Roles) -> None:
    """Say the unit of the values where it is told, and ask for it where it is not."""
    titles = [_title_of_spectrum(parts, roles, index) for index in roles.spectra]
    told = [unit for title in titles if (unit := value_unit_in(title))]
    stated = _stated_units(parts)
    against = _entry_against(parts, {QUANTITY_OF_UNIT[each.unit] for each in told})
    if told and against:
        _ask_value_unit(sheet, parts, titles, f"the titles and the header entry {against!r} differ")
    elif told:
        say_unit_of_titles(sheet, titles, told, is_one=len(found.runs) == 1)
    elif stated and len({each.unit for each in stated.values()}) == 1:
        name, unit = next(iter(stated.items()))
        text = parts.entries[name]
        sheet.say("values.unit_from", "entry", name, f"its text is {text!r}")
        why = "add the other texts that exports have there"
        sheet.say("values.unit_from", "units", {text: unit.unit}, why)
    elif of_line := _unit_of_lines(found, parts):
        line_unit, line = of_line
        sheet.say("values", "unit", line_unit.unit, f"the line {line!r} has it")
    elif combined := _unit_of_two_texts(parts, titles):
        name, value_unit, why = combined
        sheet.say("values.unit_from", "entry", name, why)
        units = {parts.entries[name]: value_unit}
        sheet.say("values.unit_from", "units", units, "add the other texts that exports have there")
    else:
        _ask_value_unit(sheet, parts, titles, "the numbers cannot tell")


def _entry_against(parts: Parts, quantities: set[Quantity]) -> str | None:
    """Header entry that states another quantity than these."""
    for name, text in parts.entries.items():
        if is_among(name.rpartition("/")[2], "value_entries"):
            unit = value_unit_in(text)
            stated = {QUANTITY_OF_UNIT[unit.unit]} if unit else quantities_in(text)
            if stated and stated.isdisjoint(quantities):
                return name
    return None


def _stated_units(parts: Parts) -> dict[str, UnitText]:
    """Header entries that state a unit of values, by name."""
    return {
        name: unit
        for name, text in parts.entries.items()
        if is_among(name.rpartition("/")[2], "value_entries") and (unit := value_unit_in(text))
    }


def say_unit_of_titles(
    sheet: Sheet, titles: Sequence[str], told: Sequence[UnitText], *, is_one: bool
) -> None:
    """Let the titles tell the unit, so that an export with other titles is refused."""
    texts = {each.text: str(each.unit) for each in told}
    if is_one and len(set(titles)) == 1:
        texts = {titles[0]: str(told[0].unit)}
    sheet.say("values.unit_from", "title", True, f"{', '.join(map(repr, texts))} stands there")
    if set(texts) != set(titles) or not is_one:
        longest_first = sorted(texts, key=len, reverse=True)
        pattern = "|".join(map(escaped, longest_first))
        sheet.say("values.unit_from", "pattern", pattern, "what stands in the titles")
    sheet.say("values.unit_from", "units", texts, "add what other exports have there")


def _unit_of_lines(found: FoundTable, parts: Parts) -> tuple[UnitText, str] | None:
    """Unit of values in a line of titles that is no line of cells, with the line."""
    if parts.titles:
        return None
    mark = found.reading.mark
    marks = r"\s{2,}" if mark == " " else rf"\s{{2,}}|{re.escape(mark)}"
    for line in parts.last_lines:
        if names_an_axis(line) or axis_unit_in(line):
            pieces = [unit for piece in re.split(marks, line) if (unit := value_unit_in(piece))]
            if len({unit.unit for unit in pieces}) == 1:
                return pieces[0], line
    return None


def _unit_of_two_texts(parts: Parts, titles: Sequence[str]) -> tuple[str, ValueUnit, str] | None:
    """Unit of values where the titles have the percent sign and the header the quantity."""
    if not titles or not all(re.fullmatch(r"\W*%\W*", title) for title in titles):
        return None
    units: dict[str, ValueUnit] = {"transmittance": "%T", "reflectance": "%R"}
    for name, text in parts.entries.items():
        quantities = quantities_in(text)
        is_stated = is_among(name.rpartition("/")[2], "value_entries") and len(quantities) == 1
        if is_stated and (unit := units.get(quantities.pop())):
            return name, unit, f"its text is {text!r}, and the titles are {titles[0]!r}"
    return None


def _ask_value_unit(sheet: Sheet, parts: Parts, titles: Sequence[str], why: str) -> None:
    texts = [*titles, *parts.entries.values(), *parts.last_lines]
    texts = [text for text in texts if not LINE_NAME.fullmatch(text)]
    named = [quantity for text in texts for quantity in sorted(quantities_in(text))]
    first = [unit for q in named for unit in VALUE_UNITS if QUANTITY_OF_UNIT[unit] == q]
    choices = list(dict.fromkeys([*first, *VALUE_UNITS]))
    question = f"%T, T, %R, R, A or log(1/R); {why}"
    sheet.ask("values", "unit", choices[0], question, choices[1:])
