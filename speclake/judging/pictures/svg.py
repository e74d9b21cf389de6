"""The picture of a verdict as SVG text that stands by itself: no script, no font, no other file.

References
----------
W3C, Scalable Vector Graphics (SVG) 1.1 (Second Edition): patterns 13.3, clipping 14.3; names and
descriptions 5.4.
"""

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape, quoteattr

from speclake.judging.pictures import looks
from speclake.judging.pictures.scene import FoundMark, LimitMark, Line, Picture, Scale, Span

WIDTH, CURVE_HEIGHT = 440.0, 274.0
LEFT, RIGHT, TOP, BOTTOM = 62.0, 12.0, 12.0, 46.0
STRIP = 9.0
"""Width of the hatched strip along a limit at the curve."""
MARK = 4.5
"""Radius of the dot of the number found."""
CHARACTER = 7.1
"""Width of a character of the labels, on average."""
TICKS = 5

_STYLE = """
text { font: 13px system-ui, "Segoe UI", "Noto Sans", "Liberation Sans", sans-serif; fill: INK; }
.halo { paint-order: stroke; stroke: PAPER; stroke-width: 3px; stroke-linejoin: round; }
.quiet { fill: QUIET; }
.grid { stroke: RULE; stroke-width: 1; }
.axis { stroke: QUIET; stroke-width: 1; }
.window { fill: ACCENT; fill-opacity: .08; }
.window-end { stroke: ACCENT; stroke-width: 1; stroke-dasharray: 2 3; }
.curve { fill: none; stroke: CURVE; stroke-width: 1.6; stroke-linejoin: round; }
.faint { fill: none; stroke: QUIET; stroke-width: 1; stroke-opacity: .5; }
.level { stroke: QUIET; stroke-width: 1; stroke-dasharray: 1 3; }
.limit { fill: none; stroke: FORBIDDEN; stroke-width: 2; }
.of-the-band { stroke-dasharray: 7 4; }
.guard { fill: FORBIDDEN; fill-opacity: .1; stroke: FORBIDDEN; stroke-width: 1;
  stroke-dasharray: 1 3; }
.found { fill: INK; stroke: PAPER; stroke-width: 1; }
.reach { fill: none; stroke: INK; stroke-width: 1.6; }
"""


def svg_of(picture: Picture) -> str:
    """SVG text of a picture, with its words as the description for who cannot see it."""
    scale, name = _ScaleRow(picture.scale, picture.name), picture.name
    height = CURVE_HEIGHT + scale.height
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {height:g}" '
        f'width="{WIDTH:g}" height="{height:g}" role="img" '
        f'aria-labelledby="{name}-title {name}-words" class="{name}">',
        f'<title id="{name}-title">{escape(picture.title)}</title>',
        f'<desc id="{name}-words">{escape(picture.words)}</desc>',
        f"<style>{_style(name)}</style>",
        f"<defs>{_hatch(name)}{_clip(name)}</defs>",
        f'<rect width="{WIDTH:g}" height="{height:g}" fill="{looks.PAPER}"/>',
        *_Curve(picture).drawn(),
        *scale.drawn(),
        "</svg>",
    ]
    return "\n".join(parts) + "\n"


def _style(name: str) -> str:
    """Style of this picture alone: several may stand on one page."""
    text = _STYLE.strip()
    for word in ("INK", "PAPER", "RULE", "ACCENT", "CURVE", "FORBIDDEN"):
        text = text.replace(word, getattr(looks, word))
    text = text.replace("QUIET", looks.QUIET_INK)
    return "\n".join(
        line if line.startswith(" ") else f".{name} {line}" for line in text.splitlines()
    )


def _hatch(name: str) -> str:
    return (
        f'<pattern id="{name}-hatch" width="6" height="6" patternUnits="userSpaceOnUse" '
        'patternTransform="rotate(45)">'
        f'<path d="M0 0V6" stroke="{looks.FORBIDDEN}" stroke-width="1.6" opacity=".55"/></pattern>'
    )


