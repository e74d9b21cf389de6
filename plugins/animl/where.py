"""Where in a file the reader stands, and the checks of structure that refuse it there."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from speclake.errors import MalformedFile

if TYPE_CHECKING:
    from lxml.etree import _Element as Element
else:
    Element = object

__all__ = ["NAMESPACE", "VERSION", "Element", "Where", "attribute", "children", "local_name"]

NAMESPACE = "urn:org:astm:animl:schema:core:draft:0.90"
VERSION = "0.90"

_LONGEST_SHOWN = 60


@dataclass(frozen=True)
class Where:
    """A place in a file, in words."""

    file: str
    place: str = ""

    def at(self, part: str) -> "Where":
        """Place of a part of this one."""
        return replace(self, place=", ".join(each for each in (self.place, part) if each))

    def refusal(self, found: str, expected: str, element: Element | None = None) -> MalformedFile:
        """Error that refuses the file here; an element adds its line."""
        line = None if element is None else element.sourceline
        place = ", ".join(part for part in (f"line {line}" if line else "", self.place) if part)
        return MalformedFile(self.file, place, found, expected)


def shown(text: str) -> str:
    """Text in quotes, cut short where it is long."""
    return repr(text if len(text) <= _LONGEST_SHOWN else f"{text[:_LONGEST_SHOWN]}...")


def local_name(element: Element) -> str:
    """Name of an element of AnIML; of another namespace, its name with the namespace."""
    return str(element.tag).removeprefix(f"{{{NAMESPACE}}}")


def attribute(element: Element, name: str, where: Where) -> str:
    """Attribute that the schema requires, its blanks collapsed as in a token.

    Raises
    ------
    speclake.errors.MalformedFile
        It is not there, or empty.
    """
    text = " ".join((element.get(name) or "").split())
    if not text:
        found = f"{local_name(element)} without the attribute {name}"
        raise where.refusal(found, "it, which the core schema requires", element)
    return text


def children(
    element: Element,
    names: Sequence[str],
    where: Where,
    *,
    once: Iterable[str] = (),
    any_order: bool = False,
) -> list[Element]:
    """Children of an element, which have these names, in this order.

    Parameters
    ----------
    names : as the core schema lists them; each may be absent.
    once : those of them that may stand there once at most.
    any_order : whether they may stand in any order.

    Raises
    ------
    speclake.errors.MalformedFile
        Another element or text stands there, or the order is another one.
    """
    found = list(element)
    reached, seen = 0, set[str]()
    _no_text(element.text, element, where)
    for child in found:
        name = local_name(child)
        if name not in names[reached:] or (name in seen and name in once):
            what = f"{shown(name)} in {local_name(element)}"
            raise where.refusal(what, f"{_in_order(names)}, as in the core schema", child)
        reached = 0 if any_order else names.index(name)
        seen.add(name)
        _no_text(child.tail, element, where)
    return found


def _no_text(text: str | None, element: Element, where: Where) -> None:
    if text and not text.isspace():
        found = f"the text {shown(text.strip())} between the elements of {local_name(element)}"
        raise where.refusal(found, "elements only", element)


def _in_order(names: Sequence[str]) -> str:
    if not names:
        return "no element"
    return " then ".join(names) if len(names) < 4 else f"{', '.join(names)} in this order"
