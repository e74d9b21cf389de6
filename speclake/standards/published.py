"""Published positions and values of standards, and published classes of tolerance.

Each table is a CSV file in ``data/`` whose first line names its source and says what of it is from
memory. A laboratory's own certificate takes precedence over any of them: a check names one or the
other.
"""

import csv
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Literal

from speclake.errors import NotFound
from speclake.units import Medium

Sense = Literal["minimum", "maximum"]
COVERAGE_FACTOR = 2.0
"""With which the uncertainties of all tables here are expanded."""


@dataclass(frozen=True, slots=True)
class PublishedBand:
    """Position of one band or line.

    Parameters
    ----------
    band : number of the band, the same at each bandwidth.
    bandwidth_nm : at which the position holds; None where it hardly matters.
    uncertainty_nm : expanded, k = 2.
    allowance_nm : how far an instrument may be off, where the source says so for each band.
    """

    band: int
    bandwidth_nm: float | None
    position_nm: float
    uncertainty_nm: float
    medium: Medium
    allowance_nm: float | None


@dataclass(frozen=True, slots=True)
class PublishedBands:
    """Bands or lines of one standard, in the order of the file.

    Parameters
    ----------
    sense : whether a band is a minimum or a maximum, in transmittance or intensity.
    recognised_as : sample names of scans of it; ``*`` stands for any text.
    """

    name: str
    source: str
    sense: Sense
    recognised_as: tuple[str, ...]
    bands: tuple[PublishedBand, ...]


@dataclass(frozen=True, slots=True)
class PublishedValue:
    """Absorbance at one wavelength in air; the uncertainty is expanded, k = 2.

    Parameters
    ----------
    low, high : the range in which the source lets an instrument find it, None where it does not.
    """

    at_nm: float
    value: float
    uncertainty: float
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class PublishedValues:
    """Absorbances of one standard, 10 mm against its blank, by rising wavelength."""

    name: str
    source: str
    recognised_as: tuple[str, ...]
    values: tuple[PublishedValue, ...]


_HOLMIUM_SOLUTION = ("*holmium*solution*", "*holmium*perchlor*")
_BANDS: Mapping[str, tuple[str, Sense, tuple[str, ...]]] = {
    "holmium solution, 1985": ("holmium_solution_1985.csv", "minimum", _HOLMIUM_SOLUTION),
    "holmium solution, 2005": ("holmium_solution_2005.csv", "minimum", _HOLMIUM_SOLUTION),
    "holmium solution, Ph. Eur.": ("holmium_solution_ph_eur.csv", "minimum", _HOLMIUM_SOLUTION),
    "holmium glass": ("holmium_glass.csv", "minimum", ("*holmium*glass*", "*holmium*filter*")),
    "mercury lines": ("mercury_lines.csv", "maximum", ("*mercury*",)),
    "deuterium lines": ("deuterium_lines.csv", "maximum", ("*deuterium*",)),
    "hydrogen lines": ("hydrogen_lines.csv", "maximum", ("*hydrogen*lamp*", "*hydrogen*line*")),
}
_PERCHLORIC = "dichromate {} mg/L in perchloric acid"
_SULPHURIC = "dichromate {} mg/L in sulphuric acid, Ph. Eur."
_VALUES: Mapping[str, tuple[str, str]] = {
    **{
        _PERCHLORIC.format(c): ("dichromate_perchloric.csv", c)
        for c in ("20", "40", "60", "80", "100")
    },
    **{_SULPHURIC.format(c): ("dichromate_ph_eur.csv", c) for c in ("60", "600")},
}

BANDS = tuple(_BANDS)
"""Names of the tables of bands and lines."""
VALUES = tuple(_VALUES)
"""Names of the tables of values."""


@cache
def bands(name: str) -> PublishedBands:
    """Table of bands or lines.

    Raises
    ------
    speclake.errors.NotFound
        There is none of this name.

    Examples
    --------
    >>> bands("deuterium lines").bands[1].position_nm
    656.1032
    """
    if name not in _BANDS:
        raise NotFound(f"found no table of bands {name!r}; there are: {', '.join(BANDS)}")
    file, sense, names = _BANDS[name]
    source, rows = _read(file)
    found = tuple(
        PublishedBand(
            band=int(row["band"]),
            bandwidth_nm=_number(row["bandwidth_nm"]),
            position_nm=float(row["position_nm"]),
            uncertainty_nm=float(row["uncertainty_nm"]),
            medium="vacuum" if row["medium"] == "vacuum" else "air",
            allowance_nm=_number(row["allowance_nm"]),
        )
        for row in rows
    )
    return PublishedBands(name, source, sense, names, found)


