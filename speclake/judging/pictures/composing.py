"""The picture of a verdict from the verdict, its requirement and the spectrum that was judged."""

import hashlib
from collections.abc import Iterable, Iterator, Sequence

import numpy as np

from speclake.judging.pictures.decimation import extremes, in_view
from speclake.judging.pictures.looks import AXIS_WORDS, VALUE_WORDS
from speclake.judging.pictures.placing import (
    Reading,
    Ruler,
    drawn_unit,
    is_pointwise,
    levels_of,
    reading_of,
    windows_of,
)
from speclake.judging.pictures.scene import (
    FoundMark,
    LimitMark,
    Line,
    Picture,
    Scale,
    ScaleLimit,
    Side,
    Span,
    What,
)
from speclake.judging.pictures.words import in_words
from speclake.quantities.smoothing import smoothed
from speclake.specs.requirements import DensityRequirement, MaskRequirement, Requirement
from speclake.specs.requirements.shapes import Knots
from speclake.specs.verdicts import Verdict
from speclake.spectrum import FloatArray, SpectrumSet
from speclake.units import AxisUnit, can_convert, convert_values

COLUMNS = 300
"""Columns of a curve: two points each at most."""
BESIDE = 0.15
"""What is seen beside the window on either side, as a part of it."""
ROOM = 0.12
"""Room above and below what is seen, as a part of its height."""


def picture_of(
    verdict: Verdict,
    requirement: Requirement,
    spectra: SpectrumSet,
    beside: Sequence[SpectrumSet] = (),
) -> Picture:
    """Picture of a verdict.

    Parameters
    ----------
    requirement : the one that was judged, from the version of the specification that was used.
    spectra : the one spectrum that was judged.
    beside : other spectra that the number draws on; those in a unit that says something else are
        left out.

    Raises
    ------
    ValueError
        The set holds another number of spectra, or the requirement is another one.
    speclake.errors.UnitError
        The values of the spectrum cannot be had in the unit of the requirement.
    """
    if len(spectra) != 1 or requirement.id != verdict.requirement:
        raise ValueError(f"one spectrum and requirement {verdict.requirement!r} expected")
    return _Composing(verdict, requirement, spectra, beside).picture()


