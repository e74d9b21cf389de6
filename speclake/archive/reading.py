"""Spectra and originals read from the batches, wherever sealing has put them."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from speclake.archive import batches
from speclake.archive.chain import Chain, Commit
from speclake.archive.encoding import decode_rows
from speclake.archive.places import Catalogue, Place
from speclake.archive.schemas import COMMIT_NUMBER, from_table
from speclake.errors import ArchiveDamaged, NotFound
from speclake.spectrum import Axis, SpectrumSet
from speclake.units import SpectralUnit

Positions = npt.NDArray[np.int64]
Read = TypeVar("Read")

_ROWS_AT_ONCE = 1024
_VALUES = ("axis_id", "exponent", "integers", "floats")
_ID = {"spectra": "measurement_id", "derived": "derived_id", "axes": "axis_id"}


_Key = tuple[str, SpectralUnit]


@dataclass(frozen=True)
class _Block:
    """Some rows of one file: which of the wanted spectra, their axes and units, their values."""

    indices: Positions
    keys: list[_Key]
    rows: Any


class Reader:
    """Reader of an archive's batches.

    A batch may be replaced and cleaned away between the look into the catalogue and the reading;
    then the catalogue is refreshed and asked again.
    """

    def __init__(self, root: Path, chain: Chain, catalogue: Catalogue) -> None:
        self._root = root
        self._catalogue = catalogue
        self._record: Callable[[int], Commit] = lru_cache(1024)(chain.read)
        self._numbers: Callable[[int, str], Positions] = lru_cache(64)(self._commit_numbers)
        self._axis: Callable[[str], Axis] = lru_cache(256)(self._read_axis)

    def spectra(self, ids: Sequence[str]) -> list[SpectrumSet]:
        """Spectra of measurements, one set for each axis and unit, keys in the order given.

        Raises
        ------
        speclake.errors.NotFound
            A measurement is not in the archive.
        speclake.errors.ArchiveDamaged
            A file is missing or is not what was committed.
        """
        return self._again(lambda: self._sets("spectra", ids))

    def derived(self, ids: Sequence[str]) -> list[SpectrumSet]:
        """Derived spectra, as `spectra` gives those of measurements."""
        return self._again(lambda: self._sets("derived", ids))

    def original(self, sha256: str) -> bytes:
        """Bytes of a file, checked against their hash.

        Raises
        ------
        speclake.errors.NotFound, speclake.errors.ArchiveDamaged
            As for `spectra`.
        """
        return self._again(lambda: self._original(sha256))

    def originals_file(self, sha256: str) -> Path:
        """Zip archive that holds the bytes of a file now; sealing may move them later.

        Raises
        ------
        speclake.errors.NotFound, speclake.errors.ArchiveDamaged
            As for `spectra`.
        """
        return self._again(lambda: batches.originals_file(self._root, self._holder(sha256), sha256))

    def _again(self, read: Callable[[], Read]) -> Read:
        """What `read` gives, asked again for as long as batches move meanwhile."""
        while True:
            shown = self._catalogue.number
            try:
                return read()
            except FileNotFoundError as error:
                self._catalogue.refresh()
                if self._catalogue.number == shown:
                    raise ArchiveDamaged(
                        f"{error.filename}: found no file; expected it as committed; run verify"
                    ) from error

    def _original(self, sha256: str) -> bytes:
        return batches.read_original(self._root, self._holder(sha256), sha256)

    def _holder(self, sha256: str) -> Commit:
        """Commit whose batch holds the bytes of a file."""
        place = self._places("originals", (sha256,))[sha256]
        return self._record(place.batch)

    def _places(self, table: str, ids: Sequence[str]) -> dict[str, Place]:
        places = self._catalogue.places(table, ids)
        for each in ids:
            if each not in places:
                raise NotFound(f"{each}: found no such entry among the {table} of the archive")
        return places

    # --- sets of spectra ----------------------------------------------------------------------

    def _sets(self, table: str, ids: Sequence[str]) -> list[SpectrumSet]:
        wanted = tuple(dict.fromkeys(ids))
        keys: list[_Key] = [("", "%T")] * len(wanted)
        blocks_of: dict[_Key, list[_Block]] = {}
        for block in self._blocks(table, wanted):
            for key in set(block.keys):
                blocks_of.setdefault(key, []).append(block)
            for index, key in zip(block.indices.tolist(), block.keys, strict=True):
                keys[index] = key
        members: dict[_Key, list[int]] = {}
        for index, key in enumerate(keys):
            members.setdefault(key, []).append(index)
        return [
            self._set(key, np.array(indices), wanted, blocks_of[key])
            for key, indices in members.items()
        ]

    def _set(
        self, key: _Key, indices: Positions, wanted: Sequence[str], blocks: Sequence[_Block]
    ) -> SpectrumSet:
        axis = self._axis(key[0])
        rows_of = np.full(len(wanted), -1)
        rows_of[indices] = np.arange(len(indices))
        values = np.empty((len(indices), len(axis)))
        for block in blocks:
            rows = rows_of[block.indices]
            is_in = rows >= 0
            encoded = block.rows if is_in.all() else block.rows.filter(pa.array(is_in))
            values[rows[is_in]] = decode_rows(encoded, len(axis))
        return SpectrumSet(axis, values, key[1], tuple(wanted[i] for i in indices.tolist()))

    def _blocks(self, table: str, wanted: Sequence[str]) -> Iterator[_Block]:
        """Rows of the wanted spectra, still encoded, in the order of their files."""
        by_batch: dict[int, list[tuple[int, int]]] = {}
        places = self._places(table, wanted)
        for index, each in enumerate(wanted):
            place = places[each]
            by_batch.setdefault(place.batch, []).append((self._position(table, place), index))
        for batch, found in by_batch.items():
            found.sort()
            for start in range(0, len(found), _ROWS_AT_ONCE):
                positions, indices = np.array(found[start : start + _ROWS_AT_ONCE]).T
                yield self._block(table, self._record(batch), positions, indices, wanted)

    def _block(
        self,
        table: str,
        commit: Commit,
        positions: Positions,
        indices: Positions,
        wanted: Sequence[str],
    ) -> _Block:
        names = [_ID[table], *_VALUES, *(["unit"] if table == "derived" else [])]
        rows = batches.read_rows(self._root, commit, table, positions, names)
        units = rows
        if table == "spectra":  # the n-th spectrum of a batch is that of its n-th measurement
            units = batches.read_rows(self._root, commit, "measurements", positions, ["unit"])
        for found, index in zip(rows.column(_ID[table]).to_pylist(), indices.tolist(), strict=True):
            if found != wanted[index]:
                raise ArchiveDamaged(
                    f"commit {commit.number}, {table}: found {found}; expected {wanted[index]} "
                    "at the place that the catalogue names; rebuild the catalogue"
                )
        keys = zip(
            *(rows.column("axis_id").to_pylist(), units.column("unit").to_pylist()), strict=True
        )
        return _Block(indices, list(keys), rows)

    def _position(self, table: str, place: Place) -> int:
        """Position of a row in the file that holds it now."""
        if place.batch == place.commit:
            return place.row
        return int(np.searchsorted(self._numbers(place.batch, table), place.commit)) + place.row

    def _commit_numbers(self, batch: int, table: str) -> Positions:
        rows = batches.read_table(self._root, self._record(batch), table, ())
        numbers: Positions = rows.column(COMMIT_NUMBER).to_numpy()
        return numbers

    def _read_axis(self, axis_id: str) -> Axis:
        place = self._places("axes", (axis_id,))[axis_id]
        positions = np.array([self._position("axes", place)])
        rows = batches.read_rows(self._root, self._record(place.batch), "axes", positions)
        axis: Axis = from_table("axes", rows)[0]
        if axis.id != axis_id:
            raise ArchiveDamaged(f"axis {axis_id}: found positions of the axis {axis.id}")
        return axis
