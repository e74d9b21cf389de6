"""Header of one block: its records as text, as numbers, and as the archive's fields."""

from collections.abc import Collection, Iterable, Mapping

from speclake_plugins.jcamp.curve import Table
from speclake_plugins.jcamp.decimals import Written, shortened, written
from speclake_plugins.jcamp.records import DATA_LABELS, Block, Document, Record

_NUMBERS = {
    "first_x": "FIRSTX",
    "last_x": "LASTX",
    "step_x": "DELTAX",
    "first_y": "FIRSTY",
    "max_y": "MAXY",
    "min_y": "MINY",
    "x_factor": "XFACTOR",
    "y_factor": "YFACTOR",
}
_ONLY_CHECKED = ("step_x", "max_y", "min_y")


class Entries:
    """Entries of a header under growth; a second record of a label is numbered."""

    def __init__(self, entries: Mapping[str, str] | None = None) -> None:
        self.texts: dict[str, str] = dict(entries or {})
        self._times: dict[str, int] = {}

    def add(self, label: str, text: str) -> None:
        """Put one more record into the header."""
        name, times = label, self._times.get(label, 1)
        while name in self.texts:
            times += 1
            name = f"{label} ({times})"
        self._times[label] = times
        self.texts[name] = text


class Header:
    """Records of one block, found by label; keeps notes of what it tolerated.

    Parameters
    ----------
    document : the file.
    records : what belongs to the spectrum, in file order.
    """

    def __init__(self, document: Document, records: Iterable[Record]) -> None:
        self.document = document
        self.records = list(records)
        self.notes: list[str] = []
        self._by_key: dict[str, list[Record]] = {}
        for record in self.records:
            self._by_key.setdefault(record.key, []).append(record)

    def record(self, key: str) -> Record | None:
        """The record with this label; where it stands twice, both must say the same.

        Raises
        ------
        speclake.errors.MalformedFile
            Two records of this label differ.
        """
        records = self._by_key.get(key, [])
        for other in records[1:]:
            if self.document.value(other) != self.document.value(records[0]):
                raise self.document.refusal(
                    other.line,
                    f"##{other.label}= a second time, with another value",
                    f"one value; line {records[0].line} has the first",
                )
        return records[0] if records else None

    def value(self, key: str) -> str:
        """Value of a record without comments, empty where there is none."""
        record = self.record(key)
        if record is None:
            return ""
        self._note_comment(record)
        return self.document.value(record)

    def line(self, key: str) -> int:
        """Line of a record; of the first record where there is none of that label."""
        return (self._by_key.get(key) or self.records)[0].line

    def number(self, key: str) -> Written | None:
        """Number in a record, None where there is none.

        Raises
        ------
        speclake.errors.MalformedFile
            The value is no number.
        """
        text = self.value(key)
        if text in ("", "?"):
            return None
        try:
            return written(text)
        except ValueError as error:
            raise self.document.refusal(
                self.line(key), f"##{key}= {error}", "a number with a decimal point"
            ) from error

    def factor(self, key: str) -> Written | None:
        """Factor in a record, which cannot be 0.

        Raises
        ------
        speclake.errors.MalformedFile
            The value is no number, or 0.
        """
        factor = self.number(key)
        if factor and not factor.mantissa:
            raise self.document.refusal(self.line(key), f"##{key}= 0", "a factor other than 0")
        return factor

    def count(self, key: str) -> int | None:
        """Whole number in a record, None where there is none.

        Raises
        ------
        speclake.errors.MalformedFile
            The value is no whole number.
        """
        number = self.number(key)
        if number is None:
            return None
        if number.exact.denominator != 1:
            raise self.document.refusal(
                self.line(key), f"##{key}= {self.value(key)}", "a whole number"
            )
        return int(number.exact)

    def checked_number(self, key: str) -> Written | None:
        """Number that only serves a check; where it is no number that is noted."""
        text = self.value(key)
        try:
            return written(text) if text not in ("", "?") else None
        except ValueError:
            self._note(f"##{key}= {shortened(text)} is no number and checks nothing")
            return None

    def table(self, record: Record, *, in_pairs: bool, is_closed: bool) -> Table:
        """Table of a simple block, as its header describes it."""
        numbers = {
            name: self.checked_number(key)
            if name in _ONLY_CHECKED
            else self.factor(key)
            if name.endswith("factor")
            else self.number(key)
            for name, key in _NUMBERS.items()
        }
        lines = {name: self.line(key) for name, key in _NUMBERS.items() if key in self._by_key}
        lines["count"] = self.line("NPOINTS")
        return Table(
            record,
            in_pairs,
            self.count("NPOINTS"),
            **numbers,
            lines=lines,
            is_closed=is_closed,
        )

    def data_records(self) -> list[Record]:
        """Records that hold tables."""
        return [record for record in self.records if record.key in DATA_LABELS]

    def as_read(self, around: Mapping[str, str]) -> dict[str, str]:
        """Every entry as written, behind those of the blocks around this one."""
        entries = Entries(around)
        for record in self.records:
            entries.add(record.label or "##", self.document.text(record))
        return entries.texts

    def values(self, told: Collection[str] = ()) -> dict[str, str]:
        """First value of each label, without comments, by the label as compared.

        Parameters
        ----------
        told : labels of which a comment set aside is noted.
        """
        for key in told:
            self._note_comment(next(iter(self._by_key.get(key, ())), None))
        return {key: self.document.value(each[0]) for key, each in self._by_key.items()}

    def _note_comment(self, record: Record | None) -> None:
        if record and "$$" in self.document.text(record).partition("\n")[0]:
            self._note(f"the comment in the value of ##{record.label}= is set aside")

    def _note(self, note: str) -> None:
        if note not in self.notes:
            self.notes.append(note)


def entries_around(document: Document, block: Block) -> dict[str, str]:
    """Entries of the blocks around one, as written; their labels begin with ``LINK:``."""
    texts: dict[str, str] = {}
    for outer in block.around():
        entries = Entries({f"LINK: {label}": text for label, text in texts.items()})
        for record in outer.records:
            entries.add(f"LINK: {record.label}", document.text(record))
        texts = entries.texts
    return texts
