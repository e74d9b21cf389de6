"""Which header entries of an unknown export state which fields."""

import re
from collections.abc import Mapping, Sequence

from speclake.importing.drafting.parts import LINE_NAME, escaped
from speclake.importing.drafting.sheet import Sheet, Value
from speclake.importing.words import field_of

NUMBER_AND_UNIT = r"^[+-]?[0-9]+(?:[.,][0-9]+)?"
SECOND_ENTRY = re.compile(r"\s{2,}(?P<name>[^\W\d_][\w .]{0,30}?)\s*(?P<mark>[:=])\s*\S")
END_MARKS = " \t;,|"


def say_fields(sheet: Sheet, entries: Mapping[str, str]) -> None:
    """Write the fields that header entries state, and ask where several names could be meant."""
    by_field: dict[str, list[str]] = {}
    for name in entries:
        if field := _field_of(name):
            by_field.setdefault(field, []).append(name)
    for field, names in by_field.items():
        if len({entries[name] for name in names}) > 1:
            question = f"one of {', '.join(map(repr, names))}"
            sheet.ask("fields", field, names[0], question, names[1:])
        else:
            _say_field(sheet, field, names[0], entries[names[0]])
    said = set(by_field) | set(_say_second_entries(sheet, entries, set(by_field)))
    if not said & {"sample", "serial"}:
        _ask_for_sample(sheet, entries, said)


def _field_of(name: str, table: str = "fields") -> str | None:
    """Field of an entry; that of its section and its name where it stands in one."""
    section, _, bare = name.rpartition("/")
    if not section:
        return field_of(bare, table)
    return field_of(bare, table) or field_of(f"{section} {bare}", table)


def _ask_for_sample(sheet: Sheet, entries: Mapping[str, str], said: set[str]) -> None:
    """Offer the entries that may name the sample: some exports use their names otherwise."""
    names = [name for name, text in entries.items() if _may_name_sample(name) and text]
    if names:
        told = ", ".join(f"{name!r} is {entries[name]!r}" for name in names)
        question = f"does it name the sample? {told}"
        sheet.ask("fields", "sample", _rule(names[0], entries), question, names[1:])
    elif not said & {"lot", "site"}:
        sheet.offer("fields", "sample", "Sample", "no entry is called like a sample")


def _may_name_sample(name: str) -> bool:
    return not LINE_NAME.fullmatch(name) and _field_of(name, "perhaps") == "sample"


def _rule(name: str, entries: Mapping[str, str]) -> Value:
    """What a format says of a field: the entry, or the entry and the part of it that is meant."""
    text = entries[name]
    if SECOND_ENTRY.search(text):
        return {"entry": name, "pattern": r"^(.*?)\s{2,}"}
    if text[-1:] and text[-1] in END_MARKS:
        return {"entry": name, "pattern": rf"^(.*?)[{escaped(END_MARKS.strip())}\s]*$"}
    return name


def _say_second_entries(sheet: Sheet, entries: Mapping[str, str], said: set[str]) -> Sequence[str]:
    """Fields that stand as a second entry in the same line."""
    found = []
    for name, text in entries.items():
        for match in SECOND_ENTRY.finditer(text):
            field = field_of(match["name"])
            if field is None or field in said or field in found:
                continue
            label = f"{escaped(match['name'])}\\s*{escaped(match['mark'])}"
            rule = {"entry": name, "pattern": rf"{label}\s*(.*?)(?:\s{{2,}}|$)"}
            sheet.say("fields", field, rule, "by its name, behind another entry in its line")
            found.append(field)
    return found


def _say_field(sheet: Sheet, field: str, name: str, text: str) -> None:
    if not field.endswith(("_nm", "_deg", "_mm")):
        sheet.say("fields", field, _rule(name, {name: text}), "by its name")
        return
    number = re.match(NUMBER_AND_UNIT, text)
    unit = field.rpartition("_")[2]
    is_in_unit = unit == "deg" or re.search(rf"(?i)(?<![^\W_]){unit}(?![^\W_])", f"{name} {text}")
    if number is None or not is_in_unit:
        sheet.offer("fields", field, name, f"is {text!r} a number in {unit}?")
    elif number[0] == text:
        sheet.say("fields", field, name, "by its name")
    else:
        rule = {"entry": name, "pattern": NUMBER_AND_UNIT}
        sheet.say("fields", field, rule, "by its name; the number without its unit")
