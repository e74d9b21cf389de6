"""Spectra of one block: its units, fields and notes beside the checked curve."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from speclake_plugins.jcamp.curve import Table, read_curve
from speclake_plugins.jcamp.decimals import FloatArray, shortened
from speclake_plugins.jcamp.exported import Exported, entries_of, exported
from speclake_plugins.jcamp.forms import form_of
from speclake_plugins.jcamp.header import Header
from speclake_plugins.jcamp.meaning import (
    SAMPLE_LABELS,
    Declared,
    axis_unit,
    is_declared,
    sample,
    scan_time,
    value_unit,
)
from speclake_plugins.jcamp.ntuples import pages_of
from speclake_plugins.jcamp.records import Block, Document, Record

from speclake.spectrum import Spectrum
from speclake.units import AxisUnit, ValueUnit
from speclake.writing.texts import compared

LARGEST_FRACTION = 2.0
"""A transmittance or reflectance beyond this is no fraction, whatever the header calls it."""

NOTED_FRACTION = 1.2
"""A fraction beyond this is read and remarked."""


@dataclass(frozen=True)
class _Units:
    axis: AxisUnit
    value: ValueUnit
    value_text: str
    by_format: bool
    line: int
    exported: Exported | None


def spectra_of(
    document: Document,
    block: Block,
    around: Mapping[str, str],
    place: str,
    says: Declared,
    notes: Sequence[str],
) -> Iterator[Spectrum]:
    """Spectra of one block: one, or as many as it has pages.

    Parameters
    ----------
    document, block : the file and the block of it.
    around : header entries of the blocks around this one.
    place : name of the block in the file.
    says : what the archive declares of such files.
    notes : notes on the file as a whole.

    Raises
    ------
    speclake.errors.MalformedFile
        The block cannot be read without guessing.
    """
    header = Header(document, block.records)
    notes = (*notes, *_notes_on_version(header, block), *_notes_on_tables(header))
    if header.record("NTUPLES") or any(record.key == "PAGE" for record in block.records):
        for number, page in enumerate(
            pages_of(document, header, is_closed=block.is_closed), start=1
        ):
            units = _units(document, page.header, "UNITS", page.x_units, page.y_units, says)
            yield _spectrum(
                document, around, page.header, page.table, units, f"{place}, page {number}",
                says, notes,
            )  # fmt: skip
        return
    record = _curve_record(document, header, block)
    form = form_of(document, record)
    units = _units(document, header, "", header.value("XUNITS"), header.value("YUNITS"), says)
    table = header.table(record, in_pairs=form.in_pairs, is_closed=block.is_closed)
    yield _spectrum(document, around, header, table, units, place, says, notes)


def _curve_record(document: Document, header: Header, block: Block) -> Record:
    curves = [record for record in header.records if record.key in ("XYDATA", "XYPOINTS")]
    if len(curves) != 1:
        raise document.refusal(
            block.records[0].line,
            f"{len(curves)} records ##XYDATA= or ##XYPOINTS= in the block",
            "one; a file cut short may have none",
        )
    if not block.is_closed and block.records[-1] is not curves[0]:
        raise document.refusal(
            None, "no ##END=, and records behind the data", "##END=; this file may be cut short"
        )
    return curves[0]


def _units(
    document: Document, header: Header, key: str, x_units: str, y_units: str, says: Declared
) -> _Units:
    axis = axis_unit(x_units)
    if axis is None:
        raise document.refusal(
            header.line(key or "XUNITS"),
            f"##XUNITS= {shortened(x_units)}",
            "1/CM, NANOMETERS, MICROMETERS or EV; speclake archives spectra against wavelength, "
            "wavenumber or photon energy",
        )
    own = exported(document, header)
    said = value_unit(y_units, says.value_units)
    line = header.line(key or "YUNITS")
    if own and value_unit(y_units, {}) not in (None, own.unit):
        raise document.refusal(
            line, f"##YUNITS= {shortened(y_units)}", f"{own.unit}, as ##$SPECLAKE UNIT= says"
        )
    value = own.unit if own else said
    if value is None:
        raise document.refusal(
            line,
            f"##YUNITS= {shortened(y_units)}",
            "TRANSMITTANCE, REFLECTANCE, their percent, ABSORBANCE or LOG(1/R); a format can "
            "declare what this text means (docs/jcamp.md)",
        )
    return _Units(axis, value, y_units, is_declared(y_units, says.value_units), line, own)


def _spectrum(
    document: Document,
    around: Mapping[str, str],
    header: Header,
    table: Table,
    units: _Units,
    place: str,
    says: Declared,
    notes: Sequence[str],
) -> Spectrum:
    curve = read_curve(document, table)
    entries = header.as_read(around)
    if units.exported:
        return Spectrum.as_listed(
            curve.positions,
            curve.values,
            axis_unit=units.axis,
            unit=units.value,
            medium=units.exported.medium,
            header=entries_of(entries),
            fields=units.exported.fields,
            place=place,
            notes=(*notes, *header.notes, *curve.notes),
        )
    fields, time_note = _fields(header, around, says)
    unit_note = _check_fraction(document, units, curve.values)
    return Spectrum.as_listed(
        curve.positions,
        curve.values,
        axis_unit=units.axis,
        unit=units.value,
        header=entries,
        fields=fields,
        place=place,
        notes=(
            *notes,
            *header.notes,
            *curve.notes,
            *(note for note in (unit_note, time_note) if note),
        ),
    )


def _fields(
    header: Header, around: Mapping[str, str], says: Declared
) -> tuple[dict[str, str], str | None]:
    """Fields that the standard has records for, and a note where the time is unclear.

    A sample that the LINK block around names goes before the title of the block itself.
    """
    values = header.values(told=(*SAMPLE_LABELS, "SPECTROMETERDATASYSTEM"))
    if not sample({label: text for label, text in values.items() if label != "TITLE"}):
        outer = {compared(label.removeprefix("LINK: ")): text for label, text in around.items()}
        values |= {
            label: text.partition("$$")[0].strip()
            for label in SAMPLE_LABELS[:-1]
            if (text := outer.get(label))
        }
    scanned, time_note = scan_time(values, says.date_order)
    fields = {
        "sample": sample(values),
        "instrument": values.get("SPECTROMETERDATASYSTEM"),
        "scanned": scanned,
    }
    return {name: text for name, text in fields.items() if text}, time_note


def _check_fraction(document: Document, units: _Units, values: FloatArray) -> str | None:
    """Note on values that stretch the declared unit; a unit that cannot be is refused."""
    there = values[~np.isnan(values)]
    highest = float(there.max()) if there.size else 0.0
    if units.value in ("T", "R") and not units.by_format and highest > NOTED_FRACTION:
        if highest > LARGEST_FRACTION:
            percent = "%" + units.value
            raise document.refusal(
                units.line,
                f"##YUNITS= {shortened(units.value_text)}, by the standard a fraction, but "
                f"ordinates up to {highest:.6g}",
                "a fraction; where the instrument means percent, a format declares it: "
                f'value_units = {{ "{units.value_text}" = "{percent}" }} (docs/jcamp.md)',
            )
        return (
            f"##YUNITS= {units.value_text} is a fraction by the standard, but ordinates reach "
            f"{highest:.6g}; confirm the unit"
        )
    if units.by_format and units.value in ("%T", "%R") and 0 < highest <= NOTED_FRACTION:
        return (
            f"the format reads ##YUNITS= {units.value_text} as {units.value}, but no ordinate "
            f"exceeds {highest:.6g}; confirm the unit"
        )
    return None


def _notes_on_version(header: Header, block: Block) -> list[str]:
    version = header.record("JCAMPDX")
    if version is None:
        said_outside = any(
            record.key == "JCAMPDX" for outer in block.around() for record in outer.records
        )
        return [] if said_outside else ["##JCAMP-DX= is missing; read as version 4.24 to 6"]
    if version.label.upper().replace(" ", "") != "JCAMP-DX":
        return [f"##{version.label}= stands for ##JCAMP-DX="]
    return []


def _notes_on_tables(header: Header) -> list[str]:
    return [
        f"##{record.label}= beside the curve is not read"
        for record in header.data_records()
        if record.key in ("PEAKTABLE", "PEAKASSIGNMENTS", "RADATA")
    ]
