"""Spectra that speclake itself exported to Parquet: read back with all that was known of them."""

from collections.abc import Iterator
from typing import Any, get_args

from speclake_plugins.arrowtables.cells import is_too_long, lists, moment
from speclake_plugins.arrowtables.opened import ROWS_AT_A_TIME, Opened

from speclake.measurement import ASSIGNABLE, BEAM_FIELDS
from speclake.spectrum import Axis, ScanDirection, Spectrum
from speclake.units import AxisUnit, Medium, ValueUnit

_DAY_S = 86_400.0
_MINUTE_S = 60.0
_OWN_COLUMNS = frozenset(
    {
        "measurement_id", "file", "place", "header", "notes", "unit", "axis_unit", "medium",
        "scan_direction", "scanned_at", "scanned_text", "scanned_precision_s", "axis_values",
        "values",
    }
)  # fmt: skip
_CLOSED = {
    "unit": get_args(ValueUnit), "axis_unit": get_args(AxisUnit),
    "medium": (*get_args(Medium), None), "scan_direction": get_args(ScanDirection),
}  # fmt: skip


def is_own(table: Opened) -> bool:
    """Whether a table has the columns of an export of spectra."""
    return set(table.schema.names) >= _OWN_COLUMNS


def own_spectra(table: Opened) -> Iterator[Spectrum]:
    """Spectra of an export, in its order.

    Raises
    ------
    speclake.errors.MalformedFile
        A row is none that speclake writes.
    """
    row = 0
    for batch in table.batches(ROWS_AT_A_TIME):
        axes, _ = lists(batch.column("axis_values"), table.name, "column 'axis_values'")
        values, _ = lists(batch.column("values"), table.name, "column 'values'")
        kinds = {field.name: field.type for field in batch.schema}
        for at, said in enumerate(_rows(table, batch)):
            row += 1
            place = f"row {row}"
            for name, known in _CLOSED.items():
                if said[name] not in known:
                    expected = f"one of {', '.join(map(str, known))}"
                    raise table.refusal(place, f"{name} {said[name]!r}", expected)
            origin = f"{said['file']}, {said['place']}" if said["place"] else str(said["file"])
            note = f"exported by speclake: measurement {said['measurement_id']} of {origin}"
            try:
                yield Spectrum(
                    Axis(axes[at], said["axis_unit"], said["medium"]), values[at], said["unit"],
                    {each["entry"]: each["value"] for each in said["header"] or ()},
                    _fields(said, kinds), place, said["scan_direction"],
                    (*(said["notes"] or ()), note),
                )  # fmt: skip
            except ValueError as error:
                raise table.refusal(place, str(error), "a spectrum") from error
    if not row:
        raise table.refusal("", "a table without rows", "at least one")


def _rows(table: Opened, batch: Any) -> Iterator[dict[str, Any]]:
    """Rows as dictionaries, times as their number of ticks."""
    import pyarrow as pa

    columns = {}
    for name in batch.schema.names:
        if name in ("axis_values", "values"):
            continue
        column = batch.column(name)
        if pa.types.is_timestamp(column.type):
            column = column.cast(pa.int64())
        if is_too_long(column):
            raise table.refusal(f"column {name!r}", "a text of over 64 KiB", "a shorter one")
        columns[name] = column.to_pylist()
    for at in range(batch.num_rows):
        yield {name: cells[at] for name, cells in columns.items()}


def _fields(said: dict[str, Any], kinds: dict[str, Any]) -> dict[str, str]:
    known = {name: said.get(name) for name in (*ASSIGNABLE, *BEAM_FIELDS)}
    if known["kind"] == "unknown":
        known["kind"] = None
    known["scanned"] = _scan_time(said, kinds["scanned_at"])
    if known["baseline_at"] is not None:
        known["baseline_at"] = moment(known["baseline_at"], kinds["baseline_at"])
    ranges = said.get("ranges") or []
    if len(ranges) == 1:
        for name in ("bandwidth_nm", "interval_nm", "response_s"):
            known[name] = ranges[0].get(name)
    for link in said.get("links") or ():
        if link["by_name"]:
            known[link["kind"].replace(" ", "_")] = link["target"]
    return {name: _text(value) for name, value in known.items() if value is not None}


def _scan_time(said: dict[str, Any], kind: Any) -> str | None:
    precision = said["scanned_precision_s"]
    if said["scanned_at"] is None or precision == _DAY_S:
        return None if said["scanned_text"] is None else str(said["scanned_text"])
    text = moment(said["scanned_at"], kind)
    return text.replace(":00+00:00", "+00:00") if precision == _MINUTE_S else text


def _text(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return value if isinstance(value, str) else repr(value)