@cache
def values(name: str) -> PublishedValues:
    """Table of absorbances.

    Raises
    ------
    speclake.errors.NotFound
        There is none of this name.

    Examples
    --------
    >>> values("dichromate 60 mg/L in perchloric acid").values[1].value
    0.865
    """
    if name not in _VALUES:
        raise NotFound(f"found no table of values {name!r}; there are: {', '.join(VALUES)}")
    file, concentration = _VALUES[name]
    source, rows = _read(file)
    found = tuple(
        PublishedValue(
            at_nm=float(row["at_nm"]),
            value=float(row["value"]),
            uncertainty=float(row["uncertainty"]),
            low=_number(row["low"]),
            high=_number(row["high"]),
        )
        for row in rows
        if row["mg_per_l"] == concentration
    )
    return PublishedValues(name, source, (f"*dichromate*{concentration} mg*",), found)


@dataclass(frozen=True, slots=True)
class ToleranceClass:
    """A published class of tolerance.

    Parameters
    ----------
    what : the kind of check that it is for, ``band positions`` or ``values``.
    allowance : how far off a result may be, from wavelength in nm and expected value; None where
        the table of the standard says it for each of its rows.
    """

    name: str
    source: str
    what: Literal["band positions", "values"]
    allowance: Callable[[float, float], float] | None


OF_TABLE = "as in the table"
"""The class that takes each allowance from the published table of the standard itself."""


def _wavelength(visible_nm: float) -> Callable[[float, float], float]:
    return lambda at_nm, _: 1.0 if at_nm < 400 else visible_nm


def _absorbance(least: float, share: float) -> Callable[[float, float], float]:
    return lambda _, expected: max(least, share * abs(expected))


_CLASSES = (
    ToleranceClass(
        "Ph. Eur. wavelength",
        "European Pharmacopoeia 2.2.25, editions up to about 9: 1 nm in the ultraviolet, 3 nm in "
        "the visible; parted at 400 nm",
        "band positions",
        _wavelength(3.0),
    ),
    ToleranceClass(
        "USP wavelength",
        "USP <857>: 1 nm below 400 nm, 2 nm above; from memory",
        "band positions",
        _wavelength(2.0),
    ),
    ToleranceClass(
        "USP absorbance, ultraviolet",
        "USP <857>: 0.010 or 1 %, whichever is greater; from memory",
        "values",
        _absorbance(0.010, 0.010),
    ),
    ToleranceClass(
        "USP absorbance, visible",
        "USP <857>: 0.008 or 0.8 %, whichever is greater; from memory",
        "values",
        _absorbance(0.008, 0.008),
    ),
    ToleranceClass(
        "Ph. Eur. absorbance",
        "European Pharmacopoeia 2.2.25, from edition 10: 0.010 or 1 %, whichever is greater; "
        "from memory",
        "values",
        _absorbance(0.010, 0.010),
    ),
)
TOLERANCES: Mapping[str, ToleranceClass] = {each.name: each for each in _CLASSES}
"""All classes by name, beside `OF_TABLE`."""


def tolerance(name: str) -> ToleranceClass:
    """Class of tolerance of this name.

    Raises
    ------
    speclake.errors.NotFound
        There is none of this name.

    Examples
    --------
    >>> allowed = tolerance("Ph. Eur. wavelength").allowance
    >>> allowed(253.65, 0), allowed(546.07, 0)
    (1.0, 3.0)
    """
    if name not in TOLERANCES:
        there = ", ".join((*TOLERANCES, OF_TABLE))
        raise NotFound(f"found no class of tolerance {name!r}; there are: {there}")
    return TOLERANCES[name]


def _read(file: str) -> tuple[str, list[dict[str, str]]]:
    text = (resources.files("speclake.standards") / "data" / file).read_text("utf-8")
    first, *lines = text.splitlines()
    return first.removeprefix("# "), list(csv.DictReader(lines))


def _number(text: str) -> float | None:
    return float(text) if text else None
