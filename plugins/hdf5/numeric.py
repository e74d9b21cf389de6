"""Datasets of numbers: what is read of them, what never is, and what their attributes do to them.

Attributes and their meaning: CF Metadata Conventions 1.11, section 2.5.1 (missing data, valid
range) and 8.1 (packed data); NetCDF default fill values as in ``netcdf.h``.
"""

from dataclasses import dataclass
from math import prod
from typing import Any

import numpy as np
import numpy.typing as npt
from speclake_plugins.hdf5.attributes import attribute
from speclake_plugins.hdf5.opened import Opened

from speclake.importing.exactly import FloatArray, as_float64, check_size, precision_notes

LARGEST_CHUNK_BYTES = 128 * 2**20
_OWN_FILTERS = {1, 2, 3, 4, 5, 6, 32000}
"""Deflate, shuffle, checksum, szip, n-bit, scale-offset; and the LZF that h5py always brings."""

_DEFAULT_FILLS = {
    "f": 9.969209968386869e36,
    "i2": -32767, "i4": -2147483647, "i8": -9223372036854775806,
    "u2": 65535, "u4": 4294967295, "u8": 18446744073709551614,
}  # fmt: skip


def check_stored(file: Opened, dataset: Any) -> None:
    """Nothing, if all values of a dataset lie in this file and in a form that is read.

    Raises
    ------
    speclake.errors.MalformedFile
        They lie in another file, need a filter from elsewhere, or are declared to be far more than
        the file can hold.
    """
    import h5py

    made, place = dataset.id.get_create_plist(), dataset.name
    if made.get_layout() == h5py.h5d.VIRTUAL or made.get_external_count():
        expected = "a dataset whose values lie in this file"
        raise file.refusal(place, "a dataset whose values lie in other files", expected)
    for number in range(made.get_nfilters()):
        code, _, _, name = made.get_filter(number)
        if code not in _OWN_FILTERS:
            shown = name.decode("ascii", "replace")
            expected = "deflate, LZF, szip or no compression"
            raise file.refusal(place, f"the filter {code} ({shown})", expected)
    if dataset.chunks and prod(dataset.chunks) * dataset.dtype.itemsize > LARGEST_CHUNK_BYTES:
        expected = f"chunks of at most {LARGEST_CHUNK_BYTES} bytes"
        raise file.refusal(place, f"chunks of {dataset.chunks} values", expected)
    check_size(prod(dataset.shape or ()), file.size, file.name, place)


@dataclass(frozen=True)
class Numbers:
    """A dataset of numbers and what its attributes say of them."""

    file: Opened
    dataset: Any
    missing: tuple[Any, ...]
    valid: tuple[float, float]
    valid_is_packed: bool
    scale: float
    offset: float
    notes: tuple[str, ...]

    @property
    def place(self) -> str:
        """Path of the dataset."""
        return str(self.dataset.name)

    def unpacked(self, raw: npt.NDArray[Any]) -> tuple[FloatArray, tuple[str, ...]]:
        """Values that stored numbers stand for, NaN where they are missing, and reading notes."""
        notes: list[str] = []
        is_missing = np.zeros(raw.shape, dtype=bool)
        for marker in self.missing:
            is_missing |= _equal(raw, marker)
        if is_missing.any():
            raw = np.where(is_missing, raw.dtype.type(0), raw)
            shown = " or ".join(str(marker) for marker in self.missing)
            notes.append(f"{self.place}: a value is missing, marked by the number {shown}")
        stored = values = as_float64(raw, self.file.name, self.place)
        if self.scale != 1.0 or self.offset != 0.0:
            with np.errstate(over="ignore"):
                values = as_float64(stored * self.scale + self.offset, self.file.name, self.place)
        if self.valid != (-np.inf, np.inf):
            low, high = self.valid
            tested = stored if self.valid_is_packed else values
            outside = ((tested < low) | (tested > high)) & ~is_missing
            if outside.any():
                what = "a value outside the valid range is missing, as CF says"
                notes.append(f"{self.place}: {what}")
                is_missing |= outside
        if is_missing.any():
            values = np.where(is_missing, np.nan, values)
        return values, tuple(notes)


def numbers_in(file: Opened, dataset: Any, place: str) -> Numbers:
    """A dataset of numbers, nothing of it read yet.

    Raises
    ------
    speclake.errors.MalformedFile
        It is none, or not stored in a way that is read; or an attribute contradicts it.
    """
    import h5py

    if not isinstance(dataset, h5py.Dataset):
        found = "nothing" if dataset is None else "a group"
        raise file.refusal(place, found, "a dataset of numbers")
    if not isinstance(dataset.id.get_type(), h5py.h5t.TypeIntegerID | h5py.h5t.TypeFloatID):
        raise file.refusal(place, f"a dataset of the type {dataset.dtype}", "one of numbers")
    if not dataset.shape or not 1 <= len(dataset.shape) <= 3 or not prod(dataset.shape):
        found = f"a dataset of the shape {dataset.shape}"
        raise file.refusal(place, found, "1 to 3 dimensions with a value in each")
    check_stored(file, dataset)
    numbers = _described(file, dataset)
    _check_written(numbers)
    return numbers


