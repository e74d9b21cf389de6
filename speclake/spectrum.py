"""Spectra: values on a wavelength axis, exactly as exported, and sets of them on a shared axis."""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal

import numpy as np
import numpy.typing as npt

from speclake.units import QUANTITY_OF_UNIT, AxisUnit, Medium, Quantity, SpectralUnit, ValueUnit

FloatArray = npt.NDArray[np.float64]
ScanDirection = Literal["ascending", "descending"]


def _frozen(values: npt.ArrayLike) -> FloatArray:
    array = np.array(values, dtype=np.float64)
    array.flags.writeable = False
    return array


@dataclass(frozen=True, eq=False)
class Axis:
    """Where a spectrum was measured: strictly rising, finite positions.

    Parameters
    ----------
    values : shape (p,), in `unit`, strictly ascending.
    unit : ``nm``, ``um``, ``cm-1`` or ``eV``.
    medium : what a wavelength is counted in, ``air`` or ``vacuum``; None where nobody said.

    Raises
    ------
    ValueError
        The positions are not finite, not strictly ascending, or not one-dimensional.
    """

    values: FloatArray
    unit: AxisUnit
    medium: Medium | None = None

    def __post_init__(self) -> None:
        values = _frozen(self.values)
        if values.ndim != 1 or values.size < 1:
            raise ValueError(f"an axis needs one dimension and a point, found shape {values.shape}")
        if not np.isfinite(values).all() or not (np.diff(values) > 0).all():
            raise ValueError("an axis needs finite, strictly ascending positions")
        object.__setattr__(self, "values", values)

    @cached_property
    def id(self) -> str:
        """Name of this grid by its content, the same on every machine."""
        digest = hashlib.sha256(f"{self.unit}|{self.medium or ''}|".encode())
        digest.update(self.values.astype("<f8").tobytes())
        return digest.hexdigest()[:32]

    def __len__(self) -> int:
        return int(self.values.size)


@dataclass(frozen=True, eq=False)
class Spectrum:
    """One spectrum as an importer read it: nothing converted, nothing clipped, nothing dropped.

    Parameters
    ----------
    axis : shape (p,).
    values : shape (p,), in `unit`; NaN where the export marks a point as missing.
    unit : unit of the values as declared by the export or its format, never sniffed.
    header : every entry of the header, text to text, as read.
    fields : entries whose meaning is known, keyed by a name of `speclake.measurement.FIELDS`;
        a time (``scanned``) is ISO 8601 with its offset.
    place : where in the file it stands, unique within the file (``block 2``, ``column 3``).
    scan_direction : the order in which the export listed the points.
    notes : reading notes: what the importer tolerated.

    Raises
    ------
    ValueError
        The shapes differ or a value is infinite.
    """

    axis: Axis
    values: FloatArray
    unit: ValueUnit
    header: Mapping[str, str] = field(default_factory=dict)
    fields: Mapping[str, str] = field(default_factory=dict)
    place: str = ""
    scan_direction: ScanDirection = "ascending"
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        values = _frozen(self.values)
        if values.shape != self.axis.values.shape:
            raise ValueError(f"{values.shape} values on an axis of {self.axis.values.shape}")
        if np.isinf(values).any():
            raise ValueError("a spectrum cannot hold an infinite value")
        object.__setattr__(self, "values", values)

    @classmethod
    def as_listed(
        cls,
        positions: npt.ArrayLike,
        values: npt.ArrayLike,
        *,
        axis_unit: AxisUnit,
        unit: ValueUnit,
        medium: Medium | None = None,
        header: Mapping[str, str] | None = None,
        fields: Mapping[str, str] | None = None,
        place: str = "",
        notes: tuple[str, ...] = (),
    ) -> "Spectrum":
        """Spectrum from points in the order of the export, rising or falling.

        Raises
        ------
        ValueError
            The positions neither rise nor fall strictly.
        """
        x = np.asarray(positions, dtype=np.float64)
        y = np.asarray(values, dtype=np.float64)
        falling = x.size > 1 and bool(x[0] > x[-1])
        return cls(
            axis=Axis(x[::-1] if falling else x, axis_unit, medium),
            values=y[::-1] if falling else y,
            unit=unit,
            header=dict(header or {}),
            fields=dict(fields or {}),
            place=place,
            scan_direction="descending" if falling else "ascending",
            notes=notes,
        )

    @property
    def quantity(self) -> Quantity:
        """What the values are, from their unit."""
        return QUANTITY_OF_UNIT[self.unit]


@dataclass(frozen=True, eq=False)
class SpectrumSet:
    """Spectra that share one axis and one unit: what every computation takes.

    Parameters
    ----------
    axis : shape (p,).
    values : shape (n, p), float64, in `unit`.
    unit : unit of all values.
    keys : n measurement identifiers, in the order of the rows.

    Raises
    ------
    ValueError
        The shapes do not fit one another.
    """

    axis: Axis
    values: FloatArray
    unit: SpectralUnit
    keys: tuple[str, ...]

    def __post_init__(self) -> None:
        values = np.asarray(self.values, dtype=np.float64)
        if values.shape != (len(self.keys), len(self.axis)):
            raise ValueError(
                f"values of shape {values.shape} for {len(self.keys)} keys "
                f"on an axis of {len(self.axis)} points"
            )
        object.__setattr__(self, "values", values)

    @classmethod
    def of(cls, spectra: Sequence[Spectrum], keys: Sequence[str] | None = None) -> "SpectrumSet":
        """Set of spectra that share an axis and a unit.

        Raises
        ------
        ValueError
            No spectrum was given, or they differ in axis or unit.
        """
        if not spectra:
            raise ValueError("a set needs at least one spectrum")
        first = spectra[0]
        if any(s.axis.id != first.axis.id or s.unit != first.unit for s in spectra):
            raise ValueError("the spectra of a set share one axis and one unit")
        return cls(
            axis=first.axis,
            values=np.stack([s.values for s in spectra]),
            unit=first.unit,
            keys=tuple(keys if keys is not None else (str(i) for i in range(len(spectra)))),
        )

    @property
    def quantity(self) -> Quantity:
        """What the values are, from their unit."""
        return QUANTITY_OF_UNIT[self.unit]

    def __len__(self) -> int:
        return len(self.keys)
