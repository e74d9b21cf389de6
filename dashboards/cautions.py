"""Which cautions a page owes to those who act on what it shows."""

from collections.abc import Iterable, Mapping
from typing import Any

from speclake.units import AxisUnit

DEEP_UV = (
    "Light below 200 nm, UV lamps, ozone and nitrogen purging can harm. An archive's figures are "
    "no certification of protective equipment: follow the local code, the equipment's own safety "
    "instructions and a qualified person."
)
OPTICAL_DENSITY = (
    "An optical density in an archive is no certification of a protective filter or of eyewear: "
    "follow the local code, the equipment's own safety instructions and a qualified person."
)

# 200 nm, where air begins to absorb and lamps to make ozone, in each axis unit, and whether
# shorter waves lie below or above it
_EDGE: dict[AxisUnit, tuple[float, int]] = {
    "nm": (200.0, -1),
    "um": (0.2, -1),
    "cm-1": (50_000.0, 1),
    "eV": (6.2, 1),
}
_WORDS = ("purge", "nitrogen", "ozone", "deep uv", "deep-uv", "vacuum uv", "uv lamp")
_SAID_IN = ("segment", "comment")
TOLD_BY = ("axis_unit", "axis_first", "axis_last", "unit", *_SAID_IN)
"""Fields of a measurement by which `cautions` decides."""


def cautions(rows: Iterable[Mapping[str, Any]]) -> tuple[str, ...]:
    """Cautions for a page that shows these measurements, each once."""
    found: dict[str, None] = {}
    for row in rows:
        if _deep_uv(row):
            found[DEEP_UV] = None
        if row["unit"] == "A":
            found[OPTICAL_DENSITY] = None
    return tuple(found)


def _deep_uv(row: Mapping[str, Any]) -> bool:
    edge, side = _EDGE[row["axis_unit"]]
    said = " ".join(str(row[name] or "") for name in _SAID_IN).casefold()
    reaches = any((row[end] - edge) * side > 0 for end in ("axis_first", "axis_last"))
    return reaches or any(word in said for word in _WORDS)