def _said(file: Opened, dataset: Any, name: str) -> npt.NDArray[Any] | None:
    if name not in dataset.attrs:
        return None
    value = attribute(dataset, name)
    if value is None or np.asarray(value).dtype.kind not in "iuf":
        place = f"{dataset.name}, attribute {name}"
        raise file.refusal(place, repr(value)[:80], "numbers")
    return np.asarray(value).reshape(-1)


def _one(file: Opened, dataset: Any, name: str, default: float) -> float:
    found = _said(file, dataset, name)
    if found is None:
        return default
    value = float(found[0]) if len(found) == 1 else np.nan
    if not np.isfinite(value):
        raise file.refusal(f"{dataset.name}, attribute {name}", str(found), "one finite number")
    return value


def _valid(file: Opened, dataset: Any) -> tuple[float, float]:
    span = _said(file, dataset, "valid_range")
    if span is None:
        low = _one(file, dataset, "valid_min", -np.inf)
        return low, _one(file, dataset, "valid_max", np.inf)
    if len(span) != 2:
        raise file.refusal(f"{dataset.name}, attribute valid_range", str(span), "two numbers")
    return float(span[0]), float(span[1])


def _described(file: Opened, dataset: Any) -> Numbers:
    if "_Unsigned" in dataset.attrs:
        place = f"{dataset.name}, attribute _Unsigned"
        raise file.refusal(place, "signed numbers meant unsigned", "an unsigned type")
    markers: list[Any] = []
    for name in ("_FillValue", "missing_value"):
        if (found := _said(file, dataset, name)) is not None:
            markers += list(found)
    if "_FillValue" not in dataset.attrs:
        markers += _default_fill(dataset)
    scale = _one(file, dataset, "scale_factor", 1.0)
    if scale == 0.0:
        place = f"{dataset.name}, attribute scale_factor"
        raise file.refusal(place, "0, which makes all values the same", "another number")
    offset = _one(file, dataset, "add_offset", 0.0)
    notes = [*precision_notes(dataset.dtype, f"{dataset.name} is stored")]
    if (scale, offset) != (1.0, 0.0):
        what = f"stored number x {scale!r} + {offset!r}"
        notes.append(f"{dataset.name}: {what} (scale_factor and add_offset of CF)")
    typed = [n for n in ("valid_range", "valid_min", "valid_max") if n in dataset.attrs]
    is_packed = all(dataset.attrs.get_id(name).dtype == dataset.dtype for name in typed)
    valid = _valid(file, dataset)
    return Numbers(file, dataset, tuple(markers), valid, is_packed, scale, offset, tuple(notes))


def _default_fill(dataset: Any) -> list[Any]:
    """What a NetCDF library writes where nobody wrote, if the dataset was made by one."""
    import h5py

    if dataset.id.get_create_plist().fill_value_defined() != h5py.h5d.FILL_VALUE_USER_DEFINED:
        return []
    dtype = dataset.dtype
    known = _DEFAULT_FILLS.get("f" if dtype.kind == "f" else f"{dtype.kind}{dtype.itemsize}")
    fill = dataset.fillvalue
    return [fill] if known is not None and bool(_equal(np.asarray([fill]), known)[0]) else []


def _equal(raw: npt.NDArray[Any], value: Any) -> npt.NDArray[np.bool_]:
    """Where stored numbers are this one, compared in their own type."""
    if raw.dtype.kind == "f":
        with np.errstate(over="ignore"):
            return np.asarray(raw == raw.dtype.type(value))
    if float(value) != np.floor(float(value)):
        return np.zeros(raw.shape, dtype=bool)
    span = np.iinfo(raw.dtype)
    if not span.min <= int(value) <= span.max:
        return np.zeros(raw.shape, dtype=bool)
    return np.asarray(raw == raw.dtype.type(int(value)))


def _check_written(numbers: Numbers) -> None:
    """Values that nobody wrote read as the fill value, a number that no instrument gave."""
    dataset, file = numbers.dataset, numbers.file
    expected = "a dataset whose values were written, or a fill value that marks the missing ones"
    if not dataset.id.get_storage_size():
        raise file.refusal(numbers.place, "a dataset of which nothing was written", expected)
    if not dataset.chunks:
        return
    whole = prod(
        -(-length // chunk) for length, chunk in zip(dataset.shape, dataset.chunks, strict=True)
    )
    written = dataset.id.get_num_chunks()
    if written < whole:
        fill = np.asarray([dataset.fillvalue])
        marked = any(bool(_equal(fill, marker)[0]) for marker in numbers.missing)
        if not marked and fill[0] == fill[0]:
            found = f"{whole - written} of {whole} chunks that nobody wrote"
            raise file.refusal(numbers.place, found, expected)
