"""Times in the header of an unknown export: which entries hold them and how they are written."""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from speclake.importing.drafting.sheet import Sheet
from speclake.importing.words import has_stem

MONTHS = (
    "january", "february", "march", "april", "may", "june", "july", "august", "september",
    "october", "november", "december",
)  # fmt: skip
WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_TIME = re.compile(
    r"\d{1,2}:\d\d(?P<second>:\d\d(?P<fraction>[.,]\d{1,6})?)?(?P<half>(?P<gap> ?)[AaPp][Mm])?"
    r"(?P<offset>(?P<offset_gap> ?)(Z|[+-]\d\d:?\d\d))?(?P<utc> (UTC|GMT))?"
)
_CLOCK = r"\d{1,2}[:h]\d\d.*?"
_GAP = r"T|,? +(?:at |um )?| *[-/@|] +|,|[,;]? +[^\W\d_]{2,12} *[:=]? *"
_DATE_FIRST = re.compile(
    rf"(?P<date>.*?[^\W_])(?P<gap>{_GAP})(?P<time>{_CLOCK})(?P<end>(?: Uhr| h)?[\s;,|]*)"
)
_TIME_FIRST = re.compile(
    rf"(?P<time>{_CLOCK})(?P<gap>,? +)(?P<date>\S*\d)(?P<end>(?: Uhr| h)?[\s;,|]*)"
)
_YEAR_LAST = re.compile(r"[A-Z][a-z]{2} [A-Z][a-z]{2} +\d{1,2} \d\d:\d\d:\d\d \d{4}")


@dataclass(frozen=True)
class DateClue:
    """How a time is written: the patterns that fit, and what speaks for the only one."""

    entries: tuple[str, ...]
    patterns: tuple[str, ...]
    why: str

    @property
    def has_time(self) -> bool:
        """Whether it tells the time of day."""
        return any("%M" in pattern for pattern in self.patterns)

    @property
    def has_offset(self) -> bool:
        """Whether it tells its offset from UTC."""
        return any("%z" in pattern for pattern in self.patterns)

    @property
    def is_utc(self) -> bool:
        """Whether it says in letters that it is UTC."""
        return all(re.search("UTC|GMT", pattern) for pattern in self.patterns)


def say_time(sheet: Sheet, entries: Mapping[str, str]) -> None:
    """Write the table of the scan's time, or what of it has to be asked."""
    clues = find_dates(entries)
    known = {name for clue in clues for name in clue.entries}
    for name, text in entries.items():
        if name not in known and _is_called_a_date(name) and len(re.findall(r"\d", text)) >= 4:
            sheet.doubt(f"scanned: {name!r} is {text!r}, which no pattern can read")
    if not clues:
        sheet.offer("scanned", "entries", ["Date"], "no entry looks like a date")
        sheet.offer("scanned", "patterns", ["%d.%m.%Y"], "how it is written")
        return
    first, others = clues[0], clues[1:]
    _say_entries(sheet, first, others)
    patterns = [[pattern] for pattern in first.patterns]
    if len(patterns) == 1:
        if _is_sure(first, others):
            sheet.say("scanned", "patterns", patterns[0], first.why)
        else:
            sheet.hold("scanned", "patterns", patterns[0], first.why)
    else:
        which = " or ".join(map(repr, first.patterns))
        sheet.ask("scanned", "patterns", patterns[0], f"{which}: {first.why}", patterns[1:])
    if first.is_utc:
        sheet.say("scanned", "zone", "+00:00", "UTC stands behind the time")
    elif first.has_time and not first.has_offset:
        why = "the zone of the clock; without it the time has no offset"
        sheet.offer("scanned", "zone", "Europe/Paris", why)


def _is_called_a_date(name: str) -> bool:
    return has_stem(name.rpartition("/")[2], "times", "date")


def _say_entries(sheet: Sheet, first: DateClue, others: Sequence[DateClue]) -> None:
    entries, rest = list(first.entries), [list(clue.entries) for clue in others]
    if not _is_sure(first, others):
        told = "; ".join(" and ".join(names) for names in [entries, *rest])
        question = f"is it the time of the scan? Times stand in: {told}"
        sheet.ask("scanned", "entries", entries, question, rest)
        return
    tell = sheet.say if len(first.patterns) == 1 else sheet.hold
    tell("scanned", "entries", entries, "they look like a date")
    if rest:
        told = ", ".join(repr(" and ".join(names)) for names in rest)
        sheet.doubt(f"scanned: {told} hold times too; is that of the scan the one taken?")


def _is_sure(first: DateClue, others: Sequence[DateClue]) -> bool:
    """Whether the first is called a time of scanning, or a date, and more so than all others."""
    return _rank(first) < 2 and all(_rank(other) > _rank(first) for other in others)


