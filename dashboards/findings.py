"""What the checks found about a spectrum: lettered sentences, and the letters in its picture."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from string import ascii_lowercase
from typing import Any

from speclake_dashboards import theme

from speclake.checks import Severity

DOUBTED, REMARKED = "#7a4a00", theme.QUIET_INK
"""Colours of what makes a number doubtful, and of what is only to be known."""

WORDS = {Severity.DOUBT: "may make a number wrong", Severity.REMARK: "to be known"}
LETTER_ROOM = 0.035
"""Width of a letter in a picture, as a part of its width."""
LINE_HEIGHT = 17
MOST_LETTERED = 2 * len(ascii_lowercase)


@dataclass(frozen=True)
class Note:
    """A finding as a page tells it.

    Parameters
    ----------
    letter : under which it stands in the picture; empty where it has no place there.
    where : its place in words, empty where it speaks of the whole spectrum.
    start, stop : its place on the axis, lower end first; equal where it is one point.
    """

    letter: str
    check: str
    weight: str
    is_doubt: bool
    text: str
    advice: str
    where: str
    start: float | None = None
    stop: float | None = None

    @property
    def colour(self) -> str:
        """Colour of its place in the picture."""
        return DOUBTED if self.is_doubt else REMARKED


def notes(rows: Iterable[Mapping[str, Any]], unit: str) -> list[Note]:
    """Findings of one spectrum: doubts before remarks, each by its place on the axis.

    Parameters
    ----------
    rows : of the archive's table of findings.
    unit : that of the axis.
    """
    placed = [(row, *_ends(row)) for row in rows]
    placed.sort(key=lambda each: (each[0]["severity"] != Severity.DOUBT, each[1] or 0.0))
    found, letters = [], _letters()
    for row, start, stop in placed:
        is_doubt = row["severity"] == Severity.DOUBT
        found.append(
            Note(
                letter="" if start is None else next(letters, ""),
                check=str(row["check"]),
                weight=WORDS[Severity(row["severity"])],
                is_doubt=is_doubt,
                text=row["text"],
                advice=row["advice"] or "",
                where=_place(start, stop, unit),
                start=start,
                stop=stop,
            )
        )
    return found


def _letters() -> Iterator[str]:
    yield from ascii_lowercase
    yield from (letter * 2 for letter in ascii_lowercase)


def _ends(row: Mapping[str, Any]) -> tuple[float | None, float | None]:
    """Stretch of the axis that a picture marks: the point where there is one, else the stretch."""
    if row["at"] is not None:
        return row["at"], row["at"]
    if row["start"] is None or row["stop"] is None:
        return None, None
    return min(row["start"], row["stop"]), max(row["start"], row["stop"])


def _place(start: float | None, stop: float | None, unit: str) -> str:
    if start is None or stop is None:
        return ""
    if start == stop:
        return f"at {theme.number(start)} {unit}"
    return f"{theme.number(start)} to {theme.number(stop)} {unit}"


def draw(figure: Any, found: Sequence[Note], span: tuple[float, float]) -> None:
    """Add the places of findings to a figure that shows a span of the axis.

    A stretch is shaded over the whole height, a point gets a thin line; the letter stands at the
    foot, above that of a neighbour where there is no room.
    """
    from bokeh.models.annotations import BoxAnnotation, Label
    from bokeh.models.annotations import Span as Line

    rows: list[float] = []
    for note in sorted(found, key=lambda note: note.start or 0.0):
        if note.start is None or note.stop is None or not note.letter:
            continue
        if note.start == note.stop:
            figure.add_layout(
                Line(
                    location=note.start, dimension="height", line_color=note.colour,
                    line_dash=[2, 3], line_width=1.4, name="finding",
                )
            )  # fmt: skip
        else:
            figure.add_layout(
                BoxAnnotation(
                    left=note.start, right=note.stop, fill_color=note.colour, fill_alpha=0.07,
                    line_color=note.colour, line_alpha=0.35, line_dash=[2, 3], level="underlay",
                    name="finding",
                )
            )  # fmt: skip
        at = min(max((note.start + note.stop) / 2, span[0]), span[1])
        figure.add_layout(
            Label(
                x=at, y=4 + LINE_HEIGHT * _row(rows, at, LETTER_ROOM * (span[1] - span[0])),
                y_units="screen", text=note.letter, text_color=note.colour, text_align="center",
                text_font_size="14px", text_font_style="bold", background_fill_color=theme.PAPER,
                background_fill_alpha=0.85, name="letter",
            )
        )  # fmt: skip


def _row(rows: list[float], at: float, room: float) -> int:
    """Lowest line on which a letter keeps clear of its left neighbour; the line is then taken."""
    for number, last in enumerate(rows):
        if at - last >= room:
            rows[number] = at
            return number
    rows.append(at)
    return len(rows) - 1
