"""Reading more spectra than lines can show, a chunk at a time, into one picture."""

from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from speclake_dashboards.density import COLUMNS, Density, DensityPicture, edges_on
from speclake_dashboards.matching import Matched, Units, in_units, units_of

from speclake.spectrum import SpectrumSet
from speclake.units import AxisUnit, ValueUnit, convert_positions

if TYPE_CHECKING:
    import polars

    from speclake.api import Archive

CHUNK = 2_000
"""Spectra read at a time, about 40 MB of values."""
MOST_KEPT_BYTES = 200_000_000
"""Values kept in memory so that the picture can be drawn anew when a visitor zooms in."""


ENLARGED = (
    "Zooming in enlarges this picture and shows no finer detail; choose fewer spectra for that."
)


@dataclass(frozen=True)
class Crowd:
    """A density, the sets it was made from where they are few enough to keep, and remarks."""

    picture: DensityPicture | None
    kept: tuple[SpectrumSet, ...]
    remarks: tuple[str, ...]


def crowd_of(archive: "Archive", table: "polars.DataFrame", units: Units) -> Crowd:
    """Density of all spectra of a table in some units, read in chunks of constant memory."""
    density: Density | None = None
    remarks: dict[str, None] = {}
    kept: list[SpectrumSet] = []
    size = 0
    for matched in _chunks(archive, table["measurement_id"].to_list(), units):
        remarks |= dict.fromkeys(matched.remarks)
        for each in matched.sets:
            density = density or Density(*_columns(table, units, each))
            density.add(each.axis.values, each.values)
            size += each.values.nbytes
            kept.append(each)
        if size > MOST_KEPT_BYTES:
            kept.clear()
    if size > MOST_KEPT_BYTES:
        remarks[ENLARGED] = None
    return Crowd(density.picture() if density else None, tuple(kept), tuple(remarks))


def units_for(
    archive: "Archive",
    table: "polars.DataFrame",
    axis_unit: AxisUnit | None,
    unit: ValueUnit | None,
) -> Units:
    """Units asked for, else those that most spectra of a table were exported in."""
    groups = table.group_by("axis_id", "unit", maintain_order=True)
    largest = max((group for _, group in groups), key=len)
    return units_of(archive.spectra(largest["measurement_id"][:1].to_list()), axis_unit, unit)


def _chunks(archive: "Archive", ids: Sequence[str], units: Units) -> Iterator[Matched]:
    """Sets in the units of the picture; the next chunk is read while one is being counted."""

    def read(start: int) -> Matched:
        return in_units(archive.spectra(ids[start : start + CHUNK]), units)

    with ThreadPoolExecutor(1, thread_name_prefix="speclake reading") as reader:
        ahead = reader.submit(read, 0)
        for start in range(CHUNK, len(ids) + CHUNK, CHUNK):
            matched = ahead.result()
            if start < len(ids):
                ahead = reader.submit(read, start)
            yield matched


def _columns(
    table: "polars.DataFrame", units: Units, first: SpectrumSet
) -> tuple[float, float, int]:
    """Start, stop and number of the columns: on the points of an even grid where all share it."""
    ends: list[float] = []
    columns = ("axis_unit", "axis_first", "axis_last")
    # for a frame it is of no weight whether a wavelength is counted in air or in vacuum
    for axis_unit, low, high in table.select(columns).unique().iter_rows():
        ends.extend(convert_positions([low, high], axis_unit, "vacuum", units.axis_unit))
    start, stop = float(min(ends)), float(max(ends))
    positions = first.axis.values
    if table["axis_id"].n_unique() == 1 and units.axis_unit == table["axis_unit"][0]:
        return edges_on(positions)
    return start, stop, COLUMNS


def redrawn(kept: Sequence[SpectrumSet], frame: tuple[float, float, float, float]) -> Any:
    """Picture of the part of the plane that a visitor looks at, None where nothing lies in it."""
    start, stop, low, high = frame
    density = Density(start, stop, frame=(low, high))
    for each in kept:
        density.add(each.axis.values, each.values)
    return density.picture()
