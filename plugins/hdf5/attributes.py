"""Attributes of an HDF5 object as header text."""

import json
from collections.abc import Iterator
from typing import Any

import numpy as np

from speclake.importing.exactly import sound_text, text_of_number

MOST_BYTES = 65_536
STRUCTURAL = frozenset(
    {
        "CLASS", "NAME", "DIMENSION_LIST", "DIMENSION_LABELS", "REFERENCE_LIST",
        "_Netcdf4Dimid", "_Netcdf4Coordinates", "_nc3_strict",
    }
)  # fmt: skip
"""Attributes in which HDF5 dimension scales and NetCDF-4 keep how datasets hang together."""


def attribute_texts(owner: Any) -> tuple[dict[str, str], tuple[str, ...]]:
    """Attributes of a group or dataset as text, and reading notes on those that have none."""
    texts: dict[str, str] = {}
    notes: list[str] = []
    for name in _names(owner):
        value = attribute(owner, name)
        if value is None:
            notes.append(f"attribute {sound_text(name)!r} of {owner.name} is no text or too long")
        else:
            texts[sound_text(name)] = text_of(value)
    return texts, tuple(notes)


def _names(owner: Any) -> Iterator[str]:
    return (name for name in owner.attrs if name not in STRUCTURAL)


def attribute(owner: Any, name: str) -> Any:
    """Value of an attribute as the library gives it; None where it is no text and no number.

    Its type is looked at before it is read: what is no plain text or number may lie anywhere in a
    file, or be longer than any header.
    """
    import h5py

    found = h5py.h5a.open(owner.id, name.encode("utf-8", "surrogateescape"))
    kind, space = found.get_type(), found.get_space()
    if space.get_simple_extent_type() == h5py.h5s.NULL:
        return ""
    plain = (h5py.h5t.TypeStringID, h5py.h5t.TypeIntegerID, h5py.h5t.TypeFloatID)
    if not isinstance(kind, (*plain, h5py.h5t.TypeEnumID)):
        return None
    if space.get_simple_extent_npoints() * kind.get_size() > MOST_BYTES:
        return None
    return owner.attrs[name]


def text_of(value: Any) -> str:
    """Text of what the library read: a text, a number, or a list of them."""
    if isinstance(value, np.ndarray):
        if value.size == 1:
            return text_of(value.reshape(-1)[0])
        return f"[{', '.join(_in_list(each) for each in value.reshape(-1))}]"
    if isinstance(value, bytes):
        return value.decode("utf-8", "backslashreplace")
    if isinstance(value, str):
        return sound_text(value)
    return text_of_number(value)


def _in_list(value: Any) -> str:
    text = text_of(value)
    return json.dumps(text, ensure_ascii=False) if isinstance(value, str | bytes) else text
