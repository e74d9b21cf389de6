"""Rows as text, so that any two that differ in one bit differ."""

from dataclasses import replace
from typing import Any

from speclake.archive.rows import DerivedRow, StoredSpectrum
from speclake.spectrum import Axis


def shown(row: Any) -> str:
    """Row as text; values are shown number by number."""
    if isinstance(row, StoredSpectrum | DerivedRow):
        values = row.values
        arrays = [a.tolist() if a is not None else None for a in (values.integers, values.floats)]
        nothing: Any = None
        return f"{replace(row, values=nothing)} {values.exponent} {arrays}"
    if isinstance(row, Axis):
        return f"{row.unit} {row.medium} {row.values.tolist()}"
    return repr(row)
