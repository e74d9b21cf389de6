"""Limits of specifications as marks in a picture: the forbidden side is hatched."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from speclake_dashboards.matching import Units
from speclake_dashboards.theme import FORBIDDEN

from speclake.errors import UnitError
from speclake.judging.pictures.placing import range_of_weights
from speclake.specs.model import Specification
from speclake.specs.requirements import (
    BandRequirement,
    FitRequirement,
    MedianRequirement,
    StepMeanRequirement,
    ValueRequirement,
    WeightedRequirement,
)
from speclake.units import can_convert, convert_positions, convert_values

Applies = Literal["every point", "one point", "band value"]
Banded = (
    BandRequirement
    | ValueRequirement
    | StepMeanRequirement
    | MedianRequirement
    | FitRequirement
    | WeightedRequirement
)
"""Requirements whose number is a height of the curve, and whose limits can be drawn there."""

HATCHES = ("right_diagonal_line", "left_diagonal_line", "cross", "dot")
HATCH_WORDS = ("rising strokes", "falling strokes", "crosses", "dots")
"""Pattern of the first, second ... specification of a picture, and the word for it in the text."""


_FORBIDS_POINTS = {("minimum", -1), ("maximum", 1)}
"""Where a limit on the extreme value of a band is a limit on each of its points."""


@dataclass(frozen=True)
class Limit:
    """One limit of one requirement in the units of a picture.

    Parameters
    ----------
    start, stop : stretch of the axis; equal for a value at one position.
    low, high : lowest and highest value that passes; None where that side is open.
    applies : what the limit holds for. Where it holds for a mean or the like (``band value``),
        single points may lie beyond it, so the limit is drawn dashed.
    words : the requirement in words.
    pattern : index into `HATCHES`.
    """

    start: float
    stop: float
    low: float | None
    high: float | None
    applies: Applies
    words: str
    pattern: int = 0

    @property
    def sides(self) -> tuple[tuple[float, int], ...]:
        """Each limit with the direction of its forbidden side: -1 is below, +1 above."""
        return tuple(
            (limit, side) for limit, side in ((self.low, -1), (self.high, 1)) if limit is not None
        )


@dataclass(frozen=True)
class Drawable:
    """Marks of some specifications, in words what has no mark, and the units that they judge in."""

    limits: tuple[Limit, ...]
    remarks: tuple[str, ...] = ()
    judged_in: frozenset[str] = frozenset()


def limits_of(specifications: Sequence[Specification], units: Units) -> Drawable:
    """Marks of all requirements that say something in the units of a picture."""
    limits: list[Limit] = []
    remarks: list[str] = []
    for pattern, specification in enumerate(specifications):
        for requirement in specification.requirements:
            words = f"{specification.name}: {requirement.description}"
            if requirement.drawn_from is not None:
                remarks.append(
                    f"{words} – drawn with its verdict: its curve is made of several spectra."
                )
                continue
            if not isinstance(requirement, Banded):
                remarks.append(
                    f"{words} – drawn with its verdict: its number is no height of the curve."
                )
                continue
            if not can_convert(requirement.spectral_unit, units.unit):
                remarks.append(f"{words} – not drawn here, since the picture is in {units.unit}.")
                continue
            try:
                limits.extend(_marks(requirement, units, words, pattern))
            except UnitError as error:
                remarks.append(f"{words} – not drawn: {error}.")
    units_named = {each.unit for spec in specifications for each in spec.requirements}
    return Drawable(tuple(limits), tuple(remarks), frozenset(units_named))


def _marks(requirement: Banded, units: Units, words: str, pattern: int) -> tuple[Limit, ...]:
    start, stop = _stretch(requirement, units)
    marks = []
    for text, side in ((requirement.lower_limit, -1), (requirement.upper_limit, 1)):
        if text is None:
            continue
        value = float(convert_values(float(text), requirement.spectral_unit, units.unit))
        every = (requirement.what, side) in _FORBIDS_POINTS
        applies: Applies = "every point" if every else "band value"
        if requirement.what in ("value", "fitted value"):
            applies = "one point"
        # a logarithm turns the order round: at least 90 %T is at most 0.046 A
        turned = (requirement.spectral_unit in LOGARITHMS) != (units.unit in LOGARITHMS)
        low, high = (value, None) if (side < 0) != turned else (None, value)
        marks.append(Limit(start, stop, low, high, applies, words, pattern))
    return tuple(marks)


LOGARITHMS = ("A", "log(1/R)")
STRIP = 0.03
"""Height of the hatched strip along a limit, as a part of the height of the picture."""


def _stretch(requirement: Banded, units: Units) -> tuple[float, float]:
    ends = [end for end in (*(requirement.band or ()), requirement.at) if end is not None]
    if isinstance(requirement, WeightedRequirement):
        ends = list(range_of_weights(requirement))
    asked = (requirement.axis_unit, requirement.medium, units.axis_unit)
    try:
        found = convert_positions(ends, *asked, units.medium)
    except UnitError:
        # where one of them does not say air or vacuum: 0.15 nm at 550 nm, finer than a line
        found = convert_positions(ends, *asked)
    return float(found.min()), float(found.max())


def draw_limits(
    figure: Any, limits: Sequence[Limit], span: tuple[float, float, float, float]
) -> None:
    """Add limits to a figure that shows `span`: start, stop, low, high."""
    from bokeh.models import HoverTool

    if not limits:
        return
    start, stop, low, high = span
    width, height = stop - start, high - low
    rows = [
        _box(limit, value, side, width, height) for limit in limits for value, side in limit.sides
    ]
    drawn = []
    for pattern, name in enumerate(HATCHES):
        boxes = [box for box in rows if box["pattern"] == pattern]
        if not boxes:
            continue
        columns = {key: [box[key] for box in boxes] for key in boxes[0]}
        drawn.append(
            figure.quad(
                left="left", right="right", bottom="bottom", top="top", source=columns,
                fill_color=FORBIDDEN, fill_alpha=0.06, line_color=None,
                hatch_pattern=name, hatch_color=FORBIDDEN, hatch_alpha=0.45, hatch_scale=7,
                name="forbidden side", level="underlay",
            )
        )  # fmt: skip
        edges = {key: columns[key] for key in ("left", "right", "limit", "words", "stroke")}
        figure.segment(
            x0="left", x1="right", y0="limit", y1="limit", source=edges,
            line_color=FORBIDDEN, line_width=2, line_dash="stroke", name="limit",
        )  # fmt: skip
    figure.add_tools(
        HoverTool(renderers=drawn, tooltips=[("limit", "@words")], point_policy="follow_mouse")
    )


def _box(limit: Limit, value: float, side: int, width: float, height: float) -> dict[str, Any]:
    # a strip only, so that the curves beyond the limit can be read; a single position gets a bar
    # wide enough to be seen
    reach = STRIP * height
    half = 0.003 * width if limit.start == limit.stop else 0.0
    ends = sorted((value, value + side * reach))
    return {
        "left": limit.start - half,
        "right": limit.stop + half,
        "bottom": ends[0],
        "top": ends[1],
        "limit": value,
        "words": limit.words,
        "stroke": "dashed" if limit.applies == "band value" else "solid",
        "pattern": limit.pattern % len(HATCHES),
    }
