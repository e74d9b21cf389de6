"""The value sets of a series: individual, encoded and incremented, put where their indices say."""

from dataclasses import dataclass
from typing import cast

import numpy as np
from speclake_plugins.animl.numbers import SERIES_TYPES, BadNumber, decoded, incremented, numbers
from speclake_plugins.animl.where import (
    NAMESPACE,
    Element,
    Where,
    attribute,
    children,
    local_name,
    shown,
)

from speclake.spectrum import FloatArray

VALUE_SETS = ("IndividualValueSet", "EncodedValueSet", "AutoIncrementedValueSet")
_NUMERIC_ELEMENTS = ("I", "L", "F", "D")
_CORE = {"c": NAMESPACE}
# elements of one name and nothing else, each with one text
_IS_PLAIN = (
    "count(descendant::*) = count(c:{0}) and not(c:{0}[count(node()) != 1])"
    " and not(text()[normalize-space()])"
)


@dataclass(frozen=True)
class Values:
    """The numbers of a series.

    Parameters
    ----------
    numbers : one a point; NaN where the file says NaN or no value set covers the point.
    uncovered : how many points no value set covers.
    notes : what was tolerated, in words.
    """

    numbers: FloatArray
    uncovered: int
    notes: tuple[str, ...]


def length_of(series_set: Element, where: Where) -> int:
    """Number of points that each series of a set has, by its attribute ``length``."""
    text = attribute(series_set, "length", where)
    length = _index(text)
    if length is None:
        raise where.refusal(f"length {shown(text)}", "a number of points", series_set)
    return length


def values_of(
    value_sets: list[Element], series_type: str, length: int, where: Where
) -> Values | None:
    """Numbers of a series; None where it has no value set.

    Parameters
    ----------
    value_sets : elements of one kind.
    series_type : a numeric one, a key of `SERIES_TYPES`.
    length : number of points of every series of its set.

    Raises
    ------
    speclake.errors.MalformedFile
        A number is none, or the value sets do not fit one another or the length.
    """
    if not value_sets:
        return None
    kinds = {local_name(each) for each in value_sets}
    if len(kinds) > 1:
        raise where.refusal(" and ".join(sorted(kinds)), "one kind of value set", value_sets[0])
    found = np.full(length, np.nan)
    covered = np.zeros(length, dtype=bool)
    notes: dict[str, None] = {}
    for value_set in value_sets:
        try:
            start, part = _part(value_set, series_type, length, len(value_sets) > 1, where, notes)
        except BadNumber as error:
            what, expected = error.args
            raise where.refusal(what, expected, value_set) from error
        place = slice(start, start + part.size)
        if covered[place].any():
            raise where.refusal(
                f"a second value for index {start + int(covered[place].argmax())}",
                "value sets that do not overlap",
                value_set,
            )
        found[place], covered[place] = part, True
    if series_type == "Float32":
        notes.setdefault("single precision (Float32)")
    return Values(found, length - int(covered.sum()), tuple(notes))


def _part(
    value_set: Element,
    series_type: str,
    length: int,
    one_of_several: bool,
    where: Where,
    notes: dict[str, None],
) -> tuple[int, FloatArray]:
    """First index and numbers of one value set."""
    start, end = _indices(value_set, length, one_of_several, where)
    kind = local_name(value_set)
    if kind == "AutoIncrementedValueSet":
        last = length - 1 if end is None else end
        return start, _incremented(value_set, last - start + 1, where)
    if kind == "EncodedValueSet":
        if len(value_set):
            raise where.refusal("an element in EncodedValueSet", "base64 text", value_set)
        part = decoded(value_set.text or "", SERIES_TYPES[series_type][1])
    else:
        part = _individual(value_set, series_type, where, notes)
    _check_count(value_set, part.size, start, end, length, one_of_several, where)
    return start, part


def _indices(
    value_set: Element, length: int, one_of_several: bool, where: Where
) -> tuple[int, int | None]:
    said: dict[str, int | None] = {}
    for name in ("startIndex", "endIndex"):
        text = value_set.get(name)
        said[name] = None if text is None else _index(text.strip())
        if text is not None and said[name] is None:
            raise where.refusal(f"{name} {shown(text)}", "a number from 0 on", value_set)
    start, end = said["startIndex"], said["endIndex"]
    if start is None and one_of_several:
        found = f"one of several {local_name(value_set)} without startIndex"
        raise where.refusal(found, "the index of its first value", value_set)
    start = start or 0
    last = start if end is None else end
    if last < start or last >= length:
        found = f"a value set from index {start} to {'its end' if end is None else end}"
        raise where.refusal(found, f"indices in order, below the length {length}", value_set)
    return start, end


def _check_count(
    value_set: Element,
    count: int,
    start: int,
    end: int | None,
    length: int,
    one_of_several: bool,
    where: Where,
) -> None:
    found = f"{count} values from index {start} on"
    if end is not None and count != end - start + 1:
        raise where.refusal(found, f"{end - start + 1}, up to endIndex {end}", value_set)
    reaches_end = start + count == length
    if start + count > length or not (reaches_end or one_of_several or end is not None):
        expected = f"{length - start}, since the length of the series set is {length}"
        raise where.refusal(found, expected, value_set)


def _individual(
    value_set: Element, series_type: str, where: Where, notes: dict[str, None]
) -> FloatArray:
    expected = SERIES_TYPES[series_type][0]
    # asked in XPath, which is answered without an object for each of thousands of elements
    if value_set.xpath(_IS_PLAIN.format(expected), namespaces=_CORE):
        texts = value_set.xpath(f"c:{expected}/text()", namespaces=_CORE, smart_strings=False)
        return numbers(cast(list[str], texts), expected)
    cells = children(value_set, _NUMERIC_ELEMENTS, where, any_order=True)
    parts = [_cell_name(cell, where) for cell in cells]
    others = sorted(set(parts) - {expected})
    notes.setdefault(f"values in <{'> and <'.join(others)}> in a series of type {series_type}")
    each = [numbers([cell.text], name) for cell, name in zip(cells, parts, strict=True)]
    return np.concatenate(each)


def _cell_name(cell: Element, where: Where) -> str:
    if len(cell):
        raise where.refusal("an element within a number", "the number alone", cell)
    return local_name(cell)


def _incremented(value_set: Element, count: int, where: Where) -> FloatArray:
    parts = children(
        value_set, ("StartValue", "Increment"), where, once=("StartValue", "Increment")
    )
    if [local_name(part) for part in parts] != ["StartValue", "Increment"]:
        found = f"{len(parts)} of StartValue and Increment"
        raise where.refusal(found, "both of them", value_set)
    return incremented(number_text(parts[0], where), number_text(parts[1], where), count)


def number_text(holder: Element, where: Where) -> str:
    """Text of the one number that an element such as StartValue holds."""
    cells = children(holder, _NUMERIC_ELEMENTS, where, any_order=True)
    if len(cells) != 1 or len(cells[0]):
        found = f"{len(cells)} elements in {local_name(holder)}"
        raise where.refusal(found, "one number in I, L, F or D", holder)
    return cells[0].text or ""


def _index(text: str) -> int | None:
    value = int(text) if text.isascii() and text.isdigit() and len(text) < 11 else 2**31
    return value if value < 2**31 else None
