"""What the checks found about a spectrum: lettered sentences, and the letters in its picture."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from string import ascii_lowercase
from typing import Any

from speclake_dashboards import theme

from speclake.checks import Severity

DOUBTED, REMARKED = "#7a4a00", theme.QUIET_INK
"""Colours of what makes a number doubtful, and of what is only to be known."""

WORDS = {Severity.DOUBT: "doubt", Severity.REMARK: "remark"}
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
    at : the point of the axis at which it is largest, or sits.
    start, stop : the stretch that it speaks of, lower end first.
    """

    letter: str
    check: str
    weight: str
    is_doubt: bool
    text: str
    advice: str
    where: str
    at: float | None = None
    start: float | None = None
    stop: float | None = None

    @property
    def middle(self) -> float | None:
        """Where its letter stands, None where it has no place."""
        if self.at is not None or self.start is None or self.stop is None:
            return self.at
        return (self.start + self.stop) / 2

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
    found = [_note(row, unit) for row in rows]
    found.sort(key=lambda note: (not note.is_doubt, note.middle or 0.0))
    letters = _letters()
    return [
        note if note.middle is None else replace(note, letter=next(letters, "")) for note in found
    ]


def _note(row: Mapping[str, Any], unit: str) -> Note:
    ends = [end for end in (row["start"], row["stop"]) if end is not None]
    start, stop = (min(ends), max(ends)) if len(ends) == 2 else (None, None)
    return Note(
        letter="",
        check=str(row["check"]),
        weight=WORDS[Severity(row["severity"])],
        is_doubt=row["severity"] == Severity.DOUBT,
        text=row["text"],
        advice=row["advice"] or "",
        where=_place(row["at"], start, stop, unit),
        at=row["at"],
        start=start,
        stop=stop,
    )


def _letters() -> Iterator[str]:
    yield from ascii_lowercase
    yield from (letter * 2 for letter in ascii_lowercase)


def _place(at: float | None, start: float | None, stop: float | None, unit: str) -> str:
    found = [] if at is None else [f"at {theme.number(at)} {unit}"]
    if start is not None and stop is not None and start != stop:
        found.append(f"{theme.number(start)} to {theme.number(stop)} {unit}")
    elif at is None and start is not None:
        found.append(f"at {theme.number(start)} {unit}")
    return ", within ".join(found)


def draw(figure: Any, found: Sequence[Note], span: tuple[float, float]) -> None:
    """Add the places of findings to a figure that shows a span of the axis.

    A stretch is shaded over the whole height, a point gets a thin line; the letter stands at the
    foot, above that of a neighbour where there is no room.
    """
    from bokeh.models.annotations import BoxAnnotation, Label
    from bokeh.models.annotations import Span as Line

    rows: list[float] = []
    for note in sorted(found, key=lambda note: note.middle or 0.0):
        if note.middle is None or not note.letter:
            continue
        if note.start is not None and note.stop is not None and note.start < note.stop:
            figure.add_layout(
                BoxAnnotation(
                    left=note.start, right=note.stop, fill_color=note.colour, fill_alpha=0.07,
                    line_color=note.colour, line_alpha=0.35, line_dash=[2, 3], level="underlay",
                    name="finding",
                )
            )  # fmt: skip
        if note.at is not None or note.start == note.stop:
            figure.add_layout(
                Line(
                    location=note.middle, dimension="height", line_color=note.colour,
                    line_dash=[2, 3], line_width=1.4, name="finding",
                )
            )  # fmt: skip
        at = min(max(note.middle, span[0]), span[1])
        figure.add_layout(
            Label(
                x=at, y=4 + LINE_HEIGHT * _row(rows, at, LETTER_ROOM * (span[1] - span[0])),
                y_units="screen", text=f" {note.letter}", text_color=note.colour,
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
