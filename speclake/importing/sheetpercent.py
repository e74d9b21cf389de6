"""Which styles of a workbook show a number in percent: such a cell holds a fraction."""

import re
from collections.abc import Mapping
from xml.etree import ElementTree

from speclake.errors import MalformedFile

STYLES = "xl/styles.xml"
_BUILT_IN = frozenset({9, 10})
"""Numbers of the formats 0% and 0.00%, which no file defines (ECMA-376 part 1, 18.8.30)."""
_LITERAL = re.compile(r'"[^"]*"?|[\\_*].|\[[^\]]*\]')
"""Parts of a number format that are shown as they stand, or not at all."""


def percent_styles(parts: Mapping[str, bytes], file: str) -> frozenset[int]:
    """Indices of the cell styles that show numbers in percent.

    Raises
    ------
    speclake.errors.MalformedFile
        The part with the styles is damaged.
    """
    part = next((part for name, part in parts.items() if name.lower() == STYLES), None)
    if part is None:
        return frozenset()
    place = f"the part {STYLES}"
    try:
        root = ElementTree.fromstring(part)
        formats = {
            int(each.get("numFmtId", "")): each.get("formatCode", "")
            for each in root.iter()
            if _kind(each) == "numFmt"
        }
        styles = [
            int(style.get("numFmtId", "0"))
            for each in root
            if _kind(each) == "cellXfs"
            for style in each
        ]
    except (ElementTree.ParseError, ValueError, LookupError) as error:
        raise MalformedFile(file, place, f"damaged styles ({error})", "styles") from error
    in_percent = {number for number in _BUILT_IN if number not in formats}
    in_percent |= {number for number, code in formats.items() if shows_percent(code)}
    return frozenset(index for index, number in enumerate(styles) if number in in_percent)


def shows_percent(code: str) -> bool:
    """Whether a number format multiplies by a hundred: a percent sign stands in it unquoted."""
    return "%" in _LITERAL.sub("", code)


def _kind(element: ElementTree.Element) -> str:
    return str(element.tag).rpartition("}")[2]