def _clip(name: str) -> str:
    return (
        f'<clipPath id="{name}-clip"><rect x="{LEFT:g}" y="{TOP:g}" '
        f'width="{WIDTH - LEFT - RIGHT:g}" height="{CURVE_HEIGHT - TOP - BOTTOM:g}"/></clipPath>'
    )


@dataclass(frozen=True)
class _Measure:
    """From numbers to places on the paper."""

    ends: Span
    paper: Span

    def __call__(self, number: float) -> float:
        (low, high), (start, stop) = self.ends, self.paper
        return start + (number - low) / (high - low) * (stop - start)


class _Curve:
    """The curve, its window and what is marked there."""

    def __init__(self, picture: Picture) -> None:
        self.picture = picture
        self.x = _Measure(picture.across, (LEFT, WIDTH - RIGHT))
        self.y = _Measure(picture.up, (CURVE_HEIGHT - BOTTOM, TOP))

    def drawn(self) -> Iterator[str]:
        picture, name = self.picture, self.picture.name
        yield from self._axes()
        yield f'<g clip-path="url(#{name}-clip)">'
        yield from self._windows()
        for level in picture.levels:
            yield _line("level", (LEFT, self.y(level)), (WIDTH - RIGHT, self.y(level)))
        for limit in picture.limits:
            yield from self._limit(limit)
        for line in reversed(picture.lines):
            yield self._path(line)
        if picture.found is not None:
            yield from self._found(picture.found)
        yield "</g>"
        for row, limit in enumerate(picture.limits):
            yield self._label(limit, row)

    def _axes(self) -> Iterator[str]:
        bottom, right = CURVE_HEIGHT - BOTTOM, WIDTH - RIGHT
        for number, text in ticks(self.picture.up):
            y = self.y(number)
            yield _line("grid", (LEFT, y), (right, y))
            yield _text(text, LEFT - 6, y + 4, "end")
        for number, text in ticks(self.picture.across):
            x = self.x(number)
            yield _line("axis", (x, bottom), (x, bottom + 4))
            yield _text(text, x, bottom + 17, "middle")
        yield _line("axis", (LEFT, bottom), (right, bottom))
        yield _text(self.picture.axis_label, (LEFT + right) / 2, bottom + 34, "middle", "quiet")
        middle = (TOP + bottom) / 2
        yield (
            f'<text class="quiet" text-anchor="middle" transform="translate(12 {middle:g}) '
            f'rotate(-90)">{escape(self.picture.value_label)}</text>'
        )

    def _windows(self) -> Iterator[str]:
        bottom = CURVE_HEIGHT - BOTTOM
        for low, high in self.picture.windows:
            start, stop = self.x(low), self.x(high)
            if stop > start:
                yield _box("window", start, TOP, stop, bottom)
            for x in {start, stop}:
                yield _line("window-end", (x, TOP), (x, bottom))

    def _limit(self, limit: LimitMark) -> Iterator[str]:
        points = self._on_paper(limit)
        if limit.guard is not None:
            yield self._guard(limit, points)
        shift = -STRIP * limit.side if limit.along == "value" else STRIP * limit.side
        far = [(x, y + shift) if limit.along == "value" else (x + shift, y) for x, y in points]
        outline = " ".join(_pair(each) for each in (*points, *reversed(far)))
        yield f'<polygon points="{outline}" fill="url(#{self.picture.name}-hatch)"/>'
        style = "limit" if limit.is_pointwise else "limit of-the-band"
        route = " ".join(_pair(each) for each in points)
        yield f'<polyline class="{style}" points="{route}"/>'

    def _on_paper(self, limit: LimitMark) -> list[tuple[float, float]]:
        points = [(self.x(position), self.y(height)) for position, height in limit.points]
        if limit.along == "position":
            return [(points[0][0], TOP), (points[0][0], CURVE_HEIGHT - BOTTOM)]
        if points[-1][0] - points[0][0] < 2 * STRIP:  # a limit at one position is to be seen
            middle, y = (points[0][0] + points[-1][0]) / 2, points[0][1]
            return [(middle - 2 * STRIP, y), (middle + 2 * STRIP, y)]
        return points

    def _guard(self, limit: LimitMark, points: Sequence[tuple[float, float]]) -> str:
        assert limit.guard is not None  # the caller looked
        if limit.along == "value":
            low, high = (self.y(end) for end in limit.guard)
            return _box("guard", points[0][0], high, points[-1][0], low)
        low, high = (self.x(end) for end in limit.guard)
        return _box("guard", low, TOP, high, CURVE_HEIGHT - BOTTOM)

    def _path(self, line: Line) -> str:
        route, is_down = [], False
        for position, value in zip(line.positions.tolist(), line.values.tolist(), strict=True):
            if math.isnan(value):
                is_down = False
                continue
            route.append(f"{'L' if is_down else 'M'}{_pair((self.x(position), self._held(value)))}")
            is_down = True
        return f'<path class="{"curve" if line.is_chief else "faint"}" d="{" ".join(route)}"/>'

    def _held(self, value: float) -> float:
        """Height on the paper, not farther off than what no programme chokes on."""
        return min(max(self.y(value), -10 * CURVE_HEIGHT), 10 * CURVE_HEIGHT)

    def _found(self, found: FoundMark) -> Iterator[str]:
        start, stop = (self.x(end) for end in found.position)
        y = self.y(found.value)
        middle = (start + stop) / 2
        if found.reach is not None and found.along == "value":
            yield _bar([(middle, self.y(end)) for end in found.reach], upright=True)
        elif found.reach is not None:
            yield _bar([(self.x(end), y) for end in found.reach], upright=False)
        if stop > start:
            yield _line("reach", (start, y), (stop, y))
        yield _dot(middle, y)

    def _label(self, limit: LimitMark, row: int) -> str:
        """The limit as written, on its forbidden side, where the curve mostly is not."""
        points, width = self._on_paper(limit), CHARACTER * len(limit.text)
        if limit.along == "value":
            x = min(max(points[0][0] + 4, LEFT + 4), WIDTH - RIGHT - width)
            y = points[0][1] + (STRIP + 13 if limit.side < 0 else -STRIP - 5)
        else:
            beyond = points[0][0] + limit.side * (STRIP + 4)
            x = beyond if limit.side > 0 else beyond - width
            x = min(max(x, LEFT + 4), WIDTH - RIGHT - width)
            y = TOP + 14 + 16 * row
        return _text(
            limit.text, x, min(max(y, TOP + 12), CURVE_HEIGHT - BOTTOM - 5), "start", "halo"
        )


