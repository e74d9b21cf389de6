"""Cells of a workbook: what they hold, how a message names them, how a header entry writes them."""

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta


@dataclass(frozen=True)
class CellError:
    """An error that a formula gave in place of a value, such as ``#DIV/0!``."""

    code: str


Cell = float | str | bool | datetime | date | time | timedelta | CellError
"""What a cell holds; an empty one, and one whose formula was never calculated, holds ``""``."""


def column_letters(index: int) -> str:
    """Letters of a column by its index from 0."""
    letters, number = "", index + 1
    while number:
        number, rest = divmod(number - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


def cell_name(row: int, column: int) -> str:
    """Name of a cell by row and column from 0, such as ``C12``."""
    return f"{column_letters(column)}{row + 1}"


def cell_text(cell: Cell) -> str:
    """Text of a cell as a header entry: numbers in full, dates and times in ISO 8601."""
    match cell:
        case str():
            return cell.strip()
        case bool():
            return "TRUE" if cell else "FALSE"
        case float() | int():
            return f"{cell:.0f}" if cell == int_or_none(cell) else repr(cell)
        case CellError():
            return cell.code
        case datetime():
            return _without_zeros(cell.isoformat(sep=" "))
        case time():
            return _without_zeros(cell.isoformat())
        case date():
            return cell.isoformat()
        case _:
            return str(cell)


def int_or_none(number: float) -> int | None:
    """A whole number of up to 15 digits as one; None for every other."""
    return int(number) if abs(number) < 1e15 and number == int(number) else None


def _without_zeros(text: str) -> str:
    return text.rstrip("0") if "." in text else text


def what_it_is(cell: Cell) -> str:
    """What stands in a cell that holds no number, for a message."""
    match cell:
        case "":
            return "an empty cell (or a formula that was never calculated)"
        case str():
            shown = cell if len(cell) <= 60 else cell[:57] + "..."
            return f"the text {shown!r}"
        case bool():
            return f"the truth value {cell_text(cell)}"
        case CellError():
            return f"the error {cell.code}"
        case float() | int():
            return f"the number {cell!r}"
        case _:
            return f"the date or time {cell_text(cell)}"
