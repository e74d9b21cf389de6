"""Units of axes and values, from a format or from the words of the CF conventions.

CF Metadata Conventions 1.11, sections 3.1 (units) and 3.3 (standard names); the standard name of
an optical coordinate is ``radiation_wavelength`` or ``radiation_wavenumber``.
"""

import re
from typing import Any, Literal

from speclake_plugins.hdf5.attributes import attribute, text_of
from speclake_plugins.hdf5.opened import Opened
from speclake_plugins.hdf5.settings import Unit, UnitFromAttribute

from speclake.importing.headerfields import part_of
from speclake.units import AxisUnit, ValueUnit

Rescale = Literal["", "/100", "*1e9"]
"""What makes positions in a unit of the SI that no axis of ours has into one that has."""

_AXIS_SPELLINGS: dict[tuple[AxisUnit, Rescale], str] = {
    ("nm", ""): "nm nanometer nanometers nanometre nanometres",
    ("um", ""): "um \u00b5m \u03bcm micrometer micrometers micrometre micrometres micron microns",
    ("nm", "*1e9"): "m meter meters metre metres",
    ("cm-1", ""): "cm-1 cm^-1 cm**-1 1/cm",
    ("cm-1", "/100"): "m-1 m^-1 m**-1 1/m",
    ("eV", ""): "ev electronvolt electronvolts electron_volt",
}
_AXIS_WORDS = {word: unit for unit, words in _AXIS_SPELLINGS.items() for word in words.split()}
_KINDS: dict[str, tuple[AxisUnit, ...]] = {
    "wavelength": ("nm", "um"), "wavenumber": ("cm-1",), "photon energy": ("eV",)
}  # fmt: skip
_QUANTITY = re.compile(
    r"(?:(?:spectral|regular|diffuse|specular|total|directional|hemispherical) )*"
    r"(transmittance|reflectance|absorbance)"
)
_FRACTION: dict[str, ValueUnit] = {"transmittance": "T", "reflectance": "R", "absorbance": "A"}
_PERCENT: dict[str, ValueUnit] = {"transmittance": "%T", "reflectance": "%R"}


def said(dataset: Any, name: str) -> str:
    """Text of an attribute; empty where there is none."""
    if name not in dataset.attrs:
        return ""
    value = attribute(dataset, name)
    return "" if value is None else text_of(value).strip()


def words_of(dataset: Any) -> list[str]:
    """Names under which a dataset says what it is, in small letters with blanks."""
    texts = (said(dataset, "standard_name"), said(dataset, "long_name"))
    return [re.sub(r"[\s_]+", " ", text.lower()) for text in texts if text]


def axis_unit(dataset: Any) -> tuple[AxisUnit, Rescale] | None:
    """Unit that the attribute ``units`` names, None where it is none of an axis."""
    return _AXIS_WORDS.get(said(dataset, "units").lower())


def is_spectral(dataset: Any) -> bool:
    """Whether a coordinate says that it is a wavelength, a wavenumber or a photon energy."""
    unit = axis_unit(dataset)
    names = words_of(dataset) or [str(dataset.name).rsplit("/", 1)[-1].lower().replace("_", " ")]
    return unit is not None and any(
        unit[0] in units for kind, units in _KINDS.items() if any(kind in name for name in names)
    )


def value_unit(dataset: Any) -> ValueUnit | None:
    """Unit of values by standard or long name and ``units``; None where they do not say both."""
    quantities = {match[1] for name in words_of(dataset) if (match := _QUANTITY.fullmatch(name))}
    if len(quantities) != 1 or "units" not in dataset.attrs:
        return None
    (quantity,) = quantities
    units = said(dataset, "units").lower()
    if units in ("%", "percent"):
        return _PERCENT.get(quantity)
    return _FRACTION[quantity] if units in ("1", "") else None


def from_attribute(file: Opened, dataset: Any, rules: UnitFromAttribute[Unit], place: str) -> Unit:
    """Unit that an attribute names, in the words of the format.

    Raises
    ------
    speclake.errors.MalformedFile
        There is no such attribute, or the format does not know its text.
    """
    text = said(dataset, rules.attribute)
    part = part_of(text, rules.pattern)
    if part is None or part not in rules.units:
        found = f"the attribute {rules.attribute!r} {text!r}"
        raise file.refusal(place, found, f"one of {', '.join(map(repr, rules.units))}")
    return rules.units[part]