class _ScaleRow:
    """The scale below the curve."""

    MIDDLE, HALF, ROW = 36.0, 12.0, 16.0

    def __init__(self, scale: Scale, name: str) -> None:
        self.scale, self.name = scale, name
        self.x = _Measure(scale.ends, (LEFT, WIDTH - RIGHT))
        self.y = CURVE_HEIGHT + self.MIDDLE

    @property
    def height(self) -> float:
        """Height that scale, the texts below it and the legend take."""
        rows = len(self.scale.limits) + bool(self.scale.legend)
        return self.MIDDLE + self.HALF + self.ROW * rows + 10.0

    def drawn(self) -> Iterator[str]:
        scale, y, half = self.scale, self.y, self.HALF
        for limit in scale.limits:
            if limit.guard is not None:
                low, high = (self.x(end) for end in limit.guard)
                yield _box("guard", low, y - half, high, y + half)
        yield _line("axis", (LEFT, y), (WIDTH - RIGHT, y))
        for row, limit in enumerate(scale.limits):
            x = self.x(limit.value)
            beyond = LEFT if limit.side < 0 else WIDTH - RIGHT
            start, stop = sorted((x, beyond))
            yield (
                f'<rect x="{start:.2f}" y="{y - half:.2f}" width="{stop - start:.2f}" '
                f'height="{2 * half:g}" fill="url(#{self.name}-hatch)"/>'
            )
            yield _line("limit", (x, y - half - 3), (x, y + half + 3))
            yield self._placed(limit.text, x, y + half + self.ROW * (row + 1))
        if scale.value is not None:
            x = self.x(scale.value)
            if scale.reach is not None:
                yield _bar([(self.x(end), y) for end in scale.reach], upright=False)
            if scale.bound != "exact":
                yield _arrow(x, y, 1 if scale.bound == "at least" else -1)
            yield _dot(x, y)
            bound = "" if scale.bound == "exact" else f"{scale.bound} "
            yield self._placed(f"found {bound}{scale.text}", x, y - half - 7)
        else:
            yield _text("no value", (LEFT + WIDTH - RIGHT) / 2, y - half - 7, "middle", "quiet")
        if scale.legend:
            yield _text(scale.legend, WIDTH - RIGHT, CURVE_HEIGHT + self.height - 7, "end", "quiet")

    def _placed(self, text: str, x: float, y: float) -> str:
        """Text about a place, held within the paper."""
        half = CHARACTER * len(text) / 2
        return _text(text, min(max(x, LEFT + half), WIDTH - RIGHT - half), y, "middle", "halo")


