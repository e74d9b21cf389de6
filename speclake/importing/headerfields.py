"""What a header and column titles state, in the words of `speclake.measurement.FIELDS`."""

import re
from collections.abc import Mapping
from typing import Protocol

from speclake.errors import MalformedFile
from speclake.importing.formats import FieldEntry, Scanned, UnitFrom, Values
from speclake.importing.scantime import scan_time
from speclake.importing.text import Entries, shown
from speclake.importing.textrules import DecimalSign
from speclake.measurement import FIELDS
from speclake.units import ValueUnit


class StatesFields(Protocol):
    """A format that says which header entries state which fields."""

    @property
    def constants(self) -> Mapping[str, str]:
        """Fields that every file has."""

    @property
    def fields(self) -> Mapping[str, FieldEntry]:
        """Where each field stands."""

    @property
    def scanned(self) -> Scanned | None:
        """Where the time of the scan stands."""

    @property
    def decimal_sign(self) -> DecimalSign:
        """Sign with which the header writes numbers."""


class StatesTitles(StatesFields, Protocol):
    """A format that says what the titles of columns state as well."""

    @property
    def values(self) -> Values:
        """Which columns are spectra."""


def entry_text(entries: Entries, name: str, file: str) -> str | None:
    """Text of a header entry; None where the header has no such entry.

    Raises
    ------
    speclake.errors.MalformedFile
        The header gives the entry twice and in different words.
    """
    if name in entries.contradicted:
        raise MalformedFile(
            file,
            entries.contradicted[name],
            f"a second, different value of the entry {name!r}",
            "one value, since the format reads it",
        )
    return entries.values.get(name)


def stated_fields(
    entries: Entries, form: StatesFields, file: str
) -> tuple[dict[str, str], tuple[str, ...]]:
    """Fields that the format's constants and the header state, and reading notes.

    Raises
    ------
    speclake.errors.MalformedFile
        An entry that the format reads stands there twice in different words.
    """
    fields, notes = dict(form.constants), list[str]()
    for name, rule in form.fields.items():
        text = entry_text(entries, rule.entry, file)
        value, note = _field_value(name, text, rule)
        if value and FIELDS[name] == "time" and form.scanned is not None:
            read = scan_time(value, form.scanned)
            value, note = read.text, read.note and read.note.replace("scan time", name, 1)
        if value:
            fields[name] = _with_decimal_point(name, value, form)
        if note:
            notes.append(note)
    if form.scanned is not None:
        time, note = _scanned(entries, form.scanned, file)
        fields |= {"scanned": time} if time else {}
        notes += [note] if note else []
    return fields, tuple(notes)


def _field_value(name: str, text: str | None, rule: FieldEntry) -> tuple[str | None, str | None]:
    """Value of a field, None where the header has none; and a note where its text does not fit."""
    if not text:
        return None, None
    part = part_of(text, rule.pattern)
    if part is None:
        return None, f"{name} not read: {shown(text)} does not match {rule.pattern!r}"
    if rule.words and part not in rule.words:
        return None, f"{name} not read: found {shown(part)}; expected {_one_of(rule.words)}"
    return rule.words.get(part, part), None


def part_of(text: str, pattern: str | None) -> str | None:
    """First group of the pattern in the text, the whole match without groups; None without one."""
    if pattern is None:
        return text
    match = re.search(pattern, text)
    if match is None:
        return None
    part = match[1] if match.re.groups else match[0]
    return part.strip() if part is not None else None


def _with_decimal_point(name: str, text: str, form: StatesFields) -> str:
    """Text of a number field in the one way that fields write numbers."""
    is_number = FIELDS[name] == "number" and form.decimal_sign == ","
    if is_number and re.fullmatch(r"[+-]?[0-9]+(,[0-9]+)?", text):
        return text.replace(",", ".")
    return text


def _scanned(entries: Entries, rules: Scanned, file: str) -> tuple[str | None, str | None]:
    texts = [entry_text(entries, name, file) for name in rules.entries]
    for name, text in zip(rules.entries, texts, strict=True):
        if not text:
            return None, f"scan time not read: the header has no text for {name!r}"
    time = scan_time(" ".join(text for text in texts if text), rules)
    return time.text, time.note


def fields_of_title(title: str, form: StatesTitles) -> tuple[dict[str, str], tuple[str, ...]]:
    """Fields that a column title states, and a reading note where it does not fit."""
    pattern = form.values.title_pattern
    if pattern is None:
        return {}, ()
    match = re.search(pattern, title)
    if match is None:
        return {}, (f"column title {shown(title)} does not match {pattern!r}",)
    parts = {name: part.strip() for name, part in match.groupdict().items() if part}
    return {name: _with_decimal_point(name, part, form) for name, part in parts.items()}, ()


def value_unit(values: Values, entries: Entries, title: str, file: str, place: str) -> ValueUnit:
    """Unit of a column's values, as declared.

    Raises
    ------
    speclake.errors.MalformedFile
        The text that is to say the unit is not there, or not among those that the format maps.
    """
    if values.unit is not None:
        return values.unit
    assert values.unit_from is not None
    rules = values.unit_from
    text = title if rules.title else entry_text(entries, rules.entry or "", file)
    where = "column title" if rules.title else f"header entry {rules.entry!r}"
    part = part_of(text, rules.pattern) if text is not None else None
    if part is None or part not in rules.units:
        raise MalformedFile(file, place, _found_unit(where, text), _expected_unit(rules))
    return rules.units[part]


def _found_unit(where: str, text: str | None) -> str:
    return f"the {where} {shown(text)}" if text is not None else f"no {where}"


def _expected_unit(rules: UnitFrom) -> str:
    inside = f", as {rules.pattern!r} finds it" if rules.pattern else ""
    return f"a unit of the values: {_one_of(rules.units)}{inside}"


def _one_of(words: "dict[str, str] | dict[str, ValueUnit]") -> str:
    return "one of " + ", ".join(repr(word) for word in words)
