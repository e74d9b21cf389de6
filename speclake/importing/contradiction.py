"""Titles that state another unit or quantity than the one that a format declares."""

from functools import lru_cache
from typing import NoReturn

from speclake.importing.statedunits import axis_unit_in, quantities_in, value_unit_in
from speclake.importing.table import TablePlace
from speclake.units import QUANTITY_OF_UNIT, AxisUnit, ValueUnit


@lru_cache(maxsize=1024)
def contradiction(title: str, unit: AxisUnit | ValueUnit) -> str | None:
    """What a title states against a unit, such as ``absorbance``; None where it states nothing.

    A lone letter counts for nothing: it may be the name of a sample.
    """
    if len(title.strip()) < 2:
        return None
    if unit not in QUANTITY_OF_UNIT:
        stated_axis = axis_unit_in(title)
        return stated_axis if stated_axis not in (None, unit) else None
    stated = value_unit_in(title)
    if stated is not None:
        is_log = {stated.unit, unit} == {"A", "log(1/R)"}  # both are called absorbance
        return stated.unit if stated.unit != unit and not is_log else None
    quantities = quantities_in(title)
    own = {"reflectance", "absorbance"} if unit == "log(1/R)" else {QUANTITY_OF_UNIT[unit]}
    return " or ".join(sorted(quantities)) if quantities and quantities.isdisjoint(own) else None


def refuse_title(place: TablePlace, title: str, stated: str, unit: str) -> NoReturn:
    """Raise the refusal of a table whose title states another unit than the format."""
    place.refuse(-1, f"the title {title!r}, which says {stated}", f"{unit}, as the format says")
