"""Spectra of a dataset, read piece by piece, with header and fields."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from math import prod
from typing import Any

import numpy as np
import numpy.typing as npt
from speclake_plugins.hdf5.attributes import MOST_BYTES, attribute, attribute_texts, text_of
from speclake_plugins.hdf5.choosing import Chosen, concrete
from speclake_plugins.hdf5.numeric import Numbers, check_stored, numbers_in
from speclake_plugins.hdf5.opened import Opened
from speclake_plugins.hdf5.settings import Hdf5Settings, parts_of

from speclake.importing.declared import MEDIA, fields_of_header
from speclake.importing.exactly import FloatArray, sound_text
from speclake.spectrum import Spectrum

PIECE_BYTES = 16 * 2**20
"""How much of a dataset is held at once."""

Index = tuple[int, ...]


@dataclass
class Reader:
    """Reads the chosen datasets of one file; an axis that they share is read once."""

    file: Opened
    says: Hdf5Settings
    axes: dict[tuple[str, str], tuple[FloatArray, tuple[str, ...]]] = field(default_factory=dict)

    def spectra(self, chosen: Chosen) -> Iterator[Spectrum]:
        """Spectra of a dataset in the order in which it lists them.

        Raises
        ------
        speclake.errors.MalformedFile
            Shape, axis or values cannot be read without guessing.
        """
        positions, axis_notes = self._axis(chosen)
        numbers = numbers_in(self.file, chosen.dataset, chosen.path)
        dimension = _axis_dimension(chosen, numbers, len(positions))
        shape = numbers.dataset.shape
        others = shape[:dimension] + shape[dimension + 1 :]
        header, header_notes = self._header(chosen)
        labels = self._labels(chosen, header, others)
        notes = (*chosen.notes, *axis_notes, *numbers.notes, *header_notes)
        for index, raw in _rows(numbers.dataset, dimension):
            values, value_notes = numbers.unpacked(raw)
            entries = header | {name: label.of(index) for name, label in labels.items()}
            if index:
                entries["index"] = " ".join(str(at + 1) for at in index)
            fields, field_notes = fields_of_header(entries, self.says, self.file.name)
            place = _place(chosen.path, index)
            try:
                yield Spectrum.as_listed(
                    positions, values, axis_unit=chosen.axis_unit, unit=chosen.unit,
                    medium=chosen.medium or MEDIA.get(fields.get("medium", "")), header=entries,
                    fields=fields, place=place, notes=(*notes, *value_notes, *field_notes),
                )  # fmt: skip
            except ValueError as error:
                expected = "positions that rise or fall from point to point"
                raise self.file.refusal(chosen.axis_path, str(error), expected) from error

    def _axis(self, chosen: Chosen) -> tuple[FloatArray, tuple[str, ...]]:
        key = (chosen.axis_path, chosen.rescale)
        if key not in self.axes:
            self.axes[key] = self._axis_read(chosen)
        return self.axes[key]

    def _axis_read(self, chosen: Chosen) -> tuple[FloatArray, tuple[str, ...]]:
        numbers = numbers_in(self.file, chosen.axis, chosen.axis_path)
        if len(numbers.dataset.shape) != 1:
            found = f"a dataset of the shape {numbers.dataset.shape}"
            raise self.file.refusal(chosen.axis_path, found, "an axis of one dimension")
        values, _ = numbers.unpacked(numbers.dataset[()])
        if np.isnan(values).any():
            found = "a position that is missing"
            raise self.file.refusal(chosen.axis_path, found, "a number at each point")
        if chosen.rescale == "/100":
            return values / 100.0, (*numbers.notes, "axis in m-1, divided by 100 to be in cm-1")
        if chosen.rescale == "*1e9":
            return values * 1e9, (*numbers.notes, "axis in m, multiplied by 1e9 to be in nm")
        return values, numbers.notes

    def _header(self, chosen: Chosen) -> tuple[dict[str, str], tuple[str, ...]]:
        """Attributes along the path and of the axis, under the path as the format writes it."""
        entries: dict[str, str] = {}
        notes: list[str] = []
        parts = parts_of(chosen.pattern)
        owners = []
        for length in range(len(parts) + 1):
            known_as = "/" + "/".join(parts[:length])
            owners.append((known_as, "/" + "/".join(chosen.names[:length])))
            if length and parts[length - 1] != chosen.names[length - 1]:
                entries[known_as] = sound_text(chosen.names[length - 1])
        owners.append((chosen.axis_pattern, chosen.axis_path))
        for known_as, path in owners:
            texts, unread = attribute_texts(self.file.at(path))
            entries |= {f"{known_as}@{name}": text for name, text in texts.items()}
            notes += unread
        return entries, tuple(notes)

    def _labels(
        self, chosen: Chosen, header: dict[str, str], others: tuple[int, ...]
    ) -> "dict[str, _Label]":
        """Entries that the format reads from elsewhere in the file; those it has not, are left."""
        labels = {}
        for entry in self.says.entries_read - set(header):
            if not entry.startswith("/"):
                continue
            pattern, _, name = entry.partition("@")
            owner = self.file.at(concrete(pattern, chosen.names))
            if owner is None or (name and name not in owner.attrs):
                continue
            if name:
                value = attribute(owner, name)
                labels[entry] = _Label(self.file, "" if value is None else text_of(value))
            else:
                labels[entry] = _label(self.file, owner, entry, others)
        return labels


@dataclass
class _Label:
    """A text for all spectra, or one for each along some dimensions, of which a piece is held."""

    file: Opened
    found: Any
    along: tuple[int, ...] = ()
    piece: int = 1
    at: Index = ()
    held: Any = None

    def of(self, index: Index) -> str:
        """Text of one spectrum."""
        if not self.along:
            return text_of(self.found)
        *outer, inner = (index[at] for at in self.along)
        start = inner // self.piece * self.piece
        if self.at != (*outer, start):
            self.at = (*outer, start)
            self.held = self.found[(*outer, slice(start, start + self.piece))]
        return _short(self.file, text_of(self.held[inner - start]), self.found.name)


def _short(file: Opened, text: str, place: str) -> str:
    if len(text) > MOST_BYTES:
        raise file.refusal(place, f"a text of {len(text)} signs", f"at most {MOST_BYTES}")
    return text


def _label(file: Opened, dataset: Any, place: str, others: tuple[int, ...]) -> _Label:
    import h5py

    plain = h5py.h5t.TypeStringID | h5py.h5t.TypeIntegerID | h5py.h5t.TypeFloatID
    if not isinstance(dataset, h5py.Dataset) or not isinstance(dataset.id.get_type(), plain):
        raise file.refusal(place, "no dataset of texts or numbers", "one")
    check_stored(file, dataset)
    width = dataset.dtype.itemsize
    if width > MOST_BYTES:
        raise file.refusal(place, f"texts of {width} bytes", f"at most {MOST_BYTES}")
    # a text of any length is somewhere in the file as it is: none is longer than the file
    piece = max(1, min(PIECE_BYTES // max(file.size, width), 1024))
    shape: tuple[int, ...] = dataset.shape or ()
    if prod(shape) == 1:
        return _Label(file, _short(file, text_of(np.asarray(dataset[()]).reshape(-1)[0]), place))
    if shape == others:
        return _Label(file, dataset, tuple(range(len(others))), piece)
    if len(shape) == 1 and others.count(shape[0]) == 1:
        return _Label(file, dataset, (others.index(shape[0]),), piece)
    expected = f"one entry, or one for each of the spectra, which are {others}"
    raise file.refusal(place, f"a dataset of the shape {shape}", expected)


def _axis_dimension(chosen: Chosen, numbers: Numbers, points: int) -> int:
    shape, file = numbers.dataset.shape, numbers.file
    if chosen.axis_dimension is not None:
        if chosen.axis_dimension < len(shape) and shape[chosen.axis_dimension] == points:
            return chosen.axis_dimension
        found = f"a dataset of the shape {shape}"
        expected = f"{points} points along dimension {chosen.axis_dimension + 1}"
        raise file.refusal(chosen.path, found, expected)
    fitting = [at for at, length in enumerate(shape) if length == points]
    if len(fitting) == 1:
        return fitting[0]
    found = f"a dataset of the shape {shape} for an axis of {points} points"
    expected = "settings.values.axis_dimension" if fitting else "a dimension as long as the axis"
    raise file.refusal(chosen.path, found, expected)


def _place(path: str, index: Index) -> str:
    if not index:
        return path
    return f"{path}, spectrum {' '.join(str(at + 1) for at in index)}"


def _rows(dataset: Any, dimension: int) -> Iterator[tuple[Index, npt.NDArray[Any]]]:
    """Stored numbers of each spectrum, of which no more than a piece is held."""
    shape = dataset.shape
    others = [at for at in range(len(shape)) if at != dimension]
    if not others:
        yield (), dataset[()]
        return
    inner = others[-1]
    step = _step(dataset, dimension, inner)
    for outer in np.ndindex(*(shape[at] for at in others[:-1])):
        for start in range(0, shape[inner], step):
            where: list[int | slice] = [slice(None)] * len(shape)
            for at, number in zip(others, outer, strict=False):
                where[at] = number
            where[inner] = slice(start, start + step)
            block = dataset[tuple(where)]
            rows = block if dimension > inner else block.T
            for number, row in enumerate(rows, start):
                yield (*outer, number), np.ascontiguousarray(row)


def _step(dataset: Any, dimension: int, inner: int) -> int:
    """Number of spectra in a piece: whole chunks, if there are any, so that none is read twice."""
    fitting = max(1, PIECE_BYTES // (dataset.shape[dimension] * dataset.dtype.itemsize))
    chunk = dataset.chunks[inner] if dataset.chunks else 1
    return int(max(fitting // chunk * chunk, min(chunk, 8 * fitting), 1))
