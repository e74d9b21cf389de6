"""Which cautions a page owes to those who act on what it shows."""

import re
from collections.abc import Collection, Iterable, Mapping
from typing import Any

from speclake.checks import Check
from speclake.judging.explaining import CAUTION_OF_UNIT
from speclake.units import AxisUnit, SpectralUnit

_TURN_TO = (
    "Follow the local code, the equipment's own safety instructions and a qualified person; an "
    "archive's figures are no certification of protective equipment."
)
ULTRAVIOLET = (
    "Ultraviolet light harms eyes and skin, seen or unseen: a lamp that looks dim, or dark, is no "
    f"safer for it. Below about 240 nm it makes ozone from the air. {_TURN_TO}"
)
LAMPS = (
    "A lamp stays hot for long after it is switched off; arc lamps are under pressure and can "
    "burst, mercury lamps hold mercury, and their supplies hold high voltage: switch off, let it "
    f"cool, cover eyes and hands. {_TURN_TO}"
)
PURGE = (
    "Nitrogen and other purge gases displace the oxygen of a room, and nobody smells it: "
    f"ventilate. {_TURN_TO}"
)
OPTICAL_DENSITY = CAUTION_OF_UNIT["OD"]

# where the UV-B begins (315 nm in ISO 21348, from memory) in each axis unit, and whether shorter
# waves lie below or above it
_EDGE: dict[AxisUnit, tuple[float, int]] = {
    "nm": (315.0, -1),
    "um": (0.315, -1),
    "cm-1": (1e7 / 315.0, 1),
    "eV": (1239.841984 / 315.0, 1),
}
_UV_WORDS = ("ozone", "uv", "uvb", "uvc", "vuv", "duv", "ultraviolet")
_PURGE_WORDS = ("purge", "purged", "purging", "nitrogen")
_SAID_IN = ("segment", "comment")
TOLD_BY = ("axis_unit", "axis_first", "axis_last", "unit", *_SAID_IN)
"""Fields of a measurement by which `cautions` decides."""


def cautions(
    rows: Iterable[Mapping[str, Any]],
    shown_in: SpectralUnit | None = None,
    judged_in: Collection[str] = (),
    checks: Collection[str] = (),
) -> tuple[str, ...]:
    """Cautions for a page that shows these measurements, each once.

    Parameters
    ----------
    shown_in : unit in which the page shows their values; None where it is that of the export.
    judged_in : units of the verdicts and the limits that the page shows.
    checks : names of the checks whose findings the page tells.
    """
    owed = [caution for unit, caution in CAUTION_OF_UNIT.items() if unit in judged_in]
    found: dict[str, None] = dict.fromkeys(owed)
    for row in rows:
        said = " ".join(str(row[name] or "") for name in _SAID_IN).casefold()
        if _is_ultraviolet(row) or not _words(said).isdisjoint(_UV_WORDS):
            found[ULTRAVIOLET] = None
        if not _words(said).isdisjoint(_PURGE_WORDS):
            found[PURGE] = None
        if "A" in (row["unit"], shown_in):
            found[OPTICAL_DENSITY] = None
    if Check.OXYGEN in checks:
        found |= dict.fromkeys((ULTRAVIOLET, PURGE))
    elif Check.WATER in checks:
        found[PURGE] = None
    return tuple(found)


def _is_ultraviolet(row: Mapping[str, Any]) -> bool:
    edge, side = _EDGE[row["axis_unit"]]
    return any((row[end] - edge) * side > 0 for end in ("axis_first", "axis_last"))


def _words(said: str) -> set[str]:
    return set(re.findall(r"[^\W\d_]+", said))
