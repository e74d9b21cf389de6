"""Units that a text states: of an axis, and of values. The size of numbers never counts."""

import re
from dataclasses import dataclass

from speclake.importing.words import find_words, folded
from speclake.units import AxisUnit, ValueUnit

_AXIS_UNITS: tuple[tuple[AxisUnit, str], ...] = (
    ("cm-1", r"cm ?\^?\(?[-\u2212] ?1|1 ?/ ?cm|per cm"),
    ("um", r"[u\u03bc]m|мкм|microns?|micromet(?:er|re)s?"),
    ("nm", r"nm|nanomet(?:er|re)s?|нм"),
    ("eV", r"ev|electron ?volts?"),
)
_PERCENT = r"%|percent|pct|prozent"
_FRACTION = r"[(\[](?:0 ?(?:-|\.\.+|to) ?1|1|-|fraction|ratio)[)\]]|fraction"
_LETTERS: tuple[tuple[ValueUnit, str], ...] = (
    ("log(1/R)", r"log ?\(? ?1 ?/ ?r ?\)?"),
    ("%T", r"% ?t|t ?%|t ?[(\[/] ?%[)\]]?|t in %|t_(?:percent|pct)"),
    ("%R", r"% ?r|r ?%|r ?[(\[/] ?%[)\]]?|r in %|r_(?:percent|pct)"),
)
_QUANTITIES: tuple[tuple[str, ValueUnit, ValueUnit], ...] = (
    ("transmittance", "%T", "T"),
    ("reflectance", "%R", "R"),
)


@dataclass(frozen=True)
class UnitText:
    """A unit of values, and the part of a text that states it."""

    unit: ValueUnit
    text: str


def axis_unit_in(text: str) -> AxisUnit | None:
    """Unit of an axis that literally stands in a text; None where several do."""
    plain = folded(text)
    found: set[AxisUnit] = {
        unit
        for unit, written in _AXIS_UNITS
        if re.search(rf"(?<![^\W\d_])(?:{written})(?![^\W_])", plain)
    }
    return found.pop() if len(found) == 1 else None


def likely_axis_unit(text: str) -> AxisUnit | None:
    """Unit in which an axis of the name that stands in a text is mostly counted."""
    likely: tuple[tuple[str, AxisUnit], ...] = (
        ("wavenumber", "cm-1"), ("energy", "eV"), ("wavelength", "nm"),
    )  # fmt: skip
    return next((unit for name, unit in likely if find_words(text, "axes", name)), None)


def names_an_axis(text: str) -> bool:
    """Whether a word for an axis stands in a text."""
    return likely_axis_unit(text) is not None


def quantities_in(text: str) -> set[str]:
    """Quantities whose names stand in a text."""
    names = ("transmittance", "reflectance", "absorbance")
    return {name for name in names if find_words(text, "quantities", name)}


def value_unit_in(text: str) -> UnitText | None:
    """Unit of values that a text states; None where it states none or several.

    A name without a percent sign does not tell %T from T; the letters T and R alone do not either.
    """
    plain = folded(text)
    for unit, written in _LETTERS:
        if match := re.search(rf"(?<![^\W_])(?:{written})(?![^\W_])", plain):
            return UnitText(unit, text[match.start() : match.end()])
    if match := re.fullmatch(r"\s*a\s*", plain) or re.search(r"[(\[]a[)\]]", plain):
        return UnitText("A", text[match.start() : match.end()].strip())
    return _by_name(text, plain)


def _by_name(text: str, plain: str) -> UnitText | None:
    quantities = quantities_in(text)
    if len(quantities) != 1:
        return None
    percent = re.search(rf"(?<![^\W_])(?:{_PERCENT})(?![^\W_])|%", plain)
    if quantities == {"absorbance"}:
        name = find_words(text, "quantities", "absorbance")
        return None if percent or name is None else UnitText("A", text[slice(*name.span())])
    fraction = None if percent else re.search(_FRACTION, plain)
    sign = percent or fraction
    for quantity, in_percent, as_fraction in _QUANTITIES:
        name = find_words(text, "quantities", quantity)
        if name and sign:
            part = text[min(name.start(), sign.start()) : max(name.end(), sign.end())]
            return UnitText(in_percent if percent else as_fraction, part)
    return None
