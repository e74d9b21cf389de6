"""Spectra written as JCAMP-DX 5.01: reading gives back every bit, the header and the fields.

The file is ASCII in lines of at most 80 characters. What the standard has no record for stands in
user records that begin with ``##$SPECLAKE``: the unit of the values, the medium, what is known of
the measurement. They say it in full, so that nobody who reads the file need derive it.
"""

import json
from collections.abc import Iterator, Sequence

import numpy as np

from speclake.errors import CannotWrite
from speclake.spectrum import Spectrum
from speclake.units import AxisUnit, ValueUnit
from speclake.writing import tables
from speclake.writing.decimals import FloatArray, is_even, number_text, whole_numbers
from speclake.writing.forms import Form
from speclake.writing.texts import can_be_label, compared, record

PREFIX = "$SPECLAKE"
X_UNITS: dict[AxisUnit, str] = {
    "nm": "NANOMETERS", "um": "MICROMETERS", "cm-1": "1/CM", "eV": "EV"
}  # fmt: skip
Y_UNITS: dict[ValueUnit, str] = {
    "%T": "PERCENT TRANSMITTANCE", "T": "TRANSMITTANCE", "%R": "PERCENT REFLECTANCE",
    "R": "REFLECTANCE", "A": "ABSORBANCE", "log(1/R)": "LOG(1/R)",
}  # fmt: skip
_OF_THE_TABLE = frozenset({
    "TITLE", "JCAMPDX", "DATATYPE", "DATACLASS", "XUNITS", "YUNITS", "XFACTOR", "YFACTOR",
    "FIRSTX", "LASTX", "DELTAX", "NPOINTS", "FIRSTY", "MAXX", "MINX", "MAXY", "MINY", "XYDATA",
    "XYPOINTS", "PEAKTABLE", "PEAKASSIGNMENTS", "RADATA", "XYZDATA", "DATATABLE", "NTUPLES",
    "ENDNTUPLES", "VARNAME", "SYMBOL", "VARTYPE", "VARFORM", "VARDIM", "UNITS", "FIRST", "LAST",
    "MIN", "MAX", "FACTOR", "PAGE", "BLOCKS", "BLOCKID", "END",
})  # fmt: skip
"""Records that describe how a table is written; a new table has its own."""
_TABLES = frozenset({"XYDATA", "XYPOINTS", "DATATABLE"})


def blocks(spectra: Sequence[Spectrum], form: Form = "exact", title: str = "") -> Iterator[str]:
    """Text of a JCAMP-DX file, piece by piece; several spectra stand in a LINK block.

    Parameters
    ----------
    spectra : at least one.
    form : how tables are written.
    title : of the LINK block.

    Raises
    ------
    speclake.errors.CannotWrite
        There is no spectrum, or the form cannot carry one exactly.
    """
    if not spectra:
        raise CannotWrite("found no spectrum; expected one at least")
    if len(spectra) == 1:
        yield _block(spectra[0], form, None)
        return
    yield _joined(
        record("TITLE", title or f"{len(spectra)} spectra"),
        "##JCAMP-DX= 5.01",
        "##DATA TYPE= LINK",
        f"##BLOCKS= {len(spectra)}",
        "##ORIGIN= not stated",
        "##OWNER= not stated",
    )
    for number, spectrum in enumerate(spectra, start=1):
        yield _block(spectrum, form, number)
    yield "##END= $$ of all blocks\n"


def _block(spectrum: Spectrum, form: Form, number: int | None) -> str:
    step = 1 if spectrum.scan_direction == "ascending" else -1
    positions, values = spectrum.axis.values[::step], spectrum.values[::step]
    lines, places = _table(positions, values, form, spectrum)
    in_pairs = lines[0].startswith("##XYPOINTS")
    return _joined(
        record("TITLE", _title(spectrum)),
        "##JCAMP-DX= 5.01",
        "##DATA TYPE= "
        + ("INFRARED SPECTRUM" if spectrum.axis.unit == "cm-1" else "UV/VIS SPECTRUM"),
        f"##DATA CLASS= {'XYPOINTS' if in_pairs else 'XYDATA'}",
        *([] if number is None else [f"##BLOCK_ID= {number}"]),
        *_header(spectrum),
        *_known(spectrum),
        f"##XUNITS= {X_UNITS[spectrum.axis.unit]}",
        f"##YUNITS= {Y_UNITS[spectrum.unit]}",
        "##XFACTOR= 1",
        f"##YFACTOR= {f'1E-{places:02d}' if places else 1}",
        f"##FIRSTX= {number_text(positions[0])}",
        f"##LASTX= {number_text(positions[-1])}",
        f"##NPOINTS= {values.size}",
        *_extremes(values),
        *lines,
        "##END=",
    )


