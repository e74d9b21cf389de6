"""What the units of AnIML series mean: by label, quantity, SI definition and series name.

The labels are those of the public UV-Vis technique definition and their usual spellings.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import get_args

from speclake_plugins.animl.where import Element, Where, attribute, children, shown

from speclake.units import AxisUnit, Quantity, ValueUnit

AXIS_UNITS: tuple[AxisUnit, ...] = get_args(AxisUnit)

_AXIS_SPELLINGS: dict[AxisUnit, str] = {
    "nm": "nm nanometer nanometers nanometre nanometres",
    "um": "um \u00b5m \u03bcm micrometer micrometers micrometre micrometres micron microns",
    "cm-1": "1/cm cm-1 cm^-1 cm\u207b\u00b9 /cm",
    "eV": "ev electronvolt electronvolts",
}
_AXIS_LABELS = {text: unit for unit, texts in _AXIS_SPELLINGS.items() for text in texts.split()}
_QUANTITY_NAMES: dict[str, Quantity] = {
    "transmittance": "transmittance",
    "transmission": "transmittance",
    "reflectance": "reflectance",
    "reflection": "reflectance",
    "absorbance": "absorbance",
}
_PLAIN_LABELS: dict[str, ValueUnit] = {
    "percentt": "%T", "%t": "%T", "percentr": "%R", "%r": "%R", "abs": "A", "log(1/r)": "log(1/R)",
}  # fmt: skip
_LETTERS: dict[str, ValueUnit] = {"T": "T", "R": "R", "A": "A", "AU": "A"}
_OF_QUANTITY: dict[Quantity, ValueUnit] = {
    "transmittance": "T", "reflectance": "R", "absorbance": "A",
}  # fmt: skip
_QUANTITY_OF: dict[ValueUnit, Quantity] = {
    "T": "transmittance", "%T": "transmittance", "R": "reflectance", "%R": "reflectance",
    "A": "absorbance", "log(1/R)": "log inverse reflectance",
}  # fmt: skip
_PERCENT = ("percent", "%")
_EV_JOULE = 1.602176634e-19


@dataclass(frozen=True)
class SiPart:
    """One SI unit of which a unit is made."""

    name: str
    factor: float
    exponent: float
    offset: float


@dataclass(frozen=True)
class Unit:
    """The unit of a series or parameter, as the file defines it."""

    label: str
    quantity: str = ""
    si: tuple[SiPart, ...] = ()


@dataclass(frozen=True)
class Declared:
    """What a format of the archive says of the units of a folder's files.

    Parameters
    ----------
    value_units : unit that a label stands for.
    series : what the series of a name are: a unit, or ``ignore``.
    """

    value_units: Mapping[str, ValueUnit] = field(default_factory=dict)
    series: Mapping[str, str] = field(default_factory=dict)


class Unclear(Exception):
    """A unit that could be read in more than one way; found and expected are its arguments."""


def unit_of(element: Element | None, where: Where) -> Unit | None:
    """Unit from its element; None where there is none.

    Raises
    ------
    speclake.errors.MalformedFile
        The element breaks the schema.
    """
    if element is None:
        return None
    parts = []
    for part in children(element, ("SIUnit",), where):
        said = {"factor": 1.0, "exponent": 1.0, "offset": 0.0}
        for name in said:
            text = part.get(name)
            try:
                said[name] = said[name] if text is None else float(text)
            except ValueError as error:
                raise where.refusal(f"{name} {shown(text or '')}", "a number", part) from error
        parts.append(SiPart((part.text or "").strip(), **said))
    quantity = " ".join((element.get("quantity") or "").split())
    return Unit(attribute(element, "label", where), quantity, tuple(parts))


def axis_unit(unit: Unit) -> AxisUnit | None:
    """Axis unit that is meant; None where it is none of ours.

    Raises
    ------
    Unclear
        Label and SI definition say different things.
    """
    by_label = _AXIS_LABELS.get(unit.label.casefold())
    if not unit.si:
        return by_label
    by_si = _axis_by_si(unit.si)
    if by_label is not None and by_label != by_si:
        raise Unclear(
            f"the label {unit.label!r} with an SI definition of {by_si or 'another unit'}",
            "a label and an SI definition that agree",
        )
    return by_si


def _axis_by_si(parts: tuple[SiPart, ...]) -> AxisUnit | None:
    if any(part.offset != 0 for part in parts):
        return None
    if len(parts) == 1 and parts[0].name == "m":
        exponent, factor = parts[0].exponent, parts[0].factor
        # of 1/cm the technique definitions write the factor of the metre; others that of its power
        known: tuple[tuple[AxisUnit, float, float], ...] = (
            ("nm", 1, 1e-9), ("um", 1, 1e-6), ("cm-1", -1, 1e-2), ("cm-1", -1, 1e2),
        )  # fmt: skip
        fitting = [unit for unit, e, f in known if exponent == e and math.isclose(factor, f)]
        return fitting[0] if fitting else None
    powers = sorted((part.name, part.exponent) for part in parts)
    joule = math.prod(part.factor for part in parts)
    is_energy = powers == [("kg", 1.0), ("m", 2.0), ("s", -2.0)]
    return "eV" if is_energy and math.isclose(joule, _EV_JOULE, rel_tol=1e-3) else None


def value_unit(name: str, unit: Unit | None, technique: str, says: Declared) -> ValueUnit | None:
    """Unit of a dependent series; None where it is clearly no spectrum of ours.

    Parameters
    ----------
    name : of the series.
    technique : name of the technique of its step.

    Raises
    ------
    Unclear
        What the file says could be read in more than one way, or contradicts itself.
    """
    if unit is None:
        raise Unclear("no Unit", f"one, or a format that says: series = {{ {name!r} = ... }}")
    if unit.label in says.value_units:
        return says.value_units[unit.label]
    by_quantity = _QUANTITY_NAMES.get(unit.quantity.casefold())
    if unit.quantity and by_quantity is None and unit.label.casefold() not in _PLAIN_LABELS:
        return None
    by_name = _QUANTITY_NAMES.get(name.casefold())
    if by_quantity and by_name and by_quantity != by_name:
        found = f"the quantity {unit.quantity!r} in a series called {name!r}"
        raise Unclear(found, "names of one quantity")
    stated = by_quantity or by_name
    found_unit = _by_label(name, unit, stated, technique)
    if found_unit is None or not _agrees(unit, found_unit):
        return None
    if stated and stated != _QUANTITY_OF[found_unit]:
        found = f"the label {unit.label!r} for {stated}"
        raise Unclear(found, "a label and a name of one quantity")
    return found_unit


def _by_label(name: str, unit: Unit, stated: Quantity | None, technique: str) -> ValueUnit | None:
    label = unit.label.casefold()
    if label in _PLAIN_LABELS:
        return _PLAIN_LABELS[label]
    if label in _PERCENT:
        if stated in ("transmittance", "reflectance"):
            return "%T" if stated == "transmittance" else "%R"
        raise Unclear(
            f"the unit {unit.label!r} of " + (stated or "a quantity that nothing states"),
            "transmittance or reflectance as the quantity, or a format that says: "
            f"value_units = {{ {unit.label!r} = ... }}",
        )
    if unit.label in _LETTERS:
        return _by_letter(name, unit, stated, technique)
    if label == "1":
        if stated is None:
            raise Unclear("the unit '1' of a quantity that nothing states", "its quantity")
        return _OF_QUANTITY[stated]
    if stated:
        found = f"the unit {unit.label!r} for {stated}"
        raise Unclear(found, f"one of {', '.join(get_args(ValueUnit))}, or a format that says it")
    return None


def _by_letter(name: str, unit: Unit, stated: Quantity | None, technique: str) -> ValueUnit | None:
    """Unit that letters mean; A is an ampere and T a tesla too, so that something must help."""
    if unit.si and any(part.name != "1" for part in unit.si):
        return None
    in_technique = name.casefold() == "intensity" and "uv" in technique.casefold()
    if stated or unit.si or in_technique:
        return _LETTERS[unit.label]
    raise Unclear(
        f"the unit {unit.label!r} of a quantity that nothing states",
        "its quantity, or a format that says: "
        f"value_units = {{ {unit.label!r} = {_LETTERS[unit.label]!r} }}",
    )


def _agrees(unit: Unit, meant: ValueUnit) -> bool:
    """Whether the SI definition allows what the label means.

    The public technique definition gives percentT and percentR the factor 1, others write 0.01.
    """
    if not unit.si:
        return True
    factor = math.prod(part.factor for part in unit.si)
    allowed = (1.0, 0.01) if meant.startswith("%") else (1.0,)
    dimensionless = all(part.name == "1" and part.offset == 0 for part in unit.si)
    if dimensionless and not any(math.isclose(factor, each) for each in allowed):
        found = f"the label {unit.label!r} with the SI factor {factor:g}"
        raise Unclear(found, "a label and an SI definition that agree")
    return dimensionless
