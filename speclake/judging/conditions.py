"""How a spectrum was measured, as far as a requirement asks, and whether it is asked for."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from speclake.measurement import Correction, Kind, Measurement
from speclake.specs.requirements import Requirement, same_text
from speclake.units import AxisUnit, convert_positions

JUDGED_KINDS = (Kind.PART, Kind.WITNESS)
"""Only spectra of these are judged: a check piece, a blank or a reference has no specification."""


class Bandwidth(NamedTuple):
    """Spectral bandwidth of a stretch of the axis, whose ends are in the unit of the axis."""

    start: float
    stop: float
    bandwidth_nm: float | None


class Conditions(NamedTuple):
    """What judging needs to know of one measurement; None where nobody stated it."""

    kind: Kind = Kind.PART
    angle_deg: float | None = None
    polarisation: str | None = None
    instrument: str | None = None
    accessory: str | None = None
    geometry: str | None = None
    port: str | None = None
    side: str | None = None
    stage: str | None = None
    site: str | None = None
    segment: str | None = None
    correction: Correction | None = None
    smoothed: bool | None = None
    axis_unit: AxisUnit = "nm"
    bandwidths: tuple[Bandwidth, ...] = ()

    @classmethod
    def of(cls, found: "Conditions | Measurement | Mapping[str, object]") -> "Conditions":
        """Conditions of a measurement, or of a row that has the same names; what lacks is None."""
        if isinstance(found, Conditions):
            return found
        known: dict[str, Any] = {}
        for name in cls._fields:
            value = found.get(name) if isinstance(found, Mapping) else getattr(found, name, None)
            if value is not None:
                known[name] = value
        if isinstance(found, Measurement):
            known["bandwidths"] = tuple(
                Bandwidth(each.start, each.stop, each.bandwidth_nm) for each in found.ranges
            )
        known["kind"] = Kind(str(known.get("kind", Kind.UNKNOWN)))
        if "correction" in known:
            known["correction"] = Correction(str(known["correction"]))
        return cls(**known)


@dataclass(frozen=True)
class Fit:
    """How a spectrum stands to a requirement."""

    applies: bool
    """Whether the requirement speaks of such a spectrum; what is unknown does not rule it out."""
    hindrance: str | None = None
    """Why it cannot be judged by it all the same; None if it can be."""


_NOT_MEANT = Fit(applies=False)


def fits(requirement: Requirement, conditions: Sequence[Conditions]) -> list[Fit]:
    """How each of some spectra stands to a requirement."""
    wanted: dict[str, tuple[str, ...]] = {
        name: (text,)
        for name in ("polarisation", "side", "stage", "segment")
        if (text := getattr(requirement, name)) is not None
    }
    if requirement.sites:
        wanted["site"] = requirement.sites
    compared = {name: frozenset(map(same_text, texts)) for name, texts in wanted.items()}
    return [_fit(requirement, compared, wanted, each) for each in conditions]


def _fit(
    requirement: Requirement,
    compared: Mapping[str, frozenset[str]],
    wanted: Mapping[str, tuple[str, ...]],
    conditions: Conditions,
) -> Fit:
    if conditions.kind not in JUDGED_KINDS or not _same_angle(requirement, conditions.angle_deg):
        return _NOT_MEANT
    unknown = None
    if requirement.angle_deg is not None and conditions.angle_deg is None:
        angle = f"{requirement.angle_deg:g}°"
        unknown = f"angle of incidence is unknown; the requirement holds at {angle}"
    for name, texts in compared.items():
        known = getattr(conditions, name)
        if known is None:
            text = " or ".join(wanted[name])
            unknown = unknown or f"{name} is unknown; the requirement holds for {name} {text}"
        elif same_text(known) not in texts:
            return _NOT_MEANT
    if unknown is not None:
        return Fit(applies=True, hindrance=f"the {unknown}")
    hindrance = (
        _correction_hindrance(requirement, conditions.correction)
        or _smoothing_hindrance(requirement, conditions.smoothed)
        or _bandwidth_hindrance(requirement, conditions)
    )
    return Fit(True, hindrance)


def _same_angle(requirement: Requirement, angle_deg: float | None) -> bool:
    if requirement.angle_deg is None or angle_deg is None:
        return True
    return abs(angle_deg - requirement.angle_deg) <= requirement.angle_tolerance_deg


def _correction_hindrance(requirement: Requirement, correction: Correction | None) -> str | None:
    wanted = requirement.needs_correction
    if not wanted or correction in wanted:
        return None
    needed = f"the requirement needs {' or '.join(wanted)}"
    if correction is None:
        return f"nobody said what the values were multiplied with; {needed}"
    return f"the correction of the values is {correction!s}; {needed}"


def _smoothing_hindrance(requirement: Requirement, smoothed: bool | None) -> str | None:
    if requirement.smoothing == "allowed" or smoothed is False:
        return None
    if smoothed is True:
        return "the spectrum was smoothed, and the requirement does not allow it"
    if requirement.smoothing == "must be known":
        return "nobody said whether the spectrum was smoothed, and the requirement needs to know"
    return None


def _bandwidth_hindrance(requirement: Requirement, conditions: Conditions) -> str | None:
    largest = requirement.largest_bandwidth_nm
    if largest is None:
        return None
    allowed = f"the largest that the requirement allows is {largest:g} nm"
    found = bandwidths_over(requirement, conditions)
    if not found or None in found:
        return f"the bandwidth of the scan is unknown; {allowed}"
    widest = max(each for each in found if each is not None)
    return f"the bandwidth of the scan is {widest:g} nm; {allowed}" if widest > largest else None


def bandwidths_over(requirement: Requirement, conditions: Conditions) -> list[float | None]:
    """Bandwidths of the scan over the stretch that a requirement looks at; None for an unknown."""
    ends = requirement.band or (requirement.at, requirement.at)
    return [
        each.bandwidth_nm
        for each in conditions.bandwidths
        if ends[0] is None or _overlap(ends, requirement.axis_unit, each, conditions.axis_unit)
    ]


def _overlap(
    ends: tuple[float | None, float | None], unit: AxisUnit, stretch: Bandwidth, of: AxisUnit
) -> bool:
    """Whether a band and a stretch of an axis have a position in common.

    Units are brought together through vacuum: air moves a position by 0.03 %, far less than it
    matters where a bandwidth changes.
    """
    band = [end for end in ends if end is not None]
    reach = sorted((stretch.start, stretch.stop))
    if unit != of:
        reach = sorted(convert_positions(reach, of, "vacuum", unit, "vacuum").tolist())
    return min(band) <= reach[1] and max(band) >= reach[0]
