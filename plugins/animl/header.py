"""The header of a spectrum: samples, method and parameters of a step under path-like names."""

import re
from collections import Counter
from datetime import datetime

from speclake_plugins.animl.units import unit_of
from speclake_plugins.animl.where import Element, Where, children, local_name, shown

_VALUE_ELEMENTS = ("I", "L", "F", "D", "S", "Boolean", "DateTime", "PNG", "EmbeddedXML", "SVG")
_NOT_KEPT = ("PNG", "EmbeddedXML", "SVG")
_DEEPEST = 100
_TEXTS = {
    "Author": ("Name", "Affiliation", "Role", "Email", "Phone", "Location"),
    "Device": ("DeviceIdentifier", "Manufacturer", "Name", "FirmwareVersion", "SerialNumber"),
    "Software": ("Manufacturer", "Name", "Version", "OperatingSystem"),
}
_CATEGORY = ("Parameter", "SeriesSet", "Category")
_DATE_TIME = re.compile(r"(\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d)(?:\.(\d+))?(Z|[+-]\d\d:\d\d)?", re.ASCII)


class Header:
    """Entries of a header in the order of the file; an entry of a name that is there gets a number.

    Attributes
    ----------
    entries : text by path-like name.
    characters : length of all of it.
    """

    def __init__(self) -> None:
        self.entries: dict[str, str] = {}
        self.characters = 0
        self._seen: Counter[str] = Counter()

    def add(self, name: str, text: str) -> None:
        """Keep an entry."""
        self._seen[name] += 1
        while self._seen[name] > 1 and f"{name} ({self._seen[name]})" in self.entries:
            self._seen[name] += 1
        unique = name if self._seen[name] == 1 else f"{name} ({self._seen[name]})"
        self.entries[unique] = text
        self.characters += len(unique) + len(text)

    def add_all(self, other: "Header", prefix: str = "") -> None:
        """Keep the entries of another header."""
        for name, text in other.entries.items():
            self.add(prefix + name, text)

    def of_parameter(self, parameter: str) -> str | None:
        """Text of the one parameter of this name in any category; None of none or of several."""
        found = {text for name, text in self.entries.items() if name.endswith(f"/{parameter}")}
        return found.pop() if len(found) == 1 else None


def add_attributes(header: Header, path: str, element: Element, names: tuple[str, ...]) -> None:
    """Keep those of the named attributes that an element has."""
    for name in names:
        if text := " ".join((element.get(name) or "").split()):
            header.add(f"{path}{name}", text)


def add_texts(header: Header, path: str, element: Element, where: Where) -> None:
    """Keep the text of each child of an Author, Device or Software under the child's name."""
    for child in children(element, _TEXTS[local_name(element)], where):
        if text := (child.text or "").strip():
            header.add(f"{path}/{local_name(child)}", text)


def add_tags(header: Header, path: str, tag_set: Element, where: Where) -> None:
    """Keep the tags of a tag set."""
    for tag in children(tag_set, ("Tag",), where):
        header.add(f"{path}Tag/{tag.get('name', '')}", tag.get("value", ""))


def add_category(
    header: Header, path: str, category: Element, where: Where, depth: int = 1
) -> None:
    """Keep all parameters of a category and of those within it.

    Raises
    ------
    speclake.errors.MalformedFile
        The category breaks the schema, or categories are nested more than 100 deep.
    """
    if depth > _DEEPEST:
        found = f"categories nested more than {_DEEPEST} deep"
        raise where.refusal(found, "parameters that a person could find", category)
    inner = f"{path}{category.get('name', '')}/"
    for part in children(category, _CATEGORY, where):
        kind, name = local_name(part), part.get("name", "")
        if kind == "Category":
            add_category(header, inner, part, where, depth + 1)
        elif kind == "Parameter":
            header.add(inner + name, _parameter_text(part, where))
        else:
            header.add(inner + name, f"a table of length {part.get('length', '?')}, not read")


def _parameter_text(parameter: Element, where: Where) -> str:
    """Value of a parameter, with the label of its unit behind it."""
    parts = children(parameter, (*_VALUE_ELEMENTS, "Unit"), where, any_order=True)
    values = [part for part in parts if local_name(part) != "Unit"]
    units = [part for part in parts if local_name(part) == "Unit"]
    if len(values) != 1 or len(units) > 1:
        name = shown(parameter.get("name", ""))
        raise where.refusal(
            f"{len(values)} values and {len(units)} units in the parameter {name}",
            "one value and one Unit at most",
            parameter,
        )
    kind, text = local_name(values[0]), values[0].text or ""
    if kind in _NOT_KEPT:
        return f"{kind} of {len(text)} characters, kept in the original only"
    unit = unit_of(units[0], where) if units else None
    if kind != "S":
        text = text.strip()
    return f"{text} {unit.label}" if unit else text


def scanned(text: str) -> tuple[str | None, str | None]:
    """Time of an xs:dateTime in ISO 8601 as exact as written, and a note where something lacks."""
    match = _DATE_TIME.fullmatch(text.strip())
    moment, fraction, offset = match.groups() if match else ("", None, None)
    try:
        datetime.fromisoformat(moment + ("" if offset in (None, "Z") else offset))
    except ValueError:
        return None, f"scan time not read: Timestamp {shown(text.strip())} is no date and time"
    time = moment + (f".{fraction[:6]}" if fraction else "")
    if offset is None:
        return time, "scan time without a time zone: its Timestamp names none"
    return time + ("+00:00" if offset == "Z" else offset), None


def flag(text: str | None) -> str | None:
    """``yes`` or ``no`` from an xs:boolean; None of anything else."""
    return {"true": "yes", "1": "yes", "false": "no", "0": "no"}.get(text or "")


def in_unit(text: str | None, label: str) -> str | None:
    """Number of a parameter whose unit has this label; None of anything else."""
    number, _, unit = (text or "").partition(" ")
    is_number = re.fullmatch(r"[0-9]+(\.[0-9]*)?|\.[0-9]+", number, re.ASCII)
    return number if is_number and unit == label else None


def keyed(elements: list[Element], where: Where) -> dict[str, Element]:
    """Elements by name, each of which stands there once."""
    named: dict[str, Element] = {}
    for element in elements:
        if local_name(element) in named:
            raise where.refusal(f"a second {local_name(element)}", "one", element)
        named[local_name(element)] = element
    return named
