"""A picture in words, for who cannot see it."""

from dataclasses import replace

import numpy as np

from speclake.judging.pictures.scene import FoundMark, Picture, Scale, Span


def in_words(picture: Picture) -> Picture:
    """The picture with its `words`: what is seen of the curve, and where number and limits lie."""
    seen = f"{picture.value_label} over {picture.axis_label}, {_span(picture.across)}"
    words = [f"Curve: {seen}", *_windows(picture.windows)]
    if any(np.isnan(line.values).any() for line in picture.lines if line.is_chief):
        words.append("It has gaps where there is no value")
    kinds = {line.what for line in picture.lines}
    if "as exported" in kinds:
        words.append("The spectrum was smoothed before; as exported it is the faint line")
    if "beside" in kinds:
        words.append("The other spectra that the number draws on are faint lines")
    words += [_limit(text, side) for text, side in _drawn(picture)]
    if not picture.limits:
        words.append("The number is none that can be read off the curve")
    if picture.found is not None:
        words.append(_found(picture.found))
    words.append(_scale(picture.scale))
    return replace(picture, words=f"{'. '.join(words)}.")


def _drawn(picture: Picture) -> list[tuple[str, str]]:
    sides = {("value", -1): "below it", ("value", 1): "above it", ("position", -1): "to its left",
             ("position", 1): "to its right"}  # fmt: skip
    return [(each.text, sides[each.along, each.side]) for each in picture.limits]


def _limit(text: str, side: str) -> str:
    return f"Limit at the curve: {text}; the side {side} is hatched"


def _windows(windows: tuple[Span, ...]) -> list[str]:
    if not windows:
        return []
    return [f"The requirement looks at {' and '.join(_span(each) for each in windows)}"]


def _found(found: FoundMark) -> str:
    low, high = found.position
    where = f"at {low:.6g}" if low == high else f"as a line from {low:.6g} to {high:.6g}"
    if found.along is None:
        return f"The place that decided is marked {where}"
    height = f", height {found.value:.6g}"
    reach = f", with a bar from {_span(found.reach)}" if found.reach else ""
    return f"The number found is marked {where}{height}{reach}"


def _scale(scale: Scale) -> str:
    limits = " and ".join(
        f"{each.text}, hatched {'below' if each.side < 0 else 'above'}" for each in scale.limits
    )
    guards = [f"{_span(each.guard)}" for each in scale.limits if each.guard]
    guard = f", guard band {' and '.join(guards)}" if guards else ""
    if scale.value is None:
        return f"Scale: {limits}{guard}; no value was found"
    bound = "" if scale.bound == "exact" else f"{scale.bound} "
    reach = f" with ± U from {_span(scale.reach)}" if scale.reach else ""
    return f"Scale: {limits}{guard}; found {bound}{scale.text}{reach}"


def _span(ends: Span) -> str:
    low, high = ends
    return f"{low:.6g}" if low == high else f"{low:.6g} to {high:.6g}"
