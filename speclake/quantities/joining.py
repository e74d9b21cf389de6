"""Segments of one spectrum, each scanned by itself, put end to end."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from speclake.quantities.combining import linear_at
from speclake.spectrum import Axis, FloatArray, SpectrumSet

ROUNDING = 1e-12
"""Relative to the values at a seam; a step that much above the largest is a rounding of ours."""


@dataclass(frozen=True)
class Joined:
    """Spectra put together from segments, and in words why a row is not, by row."""

    spectra: SpectrumSet
    reasons: Mapping[int, str] = field(default_factory=dict)


def joined(
    segments: Sequence[SpectrumSet],
    seams: Sequence[float],
    *,
    largest_step: float,
    names: Sequence[str],
) -> Joined:
    """Segments cut at the seams and put end to end, row by row, with the keys of the first.

    What lies below a seam comes from the segment before it; the seam itself and what lies above
    come from the next. Nothing is shifted, scaled or averaged to make them meet: where the two
    differ at the seam by more than the largest step, or one has no value there, the row is not
    joined. The value at a seam is that of the point, else linear between two points.

    Parameters
    ----------
    segments : two or more along rising positions, in one unit, on axes of one unit and medium.
    seams : positions between each two of them, rising.
    largest_step : in the unit of the values.
    names : of the segments, for the reasons.

    Raises
    ------
    ValueError
        Units, axes or the numbers of spectra do not fit one another.

    Examples
    --------
    >>> short = SpectrumSet(Axis(np.array([340.0, 350.0]), "nm"), [[80.0, 82.0]], "%T", ("a",))
    >>> long = SpectrumSet(Axis(np.array([350.0, 351.0]), "nm"), [[82.1, 83.0]], "%T", ("b",))
    >>> found = joined([short, long], [350.0], largest_step=0.2, names=["UV", "VIS"])
    >>> found.spectra.axis.values, found.spectra.values
    (array([340., 350., 351.]), array([[80. , 82.1, 83. ]]))
    """
    _must_fit(segments, seams)
    reasons: dict[int, str] = {}
    for i, seam in enumerate(seams):
        low, high = (linear_at(each, np.array([seam]))[:, 0] for each in segments[i : i + 2])
        place = f"the seam at {seam:.10g} {segments[0].axis.unit}"
        for name, segment, values in zip(
            names[i : i + 2], segments[i : i + 2], (low, high), strict=True
        ):
            ends = segment.axis.values[0], segment.axis.values[-1]
            reaches = ends[0] <= seam <= ends[1]
            why = "has no value there" if reaches else f"spans {ends[0]:.10g} to {ends[1]:.10g}"
            for row in np.flatnonzero(np.isnan(values)).tolist():
                reasons.setdefault(row, f"segment {name} does not reach {place}: it {why}")
        step = np.abs(high - low)
        slack = ROUNDING * np.maximum(np.abs(low), np.abs(high))
        for row in np.flatnonzero(step > largest_step + slack).tolist():
            unit = segments[0].unit
            found = f"{step[row]:.3g} {unit}; the largest allowed is {largest_step:g} {unit}"
            reasons.setdefault(
                row, f"at {place} the segments {names[i]} and {names[i + 1]} differ by {found}"
            )
    return Joined(_end_to_end(segments, seams), reasons)


def _end_to_end(segments: Sequence[SpectrumSet], seams: Sequence[float]) -> SpectrumSet:
    ends = [-np.inf, *seams, np.inf]
    positions: list[FloatArray] = []
    values: list[FloatArray] = []
    for segment, low, high in zip(segments, ends[:-1], ends[1:], strict=True):
        points = segment.axis.values
        start, stop = np.searchsorted(points, [low, high]).tolist()
        positions.append(points[start:stop])
        values.append(segment.values[:, start:stop])
    first = segments[0]
    axis = Axis(np.concatenate(positions), first.axis.unit, first.axis.medium)
    return SpectrumSet(axis, np.concatenate(values, axis=1), first.unit, first.keys)


def _must_fit(segments: Sequence[SpectrumSet], seams: Sequence[float]) -> None:
    first = segments[0]
    for each in segments[1:]:
        if (each.axis.unit, each.axis.medium) != (first.axis.unit, first.axis.medium):
            raise ValueError(
                f"found axes in {first.axis.unit} ({first.axis.medium}) and in {each.axis.unit} "
                f"({each.axis.medium}); expected one unit and one medium"
            )
        if each.unit != first.unit or len(each) != len(first):
            raise ValueError(
                f"found {len(first)} spectra in {first.unit} and {len(each)} in {each.unit}; "
                "expected as many, in one unit"
            )
    if len(seams) != len(segments) - 1 or any(np.diff(seams) <= 0):
        raise ValueError(f"found the seams {list(seams)}; expected rising ones between segments")