def _joined(*lines: str) -> str:
    return "\n".join(lines) + "\n"


def _title(spectrum: Spectrum) -> str:
    if "TITLE" in spectrum.header:
        return spectrum.header["TITLE"]
    names = [spectrum.fields.get(name, "") for name in ("lot", "serial", "sample", "site")]
    return " ".join(name for name in names if name) or spectrum.place or "a spectrum"


def _extremes(values: FloatArray) -> Iterator[str]:
    if not np.isnan(values[0]):
        yield f"##FIRSTY= {number_text(values[0])}"
    if not np.isnan(values).all():
        yield f"##MAXY= {number_text(np.nanmax(values))}"
        yield f"##MINY= {number_text(np.nanmin(values))}"


def _table(
    positions: FloatArray, values: FloatArray, form: Form, spectrum: Spectrum
) -> tuple[list[str], int]:
    """Record of the table in lines, and how many places its whole numbers have."""
    steps_are_even = form != "pairs" and is_even(positions)
    if form == "pairs" or (form == "exact" and not steps_are_even):
        return ["##XYPOINTS= (XY..XY)", *tables.pairs(positions, values)], 0
    if not steps_are_even:
        raise _cannot(
            spectrum, form, "its positions are not those of equal steps from the first to the last"
        )
    labels = [number_text(each) for each in positions.tolist()]
    scaled = whole_numbers(values)
    head = "##XYDATA= (X++(Y..Y))"
    if form in ("exact", "affn", "pac"):
        numbers, places = scaled or (values.tolist(), 0)
        texts = [
            "?" if each is None else str(each) if isinstance(each, int) else number_text(each)
            for each in numbers
        ]
        return [head, *tables.plain(labels, texts, is_packed=form == "pac")], places
    if scaled is None:
        raise _cannot(
            spectrum, form, "a value is a negative zero or its digits are too many for one scale"
        )
    write = tables.stepped if form.startswith("dif") else tables.squeezed
    return [head, *write(labels, scaled[0], counted=form.endswith("dup"))], scaled[1]


def _cannot(spectrum: Spectrum, form: Form, why: str) -> CannotWrite:
    return CannotWrite(
        f"found a spectrum ({_title(spectrum)!r}) that the form {form!r} cannot carry to the last "
        f"bit: {why}; the form 'exact' carries every spectrum"
    )


def _header(spectrum: Spectrum) -> Iterator[str]:
    """Records of the header; what another kind of file says becomes user records."""
    entries = {name: text for name, text in spectrum.header.items() if name != "TITLE"}
    labels = {compared(name) for name in spectrum.header}
    # of the header of a JCAMP-DX file these are always there
    is_jcamp = bool("TITLE" in labels and labels & _TABLES and labels & {"XUNITS", "UNITS"})
    labels = labels if is_jcamp else set()
    yield from (f"##{label}= not stated" for label in ("ORIGIN", "OWNER") if label not in labels)
    for name, text in entries.items():
        if not is_jcamp:
            yield _user_record(name, text)
            continue
        first, _, again = name.rpartition(" (")
        label = first if again.removesuffix(")").isdigit() and first in entries else name
        if name == "##":
            yield record("", text)
        elif compared(label) not in _OF_THE_TABLE and not compared(label).startswith(PREFIX):
            yield (
                record(label, text) if can_be_label(label) and not label.startswith("LINK: ")
                else _user_record(name, text)
            )  # fmt: skip


def _user_record(name: str, text: str) -> str:
    label = f"${name}"
    if can_be_label(label) and not compared(label).startswith(PREFIX):
        return record(label, text)
    return record(f"{PREFIX} ENTRY", json.dumps([name, text]))


def _known(spectrum: Spectrum) -> Iterator[str]:
    yield record(f"{PREFIX} UNIT", spectrum.unit)
    if spectrum.axis.medium:
        yield record(f"{PREFIX} AXIS MEDIUM", spectrum.axis.medium)
    if spectrum.place:
        yield record(f"{PREFIX} PLACE", spectrum.place)
    for name, text in spectrum.fields.items():
        yield record(f"{PREFIX} FIELD {name}", text)
    for note in spectrum.notes:
        yield record(f"{PREFIX} NOTE", note)
