"""Tables in which each spectrum has an axis column of its own, and may end before the others."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

from speclake.importing.numbers import number_reader
from speclake.importing.plainrows import read_plainly
from speclake.importing.table import (
    TablePlace,
    Tolerated,
    cells_of_row,
    plain_pieces,
)
from speclake.importing.text import shown
from speclake.importing.textrules import Text
from speclake.importing.titles import Columns
from speclake.spectrum import FloatArray


@dataclass
class _Pair:
    """Points of one spectrum, as far as they were read."""

    axis: int
    values: int
    positions: list[FloatArray] = field(default_factory=list)
    numbers: list[FloatArray] = field(default_factory=list)
    ended_at: str = ""
    """Place of the first row in which both cells are blank."""

    def add(self, positions: Sequence[float] | FloatArray, numbers: object) -> None:
        self.positions.append(np.asarray(positions, dtype=np.float64))
        self.numbers.append(np.asarray(numbers, dtype=np.float64))

    @property
    def arrays(self) -> dict[int, FloatArray]:
        return {
            self.axis: np.concatenate(self.positions or [np.empty(0)]),
            self.values: np.concatenate(self.numbers or [np.empty(0)]),
        }


def read_pairs(
    pieces: Iterable[str], columns: Sequence[Columns], rules: Text, place: TablePlace
) -> tuple[list[dict[int, FloatArray]], int, tuple[str, ...]]:
    """Axis and values of each spectrum by index of the column, number of rows, reading notes.

    A spectrum that is shorter than another ends once: below its last point both its cells are
    blank, or the row ends before them.

    Raises
    ------
    speclake.errors.MalformedFile
        One of two cells is blank, points follow below blank cells, or a cell is no number.
    """
    pairs = [_Pair(each.axis, each.spectra[0]) for each in columns]
    count, rows = columns[0].count, 0
    tolerated = Tolerated(thousands_sign=rules.thousands_sign)
    # a blank cell is read like a missing value at first; where another word is one too, that road
    # cannot tell the two apart
    blank = rules.model_copy(update={"missing": [""]}) if rules.missing in ([], [""]) else None
    for text, at in plain_pieces(pieces, rules, place, tolerated):
        plain = read_plainly(text, count, blank) if blank is not None else None
        if plain is None or not _all_go_on(plain, pairs, rules, at):
            _read_row_by_row(text, count, pairs, rules, at)
        rows += text.count("\n")
    for pair in pairs:
        if not any(map(len, pair.positions)):
            found = f"no number in columns {pair.axis + 1} and {pair.values + 1}"
            place.refuse(0, found, "a spectrum in every pair of columns")
    return [pair.arrays for pair in pairs], rows, tolerated.notes


def _all_go_on(plain: FloatArray, pairs: Sequence[_Pair], rules: Text, place: TablePlace) -> bool:
    """Whether each pair has points, then blanks; if so, its points are taken."""
    blanks = np.isnan(plain)
    lengths = []
    for pair in pairs:
        at, values = blanks[:, pair.axis], blanks[:, pair.values]
        length = int(np.argmax(at)) if at.any() else len(plain)
        whole = at[length:].all() and values[length:].all()
        missing = values[:length].any() and "" not in rules.missing
        if not whole or missing or (pair.ended_at and length):
            return False
        lengths.append(length)
    for pair, length in zip(pairs, lengths, strict=True):
        pair.add(plain[:length, pair.axis], plain[:length, pair.values])
        if length < len(plain) and not pair.ended_at:
            pair.ended_at = place.line(length)
    return True


def _read_row_by_row(
    text: str, count: int, pairs: Sequence[_Pair], rules: Text, place: TablePlace
) -> None:
    number = number_reader(rules)
    points: list[tuple[list[float], list[float]]] = [([], []) for _ in pairs]
    for row, line in enumerate(line.removesuffix("\r") for line in text.split("\n")[:-1]):
        cells = cells_of_row(line, rules, place, row)
        lacking = count - len(cells)
        if lacking < 0 or lacking % 2 or (lacking and rules.delimiter == "spaces"):
            found = f"{len(cells)} cells" if line.strip() else "an empty line"
            place.refuse(row, f"{found}: {shown(line)}", f"{count} cells, or whole pairs less")
        cells += [""] * lacking
        for pair, (positions, values) in zip(pairs, points, strict=True):
            both = [cells[pair.axis], cells[pair.values]]
            if both == ["", ""]:
                pair.ended_at = pair.ended_at or place.line(row)
                continue
            _refuse_odd_cells(both, pair, place, row)
            for cell, index, into in zip(
                both, (pair.axis, pair.values), (positions, values), strict=True
            ):
                try:
                    into.append(number(cell))
                except ValueError as error:
                    place.refuse(row, f"{shown(cell)} in column {index + 1}", str(error))
    for pair, (positions, values) in zip(pairs, points, strict=True):
        pair.add(positions, values)


def _refuse_odd_cells(both: Sequence[str], pair: _Pair, place: TablePlace, row: int) -> None:
    names = f"columns {pair.axis + 1} and {pair.values + 1}"
    if pair.ended_at:
        found = f"{' and '.join(map(shown, both))} in {names}, which end at {pair.ended_at}"
        place.refuse(row, found, "nothing more below the end of a spectrum")
    if both[0] == "":
        found = f"a blank position beside {shown(both[1])} in {names}"
        place.refuse(row, found, "a position, or two blank cells")
