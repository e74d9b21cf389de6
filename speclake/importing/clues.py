"""Clues in the header and the titles of an unknown export: names of entries, dates, units."""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from speclake.units import AxisUnit, ValueUnit

SEPARATORS = ("\t", "=", ":", ";", ",", "|")
PREFIXES = ("##", "#", "//", "%", "!", "*", ";")

ENTRY_NAMES: Mapping[str, str] = {
    "order_number": r"order( (number|no))?",
    "customer": r"customer|client",
    "product": r"product( (name|id))?",
    "coating_run": r"(coating|deposition) run",
    "lot": r"(lot|batch)( (number|no|id|name))?",
    "sample": r"(sample|specimen)( (number|no|id|name))?",
    "serial": r"(part )?serial( (number|no))?",
    "side": r"side|face",
    "stage": r"(process )?stage",
    "site": r"site( (number|no|id|name))?",
    "x_mm": r"x( position)?( in)? mm",
    "y_mm": r"y( position)?( in)? mm",
    "run": r"(run|scan)( (number|no))",
    "instrument": r"instrument( name)?|bench|spectrophotometer|spectrometer",
    "accessory": r"accessory|holder|attachment",
    "method": r"method( name)?|recipe",
    "operator": r"operator|user|measured by",
    "comment": r"comments?|remarks?|notes?",
    "angle_deg": r"(incidence )?angle( of incidence)?( in)?( (deg|degrees|°))?",
    "polarisation": r"pol(ari[sz]ation|ari[sz]er)?",
    "bandwidth_nm": r"((spectral )?bandwidth|slit( width)?)( in)?( nm)?",
    "interval_nm": r"((data|sampling) )?(interval|step)( in)?( nm)?",
}
"""Field to a regular expression for the names that header entries give it."""

AXIS_UNIT_TEXTS: Mapping[str, AxisUnit] = {
    "nm": "nm", "um": "um", "\N{MICRO SIGN}m": "um", "\N{GREEK SMALL LETTER MU}m": "um",
    "cm-1": "cm-1", "cm^-1": "cm-1", "1/cm": "cm-1", "cm\u207b\u00b9": "cm-1", "eV": "eV",
}  # fmt: skip
VALUE_UNIT_TEXTS: Mapping[str, ValueUnit] = {
    "%T": "%T", "T%": "%T", "%R": "%R", "R%": "%R", "log(1/R)": "log(1/R)", "T": "T", "R": "R",
    "A": "A",
}  # fmt: skip


def prefix_of(lines: Sequence[str]) -> str:
    """Sign that every header line begins with; empty where they do not."""
    written = [line.strip() for line in lines if line.strip()]
    for prefix in PREFIXES:
        if len(written) > 1 and all(line.startswith(prefix) for line in written):
            return prefix
    return ""


def separator_of(lines: Sequence[str], prefix: str) -> str | None:
    """What stands between names and values in most header lines; None without any."""
    texts = [line.strip(" \r").removeprefix(prefix).strip(" ") for line in lines]
    counts = {
        mark: sum(_looks_like_a_name(text.partition(mark)[0]) for text in texts if mark in text)
        for mark in SEPARATORS
    }
    best = max(counts, key=lambda mark: counts[mark])
    return best if counts[best] else None


def _looks_like_a_name(text: str) -> bool:
    return bool(re.fullmatch(r"[^\W\d_][^:=;\t]{0,40}", text.strip().strip("\"'")))


def field_of_entry(name: str) -> str | None:
    """Field that a header entry of this name most likely states; None for any other."""
    plain = re.sub(r"[^\w°]+", " ", name.casefold().replace("_", " ")).strip()
    for field, pattern in ENTRY_NAMES.items():
        if re.fullmatch(pattern, plain):
            return field
    return None


def axis_unit_in(text: str) -> AxisUnit | None:
    """Unit of an axis that literally stands in a title or a header value."""
    for written, unit in AXIS_UNIT_TEXTS.items():
        if re.search(rf"(?<![^\W\d_]){re.escape(written)}(?![^\W_])", text):
            return unit
    return None


def value_unit_text(text: str) -> str | None:
    """Text of a unit of values that literally stands in a title; a key of `VALUE_UNIT_TEXTS`."""
    for written in VALUE_UNIT_TEXTS:
        if written in ("T", "R", "A"):
            # one letter says nothing within a name, only alone or in brackets
            found = re.fullmatch(written, text.strip()) or re.search(rf"[(\[]{written}[)\]]", text)
        else:
            found = re.search(rf"(?<!\w){re.escape(written)}(?!\w)", text)
        if found:
            return written
    return None


@dataclass(frozen=True)
class DateClue:
    """How a time is written: the patterns that fit, and what speaks for the only one."""

    entries: tuple[str, ...]
    patterns: tuple[str, ...]
    why: str
    has_offset: bool


MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_TIME = re.compile(
    r"\d{1,2}:\d\d(?P<second>:\d\d(?P<fraction>[.,]\d{1,6})?)?(?P<half>(?P<gap> ?)[AaPp][Mm])?"
    r"(?P<offset>(?P<offset_gap> ?)(Z|[+-]\d\d:?\d\d))?"
)


def find_dates(entries: Mapping[str, str]) -> list[DateClue]:
    """Times that header entries hold, those whose name speaks of date or time first.

    A bare date takes the entry that holds a bare time with it, where there is only one.
    """
    times = [(name, time) for name, text in entries.items() if (time := _time_pattern(text))]
    clues = []
    for name, text in entries.items():
        for clue in _dates_in(name, text):
            is_bare = not any("%M" in pattern for pattern in clue.patterns)
            clues.append(_with_time(clue, *times[0]) if is_bare and len(times) == 1 else clue)
    return sorted(
        clues, key=lambda clue: not re.search(r"(?i)date|time|scan|measured", clue.entries[0])
    )


def _with_time(clue: DateClue, name: str, time: str) -> DateClue:
    patterns = tuple(f"{pattern} {time}" for pattern in clue.patterns)
    return DateClue((*clue.entries, name), patterns, clue.why, "%z" in time)


def _time_pattern(text: str) -> str | None:
    """Pattern of a time of day; None for anything else."""
    match = _TIME.fullmatch(text)
    if match is None:
        return None
    pattern = ("%I" if match["half"] else "%H") + ":%M"
    if match["second"]:
        pattern += ":%S"
    if match["fraction"]:
        pattern += match["fraction"][0] + "%f"
    if match["half"]:
        pattern += match["gap"] + "%p"
    return pattern + (match["offset_gap"] + "%z" if match["offset"] else "")


def _dates_in(name: str, text: str) -> Iterator[DateClue]:
    """The clue that an entry's text gives, or none; it may have several patterns."""
    split = re.fullmatch(r"(?P<date>.*?\d)(?P<gap>T|,? )(?P<time>\d{1,2}:\d\d.*)", text)
    time = _time_pattern(split["time"]) if split else None
    if split and time is None:
        return
    found = _date_patterns(split["date"] if split else text)
    if found is None:
        return
    patterns, why = found
    tail = f"{split['gap']}{time}" if split and time else ""
    yield DateClue((name,), tuple(p + tail for p in patterns), why, "%z" in tail)


def _date_patterns(text: str) -> tuple[list[str], str] | None:
    """Patterns that fit a date, with what speaks for one or leaves several open."""
    if match := re.fullmatch(r"(\d{4})([-/.])(\d{1,2})\2(\d{1,2})", text):
        mark, middle, last = match[2], int(match[3]), int(match[4])
        if middle > 12 >= last:
            return [f"%Y{mark}%d{mark}%m"], f"{middle} can be no month"
        return [f"%Y{mark}%m{mark}%d"], "the year comes first, and then the month (ISO 8601)"
    if match := re.fullmatch(r"(\d{1,2})([-/. ])(\d{1,2})\2(\d{4}|\d\d)", text):
        return _day_or_month_first(match)
    if match := re.fullmatch(r"(\d{1,2})([- .])([A-Za-z]{3,9})\2(\d{4})", text):
        return _named_month(match[3], "%d{0}%{1}{0}%Y", match[2])
    if match := re.fullmatch(r"([A-Za-z]{3,9}) \d{1,2}(,?) (\d{4})", text):
        return _named_month(match[1], "%{1} %d{0} %Y", match[2])
    if re.fullmatch(r"(19|20)\d\d(0[1-9]|1[0-2])[0-3]\d", text):
        return ["%Y%m%d"], "eight digits that begin with a year"
    return None


def _day_or_month_first(match: re.Match[str]) -> tuple[list[str], str]:
    first, mark, second = int(match[1]), match[2], int(match[3])
    year = "%Y" if len(match[4]) == 4 else "%y"
    day_first, month_first = f"%d{mark}%m{mark}{year}", f"%m{mark}%d{mark}{year}"
    if year == "%y":
        year_first = f"%y{mark}%m{mark}%d"
        return [day_first, month_first, year_first], "of three short numbers each may be the year"
    if first > 12 >= second:
        return [day_first], f"{first} can be no month"
    if second > 12 >= first:
        return [month_first], f"{second} can be no month"
    return [day_first, month_first], f"{first} and {second} may both be the month"


def _named_month(month: str, pattern: str, mark: str) -> tuple[list[str], str] | None:
    if month[:3].lower() not in MONTHS:
        return None
    sign = "b" if len(month) == 3 else "B"
    return [pattern.format(mark, sign)], f"the month is written out: {month}"
