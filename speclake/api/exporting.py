"""Spectra and verdicts written to files in open formats, and originals as they came."""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import asdict
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from speclake.api.parts import ids_of
from speclake.errors import CannotWrite, NotFound
from speclake.intake.verdicts import current_verdicts
from speclake.intake.wanted import ledger_paths
from speclake.measurement import ASSIGNABLE, BEAM_FIELDS, Kind, Measurement
from speclake.spectrum import Axis, FloatArray, Spectrum
from speclake.writing.forms import Form
from speclake.writing.jcamp import blocks

if TYPE_CHECKING:
    import polars as pl

    from speclake.api.archive import Archive

What = Literal["spectra", "verdicts", "original"]

_JCAMP_ENDINGS = (".jdx", ".dx")
_DAY_S = 86_400

SPECTRA_AT_A_TIME = 256
"""How many spectra are held at once while Parquet is written."""


def export(
    archive: "Archive",
    target: Path,
    ids: Sequence[str] | None,
    query: Mapping[str, Any],
    what: What,
    form: Form = "exact",
) -> int:
    """Write measurements to a file; number of rows, columns, blocks or bytes written.

    The ending of the file says the kind: Parquet (``.parquet``), text (``.csv``), JCAMP-DX
    (``.jdx``, ``.dx``; spectra only). What a query finds is written without the spectra in
    conflict: name those by identifier.

    Parameters
    ----------
    form : how the tables of JCAMP-DX are written.

    Raises
    ------
    speclake.errors.CannotWrite
        The ending of the file is none that can be written, the spectra do not share an axis, or
        the form cannot carry one of them to the last bit.
    speclake.errors.NotFound
        Nothing fits.
    """
    chosen = (
        list(ids) if ids is not None else ids_of(archive.store.catalog, in_conflict=False, **query)
    )
    if not chosen:
        raise NotFound("found no measurement to export")
    if what == "original":
        return _original(archive, target, chosen)
    if target.suffix.lower() in _JCAMP_ENDINGS:
        return _jcamp(archive, target, chosen, what, form)
    if target.suffix not in (".csv", ".parquet"):
        raise CannotWrite(
            f"{target.name}: found the ending {target.suffix!r}; "
            "expected .csv, .parquet, .jdx or .dx"
        )
    if what == "verdicts":
        return _verdicts(archive, target, chosen)
    if target.suffix == ".parquet":
        return _rows(archive, target, chosen)
    table = _columns(archive, chosen)
    with placed(target) as beside:
        table.write_csv(beside)
    return table.width - 1


@contextmanager
def placed(target: Path) -> Iterator[Path]:
    """File beside the target that takes its place whole, or not at all."""
    beside = target.with_name(f"{target.name}.part")
    try:
        yield beside
        beside.replace(target)
    finally:
        beside.unlink(missing_ok=True)


def _original(archive: "Archive", target: Path, ids: Sequence[str]) -> int:
    wanted = {m.file_id for m in archive.measurements(ids)}
    if len(wanted) > 1:
        raise CannotWrite(f"found {len(wanted)} files for these measurements; expected one")
    rows = archive.find(ids=tuple(ids), withdrawn="show", superseded="show", limit=1)
    ((folder, path),) = rows.select("folder", "file").rows()
    lines = (archive.store.catalog.file_states(folder, each) for each in ledger_paths(path))
    (sha256,) = {line.sha256 for each in lines for line in each if line.file_id in wanted}
    content = archive.original(sha256)
    with placed(target) as beside:
        beside.write_bytes(content)
    return len(content)


def _verdicts(archive: "Archive", target: Path, ids: Sequence[str]) -> int:
    import polars as pl
    import polars.selectors as cs

    concessions = archive.concessions(ids)
    judged = current_verdicts(archive.store.catalog, ids)
    said = pl.Series("concession", [concessions.said(each) or None for each in judged], pl.String)
    verdicts = archive.verdicts(ids).with_columns(said)
    if target.suffix == ".csv":
        verdicts = verdicts.with_columns(cs.list().list.join(" "))
    write = verdicts.write_parquet if target.suffix == ".parquet" else verdicts.write_csv
    with placed(target) as beside:
        write(beside)
    return verdicts.height


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


