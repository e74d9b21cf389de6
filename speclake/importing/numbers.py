"""Numbers as text writes them: which texts are one, and what each declared sign stands for."""

import re
from collections.abc import Callable
from functools import lru_cache

import numpy as np

from speclake.importing.textrules import Text

NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
"""What counts as a number: less than ``float()`` takes, which knows nan, inf and 1_000."""

_FULL_WIDTH = {ord(sign) + 0xFEE0: sign for sign in "0123456789+-.,eE"}
_ANY_FULL_WIDTH = re.compile(f"[{''.join(map(chr, _FULL_WIDTH))}]")


NOT_ZERO = re.compile("[^eE]*[1-9]")
"""What the text of a number begins with that is not zero, however small its exponent is."""


def number_reader(rules: Text) -> Callable[[str], float]:
    """Function from a cell to its number, NaN where the cell is a declared missing word.

    It raises ValueError, which says what is expected, for everything else.
    """
    grouped = re.compile(_grouped(rules)) if rules.thousands_sign else None
    sign = {".": "point", ",": "comma"}[rules.decimal_sign]
    missing = f" or {', '.join(map(repr, rules.missing))}" if rules.missing else ""
    expected = f"a number with decimal {sign}{missing}"

    def number(cell: str) -> float:
        if cell in rules.missing:
            return np.nan
        if grouped is not None and grouped.fullmatch(cell):
            cell = cell.replace(rules.thousands_sign or "", "")
        if rules.decimal_sign != ".":
            # a point where a comma is declared must not pass for a decimal sign
            cell = cell.replace(".", " ").replace(rules.decimal_sign, ".")
        if not NUMBER.fullmatch(cell):
            raise ValueError(expected)
        value = float(cell)
        if np.isinf(value):
            raise ValueError("a number below 1e308")
        if value == 0 and NOT_ZERO.match(cell):
            raise ValueError("a number that is zero, or above 1e-323")
        return value

    return number


def _grouped(rules: Text) -> str:
    """Pattern of a number whose digits are parted in groups."""
    sign, decimal = re.escape(rules.thousands_sign or ""), re.escape(rules.decimal_sign)
    whole = rf"[0-9]{{1,3}}(?:{sign}[0-9]{{3}})+"
    if rules.digit_groups == "indian":
        whole = rf"[0-9]{{1,2}}(?:{sign}[0-9]{{2}})*{sign}[0-9]{{3}}"
    return rf"[+-]?{whole}(?:{decimal}[0-9]*)?"


def without_groups(text: str, rules: Text, mark: str) -> str:
    """Text of a table in which no cell that is a number has a thousands sign any more.

    Parameters
    ----------
    mark : what stands between two cells of this text.
    """
    sign = rules.thousands_sign
    if sign is None or sign not in text or any(sign in word for word in rules.missing):
        return text
    return _grouped_cell(_grouped(rules), mark).sub(lambda cell: cell[0].replace(sign, ""), text)


@lru_cache(maxsize=64)
def _grouped_cell(grouped: str, mark: str) -> re.Pattern[str]:
    mark = re.escape(mark)
    return re.compile(rf"(?:(?<={mark})|(?<=[\n ])|\A){grouped}(?=\Z|[\r\n ]|{mark})")


def with_plain_signs(text: str, rules: Text, tally: dict[str, int]) -> str:
    """Text of a table with each sign that stands for a plain one replaced by it, and counted."""
    if not text.isascii():
        text = _with_plain_unicode(text, rules, tally)
    if rules.exponent_sign is not None:
        text, times = re.subn(r"(?<=[0-9.,])[dD](?=[+-]?[0-9])", "e", text)
        _count(tally, "the exponent sign D read as e", times)
    return text


@lru_cache(maxsize=64)
def proves_groups(thousands_sign: str, decimal_sign: str) -> Callable[[str], bool]:
    """Function that tells whether a cell proves that a point or a comma parts groups of digits.

    A number with the other sign as its decimal sign does, and one with two groups.
    """
    group, decimal = re.escape(thousands_sign), re.escape(decimal_sign)
    parted = (
        rf"[0-9]+(?:{group}[0-9]+)*{decimal}[0-9]*|{decimal}[0-9]+|[0-9]+(?:{group}[0-9]+){{2,}}"
    )
    pattern = re.compile(rf"[+-]?(?:{parted})(?:[eE][+-]?[0-9]+)?")
    return lambda cell: pattern.fullmatch(cell) is not None


def any_grouped(rules: Text) -> re.Pattern[str]:
    """Pattern of the numbers in a table whose digits are parted in groups."""
    around = ("(?<![0-9])", "(?![0-9])")
    if rules.thousands_sign == rules.separator:
        around = (f"(?<={rules.quote})", f"(?={rules.quote})")
    return re.compile(f"{around[0]}{_grouped(rules)}{around[1]}")


def _with_plain_unicode(text: str, rules: Text, tally: dict[str, int]) -> str:
    if rules.full_width_digits:
        times = len(_ANY_FULL_WIDTH.findall(text))
        _count(tally, "full-width signs of numbers read as plain ones", times)
        text = text.translate(_FULL_WIDTH)
    for minus in "\N{MINUS SIGN}" + (rules.minus_sign or ""):
        text, times = re.subn(f"{minus}(?=[0-9.,])", "-", text)
        _count(tally, f"the sign U+{ord(minus):04X} read as a minus", times)
    return text


def _count(tally: dict[str, int], what: str, times: int) -> None:
    tally[what] = tally.get(what, 0) + times