def ticks(ends: Span, most: int = TICKS) -> list[tuple[float, str]]:
    """Round numbers between two ends, each with its text, with a true minus sign.

    Examples
    --------
    >>> [text for _, text in ticks((-0.31, 1.02))]
    ['−0.2', '0.0', '0.2', '0.4', '0.6', '0.8', '1.0']
    """
    rough = (ends[1] - ends[0]) / most
    power = 10.0 ** math.floor(math.log10(rough))
    step = min((1, 2, 5, 10), key=lambda each: abs(each * power - rough)) * power
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    first, last = math.ceil(ends[0] / step - 1e-9), math.floor(ends[1] / step + 1e-9)
    return [
        (number * step, f"{number * step:.{decimals}f}".replace("-", "−"))
        for number in range(first, last + 1)
    ]


def _pair(point: Iterable[float]) -> str:
    return ",".join(f"{each:.2f}" for each in point)


def _line(style: str, start: tuple[float, float], stop: tuple[float, float]) -> str:
    (x1, y1), (x2, y2) = start, stop
    return f'<line class="{style}" x1="{x1:.2f}" y1="{y1:.2f}" x2="{x2:.2f}" y2="{y2:.2f}"/>'


def _box(style: str, left: float, top: float, right: float, bottom: float) -> str:
    return (
        f'<rect class="{style}" x="{left:.2f}" y="{top:.2f}" width="{right - left:.2f}" '
        f'height="{bottom - top:.2f}"/>'
    )


def _text(text: str, x: float, y: float, anchor: str, style: str = "") -> str:
    of_class = f" class={quoteattr(style)}" if style else ""
    return f'<text{of_class} x="{x:.2f}" y="{y:.2f}" text-anchor="{anchor}">{escape(text)}</text>'


def _dot(x: float, y: float) -> str:
    return f'<circle class="found" cx="{x:.2f}" cy="{y:.2f}" r="{MARK:g}"/>'


def _bar(ends: Sequence[tuple[float, float]], *, upright: bool) -> str:
    """Bar between two ends with a cap on each."""
    (x1, y1), (x2, y2) = ends
    cap: Callable[[float, float], str] = (
        (lambda x, y: f"M{_pair((x - 5, y))}h10") if upright
        else (lambda x, y: f"M{_pair((x, y - 5))}v10")
    )  # fmt: skip
    route = f"M{_pair((x1, y1))}L{_pair((x2, y2))}{cap(x1, y1)}{cap(x2, y2)}"
    return f'<path class="reach" d="{route}"/>'


def _arrow(x: float, y: float, side: int) -> str:
    """Arrow to where the true value may lie."""
    tip = x + side * 30
    return (
        f'<path class="reach" d="M{_pair((x, y))}H{tip:.2f}'
        f'm{-side * 6:g},-5L{_pair((tip, y))}L{_pair((tip - side * 6, y + 5))}"/>'
    )
