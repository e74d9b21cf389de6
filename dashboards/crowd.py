"""Reading more spectra than lines can show, a chunk at a time, into one picture."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from speclake_dashboards.decimation import Density
from speclake_dashboards.matching import Matched, Units, in_units

from speclake.spectrum import SpectrumSet
from speclake.units import convert_positions

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

    density: Density
    kept: tuple[SpectrumSet, ...]
    remarks: tuple[str, ...]


def crowd_of(archive: "Archive", table: "polars.DataFrame", units: Units) -> Crowd:
    """Density of all spectra of a table in some units, read in chunks of constant memory."""
    density = Density(*_ends(table, units))
    remarks: dict[str, None] = {}
    kept: list[SpectrumSet] = []
    size = 0
    for matched in _chunks(archive, table["measurement_id"].to_list(), units):
        remarks |= dict.fromkeys(matched.remarks)
        for each in matched.sets:
            density.add(each.axis.values, each.values)
            size += each.values.nbytes
            kept.append(each)
        if size > MOST_KEPT_BYTES:
            kept.clear()
    if size > MOST_KEPT_BYTES:
        remarks[ENLARGED] = None
    return Crowd(density, tuple(kept), tuple(remarks))


def _chunks(archive: "Archive", ids: Sequence[str], units: Units) -> Iterator[Matched]:
    for start in range(0, len(ids), CHUNK):
        yield in_units(archive.spectra(ids[start : start + CHUNK]), units)


def _ends(table: "polars.DataFrame", units: Units) -> tuple[float, float]:
    """Ends of the axis of all spectra; for a frame it is of no weight whether in air or vacuum."""
    ends: list[float] = []
    columns = ("axis_unit", "axis_first", "axis_last")
    for axis_unit, first, last in table.select(columns).unique().iter_rows():
        ends.extend(convert_positions([first, last], axis_unit, "vacuum", units.axis_unit))
    return float(min(ends)), float(max(ends))


def redrawn(kept: Sequence[SpectrumSet], frame: tuple[float, float, float, float]) -> Any:
    """Picture of the part of the plane that a visitor looks at, None where nothing lies in it."""
    start, stop, low, high = frame
    density = Density(start, stop, frame=(low, high))
    for each in kept:
        density.add(each.axis.values, each.values)
    return density.picture()
