"""Places of a part: where a spectrum was measured, and where one is asked for."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from itertools import product

from speclake.judging.conditions import Conditions
from speclake.specs.model import Needs
from speclake.specs.requirements import Requirement, same_text

TEXTS = ("site", "side", "polarisation", "stage", "segment", "geometry", "port")
"""What makes a place, beside the angle."""


@dataclass(frozen=True)
class Place:
    """One combination of what makes a place; None where it is unknown, or where any will do."""

    site: str | None = None
    side: str | None = None
    angle_deg: float | None = None
    polarisation: str | None = None
    stage: str | None = None
    segment: str | None = None
    geometry: str | None = None
    port: str | None = None

    def __str__(self) -> str:
        words = [f"{name} {value}" for name in TEXTS if (value := getattr(self, name)) is not None]
        if self.angle_deg is not None:
            words.insert(2, f"{self.angle_deg:g}°")
        return ", ".join(words)

    @property
    def in_words(self) -> str:
        """The place behind a phrase: empty where any place will do."""
        return f" at {self}" if str(self) else ""

    def holds(self, conditions: Conditions, angle_tolerance_deg: float) -> bool:
        """Whether a spectrum was measured there; what is unknown was not."""
        if self.angle_deg is not None:
            angle = conditions.angle_deg
            if angle is None or abs(angle - self.angle_deg) > angle_tolerance_deg:
                return False
        for name in TEXTS:
            wanted, known = getattr(self, name), getattr(conditions, name)
            if wanted is None:
                continue
            if known is None or same_text(known) != same_text(wanted):
                return False
        return True

    def without_site(self) -> "Place":
        """The place whatever the site."""
        return replace(self, site=None)


def place_of(conditions: Conditions) -> Place:
    """Where a spectrum was measured, as far as it is known and in the words that were used."""
    texts = {name: getattr(conditions, name) for name in TEXTS}
    return Place(angle_deg=conditions.angle_deg, **texts)


def compared_place(
    conditions: Conditions, needs: Needs, requirement: Requirement | None = None
) -> Place:
    """Where a spectrum was measured, so that the same place is equal however it was written.

    An angle within the tolerance of one that the requirement or the specification names is that
    one.
    """
    texts = {
        name: None if (text := getattr(conditions, name)) is None else same_text(text)
        for name in TEXTS
    }
    return Place(angle_deg=_compared_angle(conditions.angle_deg, needs, requirement), **texts)


def _compared_angle(
    angle_deg: float | None, needs: Needs, requirement: Requirement | None
) -> float | None:
    if angle_deg is None:
        return None
    if (
        requirement is not None and requirement.angle_deg is not None
    ):  # spectra at other angles get no verdict by it
        return requirement.angle_deg
    near = [each for each in needs.angles_deg if abs(each - angle_deg) <= needs.angle_tolerance_deg]
    return min(near, key=lambda each: abs(each - angle_deg), default=angle_deg)


def number_of_sites(found: Iterable[Conditions]) -> int:
    """How many different sites were measured, as far as they are known."""
    return len({same_text(each.site) for each in found if each.site is not None})


def places_needed(sites: int | tuple[str, ...], needs: Needs) -> list[Place]:
    """Every combination of the entries; a number of sites names none."""
    return [
        Place(*combination)
        for combination in product(
            (sites if isinstance(sites, tuple) else ()) or (None,),
            needs.sides or (None,),
            needs.angles_deg or (None,),
            needs.polarisations or (None,),
            needs.stages or (None,),
        )
    ]


def places_spoken_of(requirement: Requirement, needs: Needs) -> list[Place]:
    """Combinations at which a requirement must be judged.

    What it states of side, angle, polarisation or stage itself, or tells the scans apart by that it
    draws on, its verdicts fulfil already; of the rest it speaks wherever a complete part is
    measured.
    """
    settled = frozenset[str]().union(*(role.varied for role in requirement.roles))
    rest = needs.model_copy(
        update={
            key: ()
            for key, name in (
                ("sides", "side"),
                ("angles_deg", "angle_deg"),
                ("polarisations", "polarisation"),
                ("stages", "stage"),
            )
            if name in settled or getattr(requirement, name) is not None
        }
    )
    return places_needed(requirement.sites or needs.sites, rest)
