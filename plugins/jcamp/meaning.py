"""What the words in a JCAMP-DX header mean: units, techniques, dates, and a lab's own reading."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta, timezone
from typing import Any, get_args

from speclake.units import AxisUnit, ValueUnit

OTHER_TECHNIQUES = {
    "NMR": "an NMR spectrum",
    "MASS": "a mass spectrum",
    "RAMAN": "a Raman spectrum, whose axis is a shift",
    "INTERFEROGRAM": "an interferogram",
    "EPR": "an EPR spectrum",
    "ESR": "an ESR spectrum",
    "IMS": "an ion mobility spectrum",
    "ION MOBILITY": "an ion mobility spectrum",
    "CHROMATOGRAM": "a chromatogram",
    "DIFFRACT": "a diffractogram",
    "THERMO": "a thermogram",
    "EMISSION": "an emission spectrum",
    "FLUORESCENCE": "a fluorescence spectrum",
    "LUMINESCENCE": "a luminescence spectrum",
    "DICHROISM": "a circular dichroism spectrum",
    "PEAK": "a table of peaks, which lists maxima and no curve",
    "RADATA": "an interferogram",
}
"""Words of ``##DATA TYPE=`` and ``##DATA CLASS=`` that name what speclake does not archive."""

_AXIS_SPELLINGS: dict[AxisUnit, str] = {
    "nm": "NANOMETERS NANOMETER NANOMETRES NANOMETRE NM WAVELENGTH(NM) WAVELENGTH,NM",
    "um": "MICROMETERS MICROMETER MICROMETRES MICROMETRE UM \u039cM MICRONS MICRON WAVELENGTH(UM)",
    "cm-1": "1/CM CM-1 CM^-1 CM**-1 /CM CM\u207b\u00b9 WAVENUMBERS(CM-1) WAVENUMBER(CM-1)"
    " WAVENUMBERS(1/CM) WAVENUMBER(1/CM)",
    "eV": "EV ELECTRONVOLT ELECTRONVOLTS ELECTRON-VOLT ELECTRON-VOLTS ENERGY(EV)",
}
_VALUE_SPELLINGS: dict[ValueUnit, str] = {
    "T": "TRANSMITTANCE T",
    "%T": "%T %TRANSMITTANCE PERCENTTRANSMITTANCE TRANSMITTANCE(%) TRANSMITTANCE% TRANSMITTANCE,%"
    " T(%) T% PERCENTT %TRANSMISSION PERCENTTRANSMISSION TRANSMISSION(%)",
    "R": "REFLECTANCE R",
    "%R": "%R %REFLECTANCE PERCENTREFLECTANCE REFLECTANCE(%) REFLECTANCE% REFLECTANCE,%"
    " R(%) R% PERCENTR %REFLECTION PERCENTREFLECTION REFLECTION(%)",
    "A": "ABSORBANCE A ABS ABSORBANCEUNITS ABSORBANCE(A) OPTICALDENSITY",
    "log(1/R)": "LOG(1/R) LOG1/R LOG10(1/R)",
}
_AXIS_UNITS = {text: unit for unit, texts in _AXIS_SPELLINGS.items() for text in texts.split()}
_VALUE_UNITS = {text: unit for unit, texts in _VALUE_SPELLINGS.items() for text in texts.split()}
_WHOLE_WORDS = ("IMS", "EPR", "ESR")
_ONE_WORD = re.compile(r"[^A-Z]+")

SAMPLE_LABELS = ("SAMPLEID", "SAMPLENAME", "SAMPLE", "SAMPLEDESCRIPTION", "TITLE")
_DATE_ORDERS = ("year month day", "day month year", "month day year")
_LONG_DATE = re.compile(
    r"(\d{4})[/-](\d{1,2})[/-](\d{1,2})"
    r"(?:[\sT]\s*(\d{1,2}:\d{2}(?::\d{2}(?:\.\d*)?)?)\s*([+-]\d{2}:?\d{2})?)?",
    re.ASCII,
)
_SHORT_DATE = re.compile(r"(\d{1,4})[/.\-](\d{1,2})[/.\-](\d{1,4})", re.ASCII)
_TIME = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2})(?:[.,](\d*))?)?", re.ASCII)


@dataclass(frozen=True)
class Declared:
    """What a format of the archive says of a folder's JCAMP-DX files, in its table ``[settings]``.

    Parameters
    ----------
    value_units : unit that a text of ``##YUNITS=`` stands for, by the text as compared.
    date_order : order of ``##DATE=``; None reads only what cannot be read in two ways.
    encoding : of texts beyond ASCII.
    """

    value_units: Mapping[str, ValueUnit] = field(default_factory=dict)
    date_order: str | None = None
    encoding: str | None = None


class BadDeclaration(Exception):
    """A key of a format's table ``[settings]`` that says something impossible."""

    def __init__(self, key: str, found: str, expected: str) -> None:
        super().__init__(key, found, expected)
        self.key = key if key == "settings" else f"settings.{key}"
        self.found, self.expected = found, expected


