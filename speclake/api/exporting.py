"""Spectra and verdicts written to files in open formats, and originals as they came."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from speclake.api.parts import ids_of
from speclake.errors import NotFound, SpeclakeError

if TYPE_CHECKING:
    import polars as pl

    from speclake.api.archive import Archive

What = Literal["spectra", "verdicts", "original"]


class CannotWrite(SpeclakeError, ValueError):
    """What was asked for does not fit into such a file."""


def export(
    archive: "Archive",
    target: Path,
    ids: Sequence[str] | None,
    query: Mapping[str, Any],
    what: What,
) -> int:
    """Write measurements to a file; number of rows, columns or bytes written.

    What a query finds is written without the spectra in conflict: name those by identifier.

    Raises
    ------
    CannotWrite
        The ending of the file is none that can be written, or the spectra do not share an axis.
    speclake.errors.NotFound
        Nothing fits.
    """
    chosen = list(ids) if ids else ids_of(archive.store.catalog, in_conflict=False, **query)
    if not chosen:
        raise NotFound("found no measurement to export")
    if what == "original":
        return _original(archive, target, chosen)
    frame = _verdicts(archive, chosen) if what == "verdicts" else None
    if target.suffix == ".parquet":
        frame = _rows(archive, chosen) if frame is None else frame
        frame.write_parquet(target)
        return frame.height
    if target.suffix != ".csv":
        raise CannotWrite(
            f"{target.name}: found the ending {target.suffix!r}; expected .csv or .parquet"
        )
    if frame is not None:
        frame.write_csv(target)
        return frame.height
    columns = _columns(archive, chosen)
    columns.write_csv(target)
    return columns.width - 1


def _original(archive: "Archive", target: Path, ids: Sequence[str]) -> int:
    wanted = {m.file_id for m in archive.measurements(ids)}
    if len(wanted) > 1:
        raise CannotWrite(f"found {len(wanted)} files for these measurements; expected one")
    rows = archive.find(ids=tuple(ids), withdrawn="show", superseded="show", limit=1)
    ((folder, path),) = rows.select("folder", "file").rows()
    states = archive.store.catalog.file_states(folder, path)
    (sha256,) = {state.sha256 for state in states if state.file_id in wanted}
    content = archive.original(sha256)
    target.write_bytes(content)
    return len(content)


def _verdicts(archive: "Archive", ids: Sequence[str]) -> "pl.DataFrame":
    return archive.verdicts(ids)


def _columns(archive: "Archive", ids: Sequence[str]) -> "pl.DataFrame":
    """One column a spectrum beside the axis, titled with unit, part and identifier."""
    import polars as pl

    sets = archive.spectra(ids)
    if len({s.axis.id for s in sets}) > 1:
        raise CannotWrite(f"found {len(sets)} axes; expected one for .csv, or write .parquet")
    named = {m.measurement_id: m for m in archive.measurements(ids)}
    axis = sets[0].axis
    medium = f" in {axis.medium}" if axis.medium else ""
    series = [pl.Series(f"axis ({axis.unit}{medium})", axis.values)]
    for spectra in sets:
        for key, values in zip(spectra.keys, spectra.values, strict=True):
            m = named[key]
            part = " ".join(text for text in (m.lot, m.serial or m.sample, m.site) if text)
            series.append(pl.Series(f"{spectra.unit} {part} {key}", values))
    return pl.DataFrame(series)


def _rows(archive: "Archive", ids: Sequence[str]) -> "pl.DataFrame":
    """One row a spectrum: everything known of the measurement, the axis and the values."""
    import polars as pl

    spectra = {
        key: (s.axis.values.tolist(), values.tolist())
        for s in archive.spectra(ids)
        for key, values in zip(s.keys, s.values, strict=True)
    }
    rows = []
    for m in archive.measurements(ids):
        row = asdict(m)
        row["header"] = [{"entry": k, "value": v} for k, v in m.header.items()]
        row["origin"] = [{"field": k, "source": v} for k, v in m.origin.items()]
        row["axis_values"], row["values"] = spectra[m.measurement_id]
        rows.append(row)
    return pl.DataFrame(rows, infer_schema_length=None)
