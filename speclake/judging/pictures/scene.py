"""What the picture of a verdict shows, in numbers: whoever has a pen can draw it.

A picture has two parts. The curve near the window of the requirement, with limits drawn where they
are limits on the curve; and below it a scale in the unit of the requirement, on which every
verdict has its value with the uncertainty, its limits and its guard bands.
"""

from dataclasses import dataclass
from typing import Literal

from speclake.specs.verdicts import Bound
from speclake.spectrum import FloatArray

Span = tuple[float, float]
"""Two ends, the lower one first."""
Along = Literal["value", "position"]
"""Whether something is measured along the values of the curve, or along its axis."""
Side = Literal[-1, 1]
"""Forbidden side of a limit: -1 is below it, +1 above."""


What = Literal["judged", "as exported", "beside"]
"""What a curve is: the one that was judged; the same before it was smoothed; or another one that
the number draws on."""


@dataclass(frozen=True, eq=False)
class Line:
    """A curve: positions and values, NaN where there is a gap."""

    positions: FloatArray
    values: FloatArray
    what: What = "judged"

    @property
    def is_chief(self) -> bool:
        """Whether it is the curve that was judged."""
        return self.what == "judged"


@dataclass(frozen=True)
class LimitMark:
    """A limit that can be drawn at the curve.

    Parameters
    ----------
    text : the limit as written, with its unit.
    along : a limit on values is a line over the window, one on a position stands upright.
    points : the line, as (position, value); for one that stands upright only the position counts.
    side : the forbidden side, -1 is below and +1 above on the axis `along`.
    is_pointwise : whether it holds for every point of the curve in the window; if not, as for a
        mean, single points may lie beyond it.
    guard : ends on the axis `along` between which the decision rule decides otherwise than the
        limit alone; None where there is no guard band, or the limit is no straight line.
    """

    text: str
    along: Along
    points: tuple[tuple[float, float], ...]
    side: Side
    is_pointwise: bool
    guard: Span | None = None


@dataclass(frozen=True)
class FoundMark:
    """Where the number lies at the curve.

    Parameters
    ----------
    along : the axis on which the number itself is read, None where it is on neither and only the
        place that decided is marked.
    position : ends on the axis; equal for a single position.
    value : height.
    reach : ends of value ± U on the axis `along`; None where no uncertainty is known.
    """

    along: Along | None
    position: Span
    value: float
    reach: Span | None = None


@dataclass(frozen=True)
class ScaleLimit:
    """A limit on the scale: its number, as written, its forbidden side and its guard band."""

    value: float
    text: str
    side: Side
    guard: Span | None = None


@dataclass(frozen=True)
class Scale:
    """The number against its limits, in the unit of the requirement.

    `value` is None where the verdict has no number; `reach` are the ends of value ± U. `legend`
    says what bar and band mean.
    """

    unit: str
    ends: Span
    value: float | None
    text: str
    bound: Bound
    reach: Span | None
    limits: tuple[ScaleLimit, ...]
    legend: str = ""


@dataclass(frozen=True, eq=False)
class Picture:
    """The picture of one verdict.

    Parameters
    ----------
    name : tells the picture from others on a page; letters and digits only.
    title : the requirement in words.
    words : the whole picture in words, for who cannot see it.
    axis_label, value_label : what stands along the axes of the curve.
    across, up : what is seen of the axis and of the values.
    lines : the curve that was judged first, then what else is drawn for comparison.
    windows : stretches of the axis that the requirement looks at; both ends equal for a position.
    levels : heights at which the requirement looks for crossings.
    limits : those that can be drawn at the curve.
    """

    name: str
    title: str
    words: str
    axis_label: str
    value_label: str
    across: Span
    up: Span
    lines: tuple[Line, ...]
    windows: tuple[Span, ...]
    levels: tuple[float, ...]
    limits: tuple[LimitMark, ...]
    found: FoundMark | None
    scale: Scale
