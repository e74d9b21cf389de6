"""Published tables of weights that ship with the package, and those of a laboratory."""

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Literal

import numpy as np

from speclake.errors import NotFound
from speclake.spectrum import FloatArray
from speclake.units import AxisUnit

TableKind = Literal["density", "summed weights", "lines"]


@dataclass(frozen=True)
class WeightTable:
    """Weights along an axis.

    Parameters
    ----------
    name : how a specification calls it.
    kind : ``density`` is weight per unit of the axis, to be integrated; ``summed weights`` have
        the interval in them already; ``lines`` are weights of single positions.
    unit : unit of the positions.
    positions : strictly ascending.
    weights : one a position, none below zero, not all zero.
    """

    name: str
    kind: TableKind
    unit: AxisUnit
    positions: tuple[float, ...]
    weights: tuple[float, ...]

    def __post_init__(self) -> None:
        at, weights = np.array(self.positions), np.array(self.weights)
        if at.size != weights.size or not (np.diff(at) > 0).all() or not (at > 0).all():
            raise ValueError(f"{self.name}: one weight for each of strictly rising positions")
        if not (weights >= 0).all() or not np.isfinite(weights).all() or not weights.any():
            raise ValueError(f"{self.name}: weights that are not negative, and not all zero")


_TIMES_V = "times V(lambda), 5 nm"
_ILLUMINANTS = ("A", "C", "D50", "D65")
_COLUMNS: Mapping[str, tuple[str, str, TableKind]] = {
    "ASTM G173-03 global": ("astm_g173_03.csv", "global", "density"),
    "ASTM G173-03 direct": ("astm_g173_03.csv", "direct", "density"),
    "EN 410 table 2, from memory": ("en_410_solar.csv", "weight", "summed weights"),
    "EN 410 table 1, from memory": ("en_410_luminous.csv", "weight", "summed weights"),
    "CIE V(lambda), 1 nm": ("cie_1931_observer.csv", "ybar", "density"),
    **{
        f"CIE illuminant {name}, 5 nm": ("cie_illuminants.csv", name, "density")
        for name in _ILLUMINANTS
    },
}
SHIPPED = (*_COLUMNS, *(f"CIE illuminant {name} {_TIMES_V}" for name in _ILLUMINANTS))
"""Names of the tables that come with the package."""


@cache
def shipped(name: str) -> WeightTable:
    """Table that comes with the package.

    The product of an illuminant and V(lambda) is taken every 5 nm from 380 nm to 780 nm, where
    both are tabulated.

    Raises
    ------
    speclake.errors.NotFound
        There is none of this name.

    References
    ----------
    The first line of each file under ``speclake/quantities/data`` names its standard and table.

    Examples
    --------
    >>> shipped("ASTM G173-03 global").weights[340]  # 500 nm, W m-2 nm-1
    1.5451
    """
    if name in _COLUMNS:
        file, column, kind = _COLUMNS[name]
        found = _columns(file)
        at, weights = found["wavelength_nm"], found[column]
    elif name in SHIPPED:
        illuminants, observer = _columns("cie_illuminants.csv"), _columns("cie_1931_observer.csv")
        grid = illuminants["wavelength_nm"]
        at, kind = grid[grid >= 380], "density"
        v = np.interp(at, observer["wavelength_nm"], observer["ybar"])
        weights = illuminants[name.split()[2]][grid >= 380] * v
    else:
        raise NotFound(f"found no table of weights {name!r}; there are: {', '.join(SHIPPED)}")
    return WeightTable(name, kind, "nm", tuple(at.tolist()), tuple(weights.tolist()))


@cache
def _columns(file: str) -> Mapping[str, FloatArray]:
    text = (resources.files("speclake.quantities") / "data" / file).read_text("utf-8")
    rows = list(csv.DictReader(text.splitlines()[1:]))
    return {name: np.array([float(row[name]) for row in rows]) for name in rows[0]}
