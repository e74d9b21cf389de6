"""How a spectrum was measured, as far as a requirement asks, and whether it is asked for."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from speclake.checks import Check
from speclake.judging.doubts import AIR_TO_VACUUM as AIR_TO_VACUUM
from speclake.judging.doubts import ALWAYS_BLOCKING, blocking_doubts
from speclake.judging.doubts import Doubt as Doubt
from speclake.measurement import Correction, Kind, Measurement
from speclake.specs.model import Specification
from speclake.specs.requirements import Requirement, same_text
from speclake.specs.requirements.common import CONDITIONS_AS_TEXT, in_words
from speclake.units import QUANTITY_OF_UNIT, AxisUnit, SpectralUnit, convert_positions

JUDGED_KINDS = (Kind.PART, Kind.WITNESS)
"""Only spectra of these are judged: a check piece, a blank or a reference has no specification."""


UNPOLARISED = "unpolarised"
"""Polarisation of a scan without a polariser; away from the normal its light is not so in truth."""

COMBINED = "s and p combined"
"""Polarisation of a spectrum that was made of one in s and one in p."""

EVEN_IN_S_AND_P = ("depolarised", COMBINED)
"""Polarisations of scans that are unpolarised at any angle: by a depolariser, or from two scans."""


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
    instrument_class: str | None = None
    """Of the specification that judges: see `classed`."""
    doubts: tuple[Doubt, ...] = ()
    """What was found that may make the values wrong."""

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


def classed(conditions: Sequence[Conditions], specification: Specification) -> Sequence[Conditions]:
    """Conditions with the class in which a specification lists each instrument."""
    if not specification.instrument_classes:
        return conditions
    return [
        each._replace(instrument_class=specification.instrument_class_of(each.instrument))
        if each.instrument
        else each
        for each in conditions
    ]


def weighed(conditions: Sequence[Conditions], specification: Specification) -> Sequence[Conditions]:
    """Conditions without the doubts that block no requirement of a specification.

    Each doubt has words of its own, and only scans whose conditions are equal are looked at once.
    """
    if not any(each.doubts for each in conditions):
        return conditions
    blocking = ALWAYS_BLOCKING.union(
        *(specification.blocked_by_of(each) for each in specification.requirements)
    )
    return [
        each._replace(doubts=tuple(doubt for doubt in each.doubts if doubt.check in blocking))
        if each.doubts
        else each
        for each in conditions
    ]


@dataclass(frozen=True)
class Fit:
    """How a spectrum stands to a requirement."""

    applies: bool
    """Whether the requirement speaks of such a spectrum; what is unknown does not rule it out."""
    hindrance: str | None = None
    """Why it cannot be judged by it all the same; None if it can be."""


_NOT_MEANT = Fit(applies=False)


def fits(
    requirement: Requirement,
    conditions: Sequence[Conditions],
    blocked_by: Collection[Check] = (),
) -> list[Fit]:
    """How each of some spectra stands to a requirement.

    Parameters
    ----------
    blocked_by : checks whose doubts leave no verdict.
    """
    wanted: dict[str, tuple[str, ...]] = {
        name: (text,)
        for name in CONDITIONS_AS_TEXT
        if (text := getattr(requirement, name)) is not None
    }
    if requirement.sites:
        wanted["site"] = requirement.sites
    compared = {name: frozenset(map(same_text, texts)) for name, texts in wanted.items()}
    if UNPOLARISED in compared.get("polarisation", ()):
        compared["polarisation"] |= frozenset(EVEN_IN_S_AND_P)
    return [_fit(requirement, compared, wanted, each, blocked_by) for each in conditions]


def of_another_quantity(requirement: Requirement, fit: Fit, unit: SpectralUnit) -> Fit:
    """How a spectrum stands to a requirement on another quantity, which it fits in the rest.

    That is a condition as any other where the requirement names its quantity.
    """
    if not fit.applies or requirement.quantity is None:
        return _NOT_MEANT
    found, asked = QUANTITY_OF_UNIT[unit], requirement.measured
    return _not_met(requirement, f"spectrum is of {found}; the requirement holds for {asked}")


def _fit(
    requirement: Requirement,
    compared: Mapping[str, frozenset[str]],
    wanted: Mapping[str, tuple[str, ...]],
    conditions: Conditions,
    blocked_by: Collection[Check],
) -> Fit:
    if conditions.kind not in JUDGED_KINDS:
        return _NOT_MEANT
    unknown = other = None
    if requirement.angle_deg is not None:
        at = f"the requirement holds at {requirement.angle_deg:g}°"
        if conditions.angle_deg is None:
            unknown = f"angle of incidence is unknown; {at}"
        elif abs(conditions.angle_deg - requirement.angle_deg) > requirement.angle_tolerance_deg:
            other = f"angle of incidence is {conditions.angle_deg:g}°; {at}"
    for name, texts in compared.items():
        known = getattr(conditions, name)
        asked = f"the requirement holds for {in_words(name)} {' or '.join(wanted[name])}"
        if known is None:
            unknown = unknown or f"{_unknown(name, conditions)}; {asked}"
        elif same_text(known) not in texts:
            other = other or f"{in_words(name)} is {known}; {asked}"
    if other is not None:
        return _not_met(requirement, other)
    if unknown is not None:
        return Fit(applies=True, hindrance=f"the {unknown}")
    hindrance = (
        _polarisation_hindrance(requirement, conditions)
        or _correction_hindrance(requirement, conditions.correction)
        or _smoothing_hindrance(requirement, conditions.smoothed)
        or _bandwidth_hindrance(requirement, conditions)
        or doubt_hindrance(requirement, conditions, blocked_by)
    )
    return Fit(True, hindrance)


def doubt_hindrance(
    requirement: Requirement, conditions: Conditions, blocked_by: Collection[Check]
) -> str | None:
    """Why doubts about a scan leave no verdict; None where they do not."""
    if not conditions.doubts:
        return None
    why = blocking_doubts(requirement, conditions.doubts, blocked_by, conditions.axis_unit)
    return None if why is None else f"the {why}"


def _not_met(requirement: Requirement, why: str) -> Fit:
    """How a spectrum that is known to be of another condition stands to a requirement."""
    if requirement.when_not_met == "no verdict":
        return _NOT_MEANT
    return Fit(applies=True, hindrance=f"the {why}")


def _unknown(name: str, conditions: Conditions) -> str:
    if name == "instrument_class" and conditions.instrument is not None:
        return f"instrument {conditions.instrument!r} is in no class"
    return f"{in_words(name)} is unknown"


def _polarisation_hindrance(requirement: Requirement, conditions: Conditions) -> str | None:
    """Why a scan away from the normal may not count as unpolarised.

    The light of an instrument is partly polarised by its gratings and mirrors, and away from the
    normal s and p differ: a scan without a polariser is a mixture that nobody knows.
    """
    known, asked = conditions.polarisation, requirement.polarisation
    if asked is not None and same_text(asked) != UNPOLARISED:
        return None
    largest = requirement.largest_unpolarised_angle_deg
    angle = conditions.angle_deg if requirement.angle_deg is None else requirement.angle_deg
    if angle is None or angle <= largest:
        return None
    needed = f"above {largest:g}° the requirement needs s, p, both combined or a depolariser"
    if known is None:
        return f"the polarisation is unknown at an angle of incidence of {angle:g}°; {needed}"
    if same_text(known) != UNPOLARISED:
        return None
    return f"light without a polariser is not unpolarised at {angle:g}°; {needed}"


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
    """Bandwidths of the scan over the stretches that a requirement looks at.

    None for an unknown one, and for a part of a stretch of which nobody said anything.
    """
    found: list[float | None] = []
    for ends in requirement.looked_at or (None,):
        if ends is None:
            found += [each.bandwidth_nm for each in conditions.bandwidths]
            continue
        near = [
            (reach, each.bandwidth_nm)
            for each in conditions.bandwidths
            if ends[0] <= (reach := _reach(each, conditions.axis_unit, requirement.axis_unit))[1]
            and ends[1] >= reach[0]
        ]
        found += [bandwidth for _, bandwidth in near]
        if not near or not _is_covered(ends, [reach for reach, _ in near]):
            found.append(None)
    return found


def _reach(stretch: Bandwidth, unit: AxisUnit, asked: AxisUnit) -> tuple[float, float]:
    """Ends of a stretch of an axis in another unit, the lower one first.

    Units are brought together through vacuum: air moves a position by 0.03 %, far less than it
    matters where a bandwidth changes.
    """
    ends = [stretch.start, stretch.stop]
    if unit != asked:
        ends = convert_positions(ends, unit, "vacuum", asked, "vacuum").tolist()
    return min(ends), max(ends)


def _is_covered(ends: tuple[float, float], stretches: Iterable[tuple[float, float]]) -> bool:
    """Whether stretches cover what lies between two ends without a gap."""
    reached = ends[0]
    for start, stop in sorted(stretches):
        if start > reached * (1 + AIR_TO_VACUUM):
            return False
        reached = max(reached, stop)
    return ends[1] <= reached * (1 + AIR_TO_VACUUM)