class _Composing:
    """One picture in the making."""

    def __init__(
        self,
        verdict: Verdict,
        requirement: Requirement,
        spectra: SpectrumSet,
        beside: Sequence[SpectrumSet],
    ) -> None:
        self.verdict, self.requirement, self.beside = verdict, requirement, beside
        self.reading: Reading = reading_of(requirement)
        self.axis = spectra.axis
        self.ruler = Ruler(spectra.axis, requirement.axis_unit, requirement.medium)
        self.windows = windows_of(requirement, self.ruler)
        self.curves = _curves(spectra, requirement)
        self.scale = _scale(verdict, requirement)

    def picture(self) -> Picture:
        limits, found = self._limits(), self._found()
        across = self._across(limits, found)
        up = self._up(across, limits, found)
        unit = drawn_unit(self.requirement)
        axis_label = AXIS_WORDS[self.axis.unit]
        if self.axis.medium and self.axis.unit in ("nm", "um"):
            axis_label = axis_label.replace(" (", f" in {self.axis.medium} (")
        drawn = Picture(
            name=_name(self.verdict),
            title=self.verdict.description,
            words="",
            axis_label=axis_label,
            value_label=OD_WORDS if self._is_density else VALUE_WORDS[unit],
            across=across,
            up=up,
            lines=tuple(self._lines(across)),
            windows=self.windows,
            levels=levels_of(self.requirement),
            limits=limits,
            found=found,
            scale=self.scale,
        )
        return in_words(drawn)

    def _lines(self, across: Span) -> Iterator[Line]:
        kinds: tuple[What, ...] = ("judged", "as exported")
        for what, values in zip(kinds, self.curves, strict=False):
            yield _line(self.axis.values, values, across, what)
        unit = drawn_unit(self.requirement)
        for other in self.beside:
            if not can_convert(other.unit, unit):
                continue
            ruler = Ruler(self.axis, other.axis.unit, other.axis.medium)
            positions = np.array(ruler.on_axis(other.axis.values.tolist()))
            order = np.argsort(positions)
            for values in convert_values(other.values, other.unit, unit):
                yield _line(positions[order], values[order], across, "beside")

    @property
    def _is_density(self) -> bool:
        return isinstance(self.requirement, DensityRequirement)

    # what is marked

    def _limits(self) -> tuple[LimitMark, ...]:
        if self.reading == "mask":
            return self._mask()
        if self.reading == "aside":
            return ()
        return tuple(self._limit(each) for each in self.scale.limits)

    def _limit(self, limit: ScaleLimit) -> LimitMark:
        if self.reading == "height":
            ends = (self.windows[0][0], self.windows[-1][1])
            points = tuple((end, limit.value) for end in ends)
            whole = is_pointwise(self.requirement, limit.side)
            return LimitMark(limit.text, "value", points, limit.side, whole, limit.guard)
        (at,) = self._positions([limit.value])
        guard = None if limit.guard is None else _sorted(self._positions(limit.guard))
        beyond = self._positions([limit.value, limit.value * (1 + 1e-6 * limit.side)])
        side: Side = 1 if beyond[1] > beyond[0] else -1
        return LimitMark(limit.text, "position", ((at, 0.0),), side, True, guard)

    def _mask(self) -> tuple[LimitMark, ...]:
        asked = self.requirement
        assert isinstance(asked, MaskRequirement)  # what reading "mask" means
        distance = self.verdict.low or 0.0
        marks = []
        curves: tuple[tuple[Knots, Side, str], ...] = (
            (asked.lower, -1, "lower"), (asked.upper, 1, "upper"),
        )  # fmt: skip
        for knots, side, word in curves:
            if knots:
                at = self.ruler.on_axis([position for position, _ in knots])
                heights = [height - side * distance for _, height in knots]
                points = tuple(zip(at, heights, strict=True))
                marks.append(LimitMark(f"{word} curve", "value", points, side, True))
        return tuple(marks)

    def _found(self) -> FoundMark | None:
        value, at, reach = self.verdict.value, self.verdict.at, self.scale.reach
        if value is None:
            return None
        if self.reading == "position":
            (place,) = self._positions([value])
            ends = None if reach is None else _sorted(self._positions(reach))
            return FoundMark("position", (place, place), self._height(place), ends)
        if self.reading == "height":
            whole = (self.windows[0][0], self.windows[-1][1])
            return FoundMark("value", whole if at is None else (at, at), value, reach)
        if at is None:
            return None
        height, spread = self._height(at), self.verdict.uncertainty
        if self.reading == "mask" and spread is not None:
            return FoundMark("value", (at, at), height, (height - spread, height + spread))
        return FoundMark(None, (at, at), height)

    def _positions(self, numbers: Sequence[float]) -> list[float]:
        """Numbers that are positions, in the unit of the verdict, on the axis of the spectrum."""
        return self.ruler.on_axis(numbers, _AXIS_UNITS[self.verdict.unit])

    def _height(self, at: float) -> float:
        values = self.curves[0]
        known = np.isfinite(values)
        return float(np.interp(at, self.axis.values[known], values[known])) if known.any() else 0.0

    # what is seen

    def _across(self, limits: Iterable[LimitMark], found: FoundMark | None) -> Span:
        spans = [*self.windows]
        if found is not None:
            spans.append(found.position)
            if found.along == "position" and found.reach is not None:
                spans.append(found.reach)
        upright = [limit.points[0][0] for limit in limits if limit.along == "position"]
        spans += [(at, at) for at in upright]
        first, last = float(self.axis.values[0]), float(self.axis.values[-1])
        if not spans:
            return _padded(first, last, 0.02)
        low, high = min(low for low, _ in spans), max(high for _, high in spans)
        if high < first or low > last:  # the window lies beside the spectrum: both are to be seen
            return _padded(min(low, first), max(high, last), 0.05)
        middle = (low + high) / 2
        steps = np.diff(self.axis.values)
        least = max(0.04 * middle, 6 * float(np.median(steps)) if steps.size else 0.0)
        if high - low < least:
            return middle - least / 2, middle + least / 2
        return _padded(low, high, BESIDE)

    def _up(self, across: Span, limits: Iterable[LimitMark], found: FoundMark | None) -> Span:
        ends = [float(end) for span in self.windows for end in self._extent(span)]
        ends = ends or [float(end) for end in self._extent(across)]
        for limit in limits:
            if limit.along == "value":
                ends += [height for _, height in limit.points]
                ends += limit.guard or ()
        if found is not None:
            ends.append(found.value)
            if found.along == "value":
                ends += found.reach or ()
        return _padded(min(ends, default=0.0), max(ends, default=1.0), ROOM)

    def _extent(self, span: Span) -> list[float]:
        """Lowest and highest value of the curve over a stretch and just beside it."""
        points = self.axis.values
        if span[1] < points[0] or span[0] > points[-1]:
            return []
        values = self.curves[0][in_view(points, *span)]
        values = values[np.isfinite(values)]
        return [values.min(), values.max()] if values.size else []