def declared(table: Any) -> Declared:
    """What a table ``[settings]`` declares.

    Raises
    ------
    BadDeclaration
        A key is unknown or its value impossible.
    """
    known = ("value_units", "date_order", "encoding")
    if not isinstance(table, Mapping):
        raise BadDeclaration("settings", repr(table), "a table")
    for key in table:
        if key not in known:
            raise BadDeclaration(f"{key}", repr(key), " or ".join(known))
    units = table.get("value_units", {})
    allowed = get_args(ValueUnit)
    if not isinstance(units, Mapping) or any(unit not in allowed for unit in units.values()):
        raise BadDeclaration(
            "value_units",
            repr(units),
            f"a table from texts of ##YUNITS= to {', '.join(allowed)}",
        )
    order = table.get("date_order")
    if order not in (None, *_DATE_ORDERS):
        raise BadDeclaration("date_order", repr(order), " or ".join(map(repr, _DATE_ORDERS)))
    encoding = table.get("encoding")
    if encoding is not None and not _keeps_ascii(encoding):
        raise BadDeclaration("encoding", repr(encoding), "an encoding such as 'cp1252' or 'cp932'")
    return Declared({_squeezed(text): unit for text, unit in units.items()}, order, encoding)


def _keeps_ascii(encoding: object) -> bool:
    ascii_text = bytes(range(32, 92))
    try:
        return ascii_text.decode(str(encoding)).encode("ascii") == ascii_text
    except (LookupError, UnicodeError):
        return False


def _squeezed(text: str) -> str:
    return re.sub(r"[\s_]", "", text).upper()


def axis_unit(text: str) -> AxisUnit | None:
    """Axis unit that ``##XUNITS=`` names, None where it is none of ours."""
    return _AXIS_UNITS.get(_squeezed(text))


def value_unit(text: str, declared_units: Mapping[str, ValueUnit]) -> ValueUnit | None:
    """Unit that ``##YUNITS=`` names, by the format's word before the standard's."""
    squeezed = _squeezed(text)
    return declared_units.get(squeezed) or _VALUE_UNITS.get(squeezed)


def is_declared(text: str, declared_units: Mapping[str, ValueUnit]) -> bool:
    """Whether the format says what this text of ``##YUNITS=`` means."""
    return _squeezed(text) in declared_units


def other_technique(*texts: str) -> str | None:
    """What a data type or class is, in words, where speclake does not archive it."""
    for text in texts:
        words = f" {_ONE_WORD.sub(' ', text.upper())} "
        for word, meaning in OTHER_TECHNIQUES.items():
            if (f" {word} " if word in _WHOLE_WORDS else word) in words:
                return meaning
    return None


def sample(values: Mapping[str, str]) -> str | None:
    """Name of the sample: the first of its own labels that is there, else the title."""
    for label in SAMPLE_LABELS:
        for key in (label, "$" + label):
            if values.get(key):
                return values[key]
    return None


def scan_time(values: Mapping[str, str], date_order: str | None) -> tuple[str | None, str | None]:
    """Time of the scan in ISO 8601, as exact as the header says, and a note where it is unclear.

    ``##LONGDATE=`` is year, month, day. ``##DATE=`` is yy/mm/dd by the standard, but real files
    hold every order: without a declared order it counts only where it can be read in one way.
    """
    long_date, clock = values.get("LONGDATE", ""), values.get("TIME", "")
    match = _LONG_DATE.fullmatch(long_date)
    if match:
        day = _day(int(match[1]), int(match[2]), int(match[3]))
        clock, offset = match[4] or clock, (match[5] or "").replace(":", "")
    elif values.get("DATE"):
        day, offset = _short_date(values["DATE"], date_order), ""
    else:
        return None, f"##LONGDATE= {long_date!r} is no date" if long_date else None
    if day is None:
        return None, (
            f"date {long_date or values['DATE']!r} can be read in more than one way, or in none; "
            "the time of the scan is left open"
        )
    if not clock:
        return day.isoformat(), None
    time = _time_of(day, clock, offset)
    return (time, None) if time else (day.isoformat(), f"time {clock!r} is no hh:mm:ss, left open")


def _day(year: int, month: int, day: int) -> date | None:
    try:
        return date(year, month, day)
    except ValueError:
        return None


def _short_date(text: str, order: str | None) -> date | None:
    match = _SHORT_DATE.fullmatch(text.strip())
    if not match:
        return None
    orders = [order] if order else [each for each in _DATE_ORDERS if _year_stands_out(match, each)]
    days = {_in_order(match, each) for each in orders} - {None}
    return days.pop() if len(days) == 1 else None


def _year_part(match: re.Match[str], order: str) -> str:
    return match[1] if order.startswith("year") else match[3]


def _year_stands_out(match: re.Match[str], order: str) -> bool:
    # of two digits only 88 to 99 can be nothing but a year: the standard is of 1988
    year = _year_part(match, order)
    return len(year) == 4 or (len(year) == 2 and int(year) >= 88)


def _in_order(match: re.Match[str], order: str) -> date | None:
    parts = dict(zip(order.split(), match.groups(), strict=True))
    if len(parts["year"]) not in (2, 4) or len(parts["day"]) > 2:
        return None
    year = int(parts["year"])
    if len(parts["year"]) == 2:
        year += 1900 if year >= 88 else 2000
    return _day(year, int(parts["month"]), int(parts["day"]))


def _time_of(day: date, clock: str, offset: str) -> str | None:
    match = _TIME.fullmatch(clock.strip())
    if not match or (offset and int(offset[3:]) > 59):
        return None
    try:
        moment = datetime(
            day.year, day.month, day.day, int(match[1]), int(match[2]), int(match[3] or 0),
            int((match[4] or "0")[:6].ljust(6, "0")),
            tzinfo=_zone(offset) if offset else None,
        )  # fmt: skip
    except ValueError:
        return None
    return moment.isoformat(timespec="auto" if match[3] else "minutes")


def _zone(offset: str) -> timezone:
    minutes = int(offset[1:3]) * 60 + int(offset[3:])
    return timezone(timedelta(minutes=-minutes if offset[0] == "-" else minutes))
