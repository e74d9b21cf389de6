"""Requirements on colour."""

from typing import Literal, Self

from pydantic import model_validator
from typing_extensions import override

from speclake.specs.requirements.weighted import Filled

Illuminant = Literal[
    "A", "B", "C", "D50", "D55", "D60", "D65", "D75", "E", "FL1", "FL2", "FL3", "FL4", "FL5",
    "FL6", "FL7", "FL8", "FL9", "FL10", "FL11", "FL12", "FL3.1", "FL3.2", "FL3.3", "FL3.4",
    "FL3.5", "FL3.6", "FL3.7", "FL3.8", "FL3.9", "FL3.10", "FL3.11", "FL3.12", "FL3.13", "FL3.14",
    "FL3.15", "HP1", "HP2", "HP3", "HP4", "HP5", "ID50", "ID65", "LED-B1", "LED-B2", "LED-B3",
    "LED-B4", "LED-B5", "LED-BH1", "LED-RGB1", "LED-V1", "LED-V2",
]  # fmt: skip
ColourNumber = Literal[
    "X", "Y", "Z", "x", "y", "u'", "v'", "L*", "a*", "b*", "C*ab", "h ab", "delta E ab",
    "delta E 2000", "dominant wavelength", "excitation purity", "yellowness ASTM E313",
    "whiteness ASTM E313", "tint ASTM E313",
]  # fmt: skip
Observer = Literal["CIE 1931 2 degree", "CIE 1964 10 degree"]
Method = Literal["summation", "ASTM E2022 weighting factors"]
Numbers = tuple[float, float, float]

UNITS = {"dominant wavelength": "nm", "excitation purity": "%", "h ab": "°"}
"""Units of the numbers that have one; all others count in units of their scale."""

PLAIN = "units"
OF_DIFFERENCE = ("delta E ab", "delta E 2000")
FORMULA_FOR = {
    "yellowness ASTM E313": ("C", "D65"),
    "whiteness ASTM E313": ("D65",),
    "tint ASTM E313": ("D65",),
}
"""Illuminants for which a formula has its coefficients here."""


def tabulated_nm(illuminant: str) -> tuple[float, float]:
    """Range over which an illuminant is tabulated, in nm, and the observer too."""
    if illuminant.startswith(("FL", "HP", "LED")):
        return 380.0, 780.0
    return 360.0, 830.0 if illuminant in ("E", "D60") else 780.0


class ColourRequirement(Filled):
    """One number of the colour of a sample."""

    what: Literal["colour"]
    of: Literal["%T", "T", "%R", "R"]
    number: ColourNumber
    illuminant: Illuminant
    observer: Observer
    method: Method
    interval: Literal[1, 5, 10, 20]
    reference: Numbers | None = None
    reference_space: Literal["XYZ", "L*a*b*"] | None = None
    reference_illuminant: Illuminant | None = None
    reference_observer: Observer | None = None

    @model_validator(mode="after")
    def _is_computable(self) -> Self:
        self._check_grid()
        known = FORMULA_FOR.get(self.number, (self.illuminant,))
        if self.illuminant not in known:
            raise ValueError(f"illuminant {' or '.join(known)} with {self.number}")
        if self.largest_interval is not None:
            raise ValueError("no largest_interval: the interval of the grid is the largest")
        told = (self.reference, self.reference_space, self.reference_illuminant,
                self.reference_observer)  # fmt: skip
        is_difference = self.number in OF_DIFFERENCE
        if any((each is not None) != is_difference for each in told):
            raise ValueError(
                "reference, reference_space, reference_illuminant and reference_observer with a "
                "colour difference, and only with one"
            )
        seen = (self.reference_illuminant, self.reference_observer)
        if is_difference and seen != (self.illuminant, self.observer):
            raise ValueError("a reference under the illuminant and observer of the requirement")
        return self

    def _check_grid(self) -> None:
        intervals = (1, 5) if self.method == "summation" else (10, 20)
        if self.interval not in intervals:
            raise ValueError(f"interval = {intervals[0]} or {intervals[1]} with {self.method}")
        assert self.band is not None  # checked before
        (low, high), (begin, end) = self.band, tabulated_nm(self.illuminant)
        if self.axis_unit != "nm" or not (begin <= low and high <= end):
            raise ValueError(
                f"a band within {begin:g} to {end:g} nm, where {self.illuminant} is tabulated"
            )
        if low % self.interval or (high - low) % self.interval:
            raise ValueError(f"a band that begins and ends on whole {self.interval} nm")
        if self.method != "summation" and high - low < 3 * self.interval:
            raise ValueError("a band of at least three intervals")

    @override
    def result_units(self) -> tuple[str, ...]:
        return (UNITS.get(self.number, PLAIN),)

    @override
    def taken(self) -> str:
        words = f"colour {self.number} of {self.measured}, illuminant {self.illuminant}, "
        words += f"{self.observer} observer, {self.method} every {self.interval} nm"
        if self.reference is not None:
            numbers = ", ".join(f"{each:g}" for each in self.reference)
            words += f", to {self.reference_space} {numbers}"
        return f"{words}{self._fill_in_words()} {self._place_in_words()}"