def _rows(archive: "Archive", target: Path, ids: Sequence[str]) -> int:
    """Write one row a spectrum: everything known of the measurement, the axis and the values.

    Only the spectra of `SPECTRA_AT_A_TIME` rows are held at once.
    """
    from pyarrow import parquet

    known = _known(archive, ids)
    with placed(target) as beside, ExitStack() as stack:
        writer = None
        for first in range(0, len(ids), SPECTRA_AT_A_TIME):
            rows = known.slice(first, SPECTRA_AT_A_TIME)
            table = _with_spectra(archive, rows).to_arrow()
            if writer is None:
                writer = stack.enter_context(
                    parquet.ParquetWriter(beside, table.schema, compression="zstd")
                )
            writer.write_table(table)
    return known.height


def _known(archive: "Archive", ids: Sequence[str]) -> "pl.DataFrame":
    """All but the spectra; of all rows at once, since a column is typed by all its cells."""
    import polars as pl

    rows = []
    for m in archive.measurements(ids):
        row = asdict(m)
        row["header"] = [{"entry": k, "value": v} for k, v in m.header.items()]
        row["origin"] = [{"field": k, "source": v} for k, v in m.origin.items()]
        rows.append(row)
    return pl.DataFrame(rows, infer_schema_length=None)


def _with_spectra(archive: "Archive", rows: "pl.DataFrame") -> "pl.DataFrame":
    import polars as pl

    ids = rows["measurement_id"].to_list()
    spectra = {
        key: (s.axis.values, values)
        for s in archive.spectra(ids)
        for key, values in zip(s.keys, s.values, strict=True)
    }
    columns = zip(*(spectra[key] for key in ids), strict=True)
    return rows.with_columns(
        pl.Series(name, [*map(pl.Series, arrays)], dtype=pl.List(pl.Float64))
        for name, arrays in zip(("axis_values", "values"), columns, strict=True)
    )


def _jcamp(archive: "Archive", target: Path, ids: Sequence[str], what: What, form: Form) -> int:
    if what != "spectra":
        raise CannotWrite(f"{target.name}: found {what} for JCAMP-DX; expected spectra")
    stored = {
        key: (each.axis, values)
        for each in archive.spectra(ids)
        for key, values in zip(each.keys, each.values, strict=True)
    }
    spectra = [_spectrum(m, *stored[m.measurement_id]) for m in archive.measurements(ids)]
    with placed(target) as beside, beside.open("w", encoding="ascii", newline="\n") as stream:
        stream.writelines(blocks(spectra, form))
    return len(spectra)


def _spectrum(m: Measurement, axis: Axis, values: FloatArray) -> Spectrum:
    """Spectrum of a measurement with all that is known of it, as an importer would give it."""
    return Spectrum(
        axis, values, m.unit, m.header, _fields(m), m.place, m.scan_direction, m.notes
    )  # fmt: skip


def _fields(m: Measurement) -> dict[str, str]:
    known: dict[str, Any] = {name: getattr(m, name) for name in (*ASSIGNABLE, *BEAM_FIELDS)}
    if m.kind is Kind.UNKNOWN:
        del known["kind"]
    if m.scanned_at is None or m.scanned_precision_s == _DAY_S:
        known["scanned"] = m.scanned_text
    else:
        step = "minutes" if m.scanned_precision_s == 60 else "auto"
        known["scanned"] = m.scanned_at.isoformat(timespec=step)
    if len(m.ranges) == 1:
        for name in ("bandwidth_nm", "interval_nm", "response_s"):
            known[name] = getattr(m.ranges[0], name)
    for link in m.links:
        if link.by_name:
            known[str(link.kind).replace(" ", "_")] = link.target
    return {name: _text(value) for name, value in known.items() if value is not None}


def _text(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime):
        return value.isoformat()
    return str(value) if isinstance(value, StrEnum | str) else repr(value)