OD_WORDS = "optical density, −log₁₀ T (OD)"
_AXIS_UNITS: dict[str, AxisUnit] = {"nm": "nm", "um": "um", "cm-1": "cm-1", "eV": "eV"}


def _curves(spectra: SpectrumSet, requirement: Requirement) -> tuple[FloatArray, ...]:
    """Values that were judged and, where they were smoothed before, those that were exported."""
    unit = drawn_unit(requirement)
    drawn = SpectrumSet(
        spectra.axis, convert_values(spectra.values, spectra.unit, unit), unit, spectra.keys
    )
    smoothing = requirement.after_smoothing
    if smoothing is None:
        return (drawn.values[0],)
    return smoothed(drawn, smoothing.window, smoothing.degree).values[0], drawn.values[0]


def _line(positions: FloatArray, values: FloatArray, across: Span, what: What) -> Line:
    part = in_view(positions, *across)
    x, y = extremes(positions[part], values[part][np.newaxis], COLUMNS)
    return Line(x[0].astype(np.float64), y[0].astype(np.float64), what)


def _scale(verdict: Verdict, requirement: Requirement) -> Scale:
    value, spread, guard = verdict.value, verdict.uncertainty, verdict.guard
    written = {float(text): text for text in requirement.limits}
    limits = []
    sides: tuple[tuple[float | None, Side, str], ...] = (
        (verdict.low, -1, "at least"), (verdict.high, 1, "at most"),
    )  # fmt: skip
    for limit, side, words in sides:
        if limit is not None:
            text = f"{words} {written.get(limit, f'{limit:.10g}')} {verdict.unit}"
            band = None if guard is None else _guard(verdict, limit, guard, side)
            limits.append(ScaleLimit(limit, text, side, band))
    reach = None if value is None or spread is None else (value - spread, value + spread)
    ends = [limit.value for limit in limits]
    ends += [end for limit in limits for end in limit.guard or ()]
    ends += [] if value is None else [value, *(reach or ())]
    return Scale(
        unit=verdict.unit,
        ends=_padded(min(ends), max(ends), 0.35),
        value=value,
        text="" if value is None else f"{verdict.shown or f'{value:.10g}'} {verdict.unit}",
        bound=verdict.bound,
        reach=reach,
        limits=tuple(limits),
        legend=_legend(verdict, reach is not None, guard is not None),
    )


def _guard(verdict: Verdict, limit: float, width: float, side: int) -> Span:
    """Band beside a limit that the decision rule keeps free, on the sides on which it does."""
    inwards = 0.0 if verdict.rule == "guarded rejection" else width
    outwards = 0.0 if verdict.rule == "guarded acceptance" else width
    return _sorted((limit + side * outwards, limit - side * inwards))


def _legend(verdict: Verdict, has_reach: bool, has_guard: bool) -> str:
    factor = verdict.coverage_factor
    known = "" if factor is None else f", k = {factor:.3g}"
    words = [f"bar: value ± U{known}"] if has_reach else []
    return "; ".join([*words, *(["dotted: guard band"] if has_guard else [])])


def _padded(low: float, high: float, part: float) -> Span:
    room = part * ((high - low) or 0.1 * abs(high) or 1.0)
    return low - room, high + room


def _sorted(ends: Sequence[float]) -> Span:
    return min(ends), max(ends)


def _name(verdict: Verdict) -> str:
    said = "|".join((verdict.measurement_id, verdict.spec_version, verdict.requirement))
    return f"v{hashlib.sha256(said.encode()).hexdigest()[:12]}"