def _rank(clue: DateClue) -> int:
    """0 for what is called a scan, 1 for any other date, 2 for what is called something else."""
    name = clue.entries[0].rpartition("/")[2]
    if has_stem(name, "times", "other"):
        return 2
    return 0 if has_stem(name, "times", "scan") else 1


def find_dates(entries: Mapping[str, str]) -> list[DateClue]:
    """Times that header entries hold, the likeliest time of the scan first.

    A bare date takes the entry that holds a bare time with it, where there is only one.
    """
    times = [(name, time) for name, text in entries.items() if (time := _time_pattern(text))]
    clues = []
    for name, text in entries.items():
        for clue in _dates_in(name, text):
            near = [each for each in times if _is_called_alike(name, each[0])] or times
            bare = not clue.has_time and len(near) == 1
            clues.append(_with_time(clue, *near[0]) if bare else clue)
    return sorted(clues, key=_rank)


def _is_called_alike(date: str, time: str) -> bool:
    """Whether two names differ only in words such as date and time."""
    first, second = (set(re.findall(r"\w+", name.lower())) for name in (date, time))
    return len(first) > 1 and bool(first & second)


def _with_time(clue: DateClue, name: str, time: str) -> DateClue:
    patterns = tuple(f"{pattern} {time}" for pattern in clue.patterns)
    return replace(clue, entries=(*clue.entries, name), patterns=patterns)


def _time_pattern(text: str) -> str | None:
    """Pattern of a time of day; None for anything else."""
    if re.fullmatch(r"\d{1,2}h\d\d", text):
        return "%Hh%M"
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
    pattern += match["offset_gap"] + "%z" if match["offset"] else ""
    return pattern + (match["utc"] or "")


def _dates_in(name: str, text: str) -> Iterator[DateClue]:
    """The clue that an entry's text gives, or none; it may have several patterns."""
    if _YEAR_LAST.fullmatch(text) and (
        found := _date_patterns(" ".join([*text.split()[:3], text[-4:]]))
    ):
        yield DateClue((name,), ("%a %b %d %H:%M:%S %Y",), found[1])
        return
    bare = text.rstrip(" ;,|\t")
    candidates = [(bare, "{0}" + text[len(bare) :])]
    for form, order in ((_DATE_FIRST, "{{0}}{0}{1}{2}"), (_TIME_FIRST, "{1}{0}{{0}}{2}")):
        match = form.fullmatch(text)
        time = _time_pattern(match["time"]) if match else None
        if match and time:
            candidates.append((match["date"], order.format(match["gap"], time, match["end"])))
    for date, whole in candidates:
        if found := _date_patterns(date):
            patterns, why = found
            yield DateClue((name,), tuple(whole.format(each) for each in patterns), why)
            return


def _date_patterns(text: str) -> tuple[list[str], str] | None:
    """Patterns that fit a date, with what speaks for one or leaves several open."""
    if day := re.match(r"([A-Za-z]{3,9})(\.?,? )", text):
        name = day[1].lower()
        if name in WEEKDAYS or name in {each[:3] for each in WEEKDAYS}:
            rest = _date_patterns(text[day.end() :])
            sign = "%a" if len(name) == 3 else "%A"
            return rest and ([f"{sign}{day[2]}{each}" for each in rest[0]], rest[1])
    if match := re.fullmatch(r"(\d{4})([-/.])(\d{1,2})\2(\d{1,2})", text):
        mark, middle, last = match[2], int(match[3]), int(match[4])
        if middle > 12 >= last:
            return [f"%Y{mark}%d{mark}%m"], f"{middle} can be no month"
        return [f"%Y{mark}%m{mark}%d"], "the year comes first, and then the month (ISO 8601)"
    if re.fullmatch(r"\d{4}年\d{1,2}月\d{1,2}日", text):
        return ["%Y年%m月%d日"], "year, month and day are named"
    if match := re.fullmatch(r"(\d{1,2})([-/. ])(\d{1,2})\2(\d{4}|\d\d)", text):
        return _day_or_month_first(match)
    if match := re.fullmatch(r"(\d{1,2})([- ./]|\. )([A-Za-z]{3,9})[- ./](\d{4})", text):
        gap = text[match.end(3)]
        return _named_month(match[3], "%d{0}%{1}{2}%Y", match[2], gap)
    if match := re.fullmatch(r"([A-Za-z]{3,9}) \d{1,2}(,?) (\d{4})", text):
        return _named_month(match[1], "%{1} %d{0} %Y", match[2], "")
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


def _named_month(month: str, pattern: str, mark: str, gap: str) -> tuple[list[str], str] | None:
    """Pattern of a month in English words; no other language can be read."""
    name = month.lower()
    if name not in MONTHS and name not in {each[:3] for each in MONTHS}:
        return None
    sign = "b" if len(month) == 3 else "B"
    return [pattern.format(mark, sign, gap)], f"the month is written out: {month}"
