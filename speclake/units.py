"""Units of axes and values, and the conversions between them that lose nothing.

(conversions follow)
"""

from typing import Literal

AxisUnit = Literal["nm", "um", "cm-1", "eV"]
Medium = Literal["air", "vacuum"]
ValueUnit = Literal["%T", "T", "%R", "R", "A", "log(1/R)"]
Quantity = Literal["transmittance", "reflectance", "absorbance", "log inverse reflectance"]

QUANTITY_OF_UNIT: dict[ValueUnit, Quantity] = {
    "%T": "transmittance",
    "T": "transmittance",
    "%R": "reflectance",
    "R": "reflectance",
    "A": "absorbance",
    "log(1/R)": "log inverse reflectance",
}
