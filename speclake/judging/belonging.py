"""Which measurements belong together where a requirement draws on several of one part.

They are of one part, stage and site, and were measured in one way except for what tells their
roles apart. Where two could fill a role, a rule or a person's record says which counts, or none
does.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import PurePosixPath
from typing import Any

from speclake.judging.conditions import JUDGED_KINDS, Conditions, bandwidths_over
from speclake.judging.repeats import Choice, counted
from speclake.measurement import Kind, LinkKind, Measurement
from speclake.specs.model import Specification
from speclake.specs.requirements import Requirement, same_text
from speclake.specs.requirements.several import PLACE_KEYS, PlaceKey, Role
from speclake.units import can_convert

PartKey = tuple[str, str, str, str]
"""Kind, product, lot, and serial or else sample; what is unknown is empty."""
SpotKey = tuple[PartKey, str, str]
"""Part, stage and site."""


@dataclass(frozen=True)
class Belonging:
    """The measurement that fills a role beside a lead, or why none does.

    `looked_at` names the measurements that came into question.
    """

    found: Measurement | None
    reason: str = ""
    looked_at: tuple[str, ...] = ()

    @property
    def hangs_on(self) -> tuple[str, ...]:
        """The measurement that was found, or those that came into question in vain."""
        return self.looked_at if self.found is None else (self.found.measurement_id,)


@dataclass(frozen=True)
class Record:
    """What is on record of the measurements in question.

    Parameters
    ----------
    disputed : those in conflict, that a person must settle first.
    choices : by measurement, a person's word that of several it counts.
    """

    disputed: Collection[str] = ()
    choices: Mapping[str, Choice] = field(default_factory=dict)


def part_of(m: Measurement) -> PartKey | None:
    """The part or witness piece that a measurement is of, None where nobody said which."""
    name = m.serial or m.sample
    if m.kind not in JUDGED_KINDS or not name:
        return None
    return (str(m.kind), m.product or "", m.lot or "", name)


def spot_of(m: Measurement) -> SpotKey | None:
    """Part, stage and site of a measurement, None where the part is unknown."""
    part = part_of(m)
    return part and (part, same_text(m.stage or ""), same_text(m.site or ""))


def may_fill(role: Role, m: Measurement, angle_tolerance_deg: float) -> bool:
    """Whether a measurement is what a role asks for; where nobody said, it is not."""
    is_blank = m.kind is Kind.BLANK
    if not can_convert(m.unit, role.unit) or is_blank != (role.blank_within_h is not None):
        return False
    for name, wanted in role.told_by:
        known = getattr(m, name)
        if known is None:
            return False
        if isinstance(wanted, str):
            if same_text(known) != same_text(wanted):
                return False
        elif abs(known - wanted) > angle_tolerance_deg:
            return False
    return True


def is_lead(requirement: Requirement, m: Measurement) -> bool:
    """Whether a requirement's verdict is one on this measurement."""
    return m.kind in JUDGED_KINDS and may_fill(
        requirement.roles[0], m, requirement.angle_tolerance_deg
    )


def partner_of(
    lead: Measurement,
    role: Role,
    requirement: Requirement,
    specification: Specification,
    near: Iterable[Measurement],
    record: Record,
) -> Belonging:
    """What fills a role of a requirement beside its lead.

    Parameters
    ----------
    near : measurements of the same part, stage and site that count; for a blank, of the same
        instrument.
    """
    fitting = [
        m
        for m in near
        if m.measurement_id != lead.measurement_id
        and may_fill(role, m, requirement.angle_tolerance_deg)
    ]
    if role.blank_within_h is not None:
        return _blank_for(lead, role, role.blank_within_h, fitting)
    if part_of(lead) is None:
        return Belonging(None, f"nobody said which part it is of, so no {role.name} belongs to it")
    return _scan_for(lead, role, requirement, specification, fitting, record)


# --- scans of the part ------------------------------------------------------------------------


def _scan_for(
    lead: Measurement,
    role: Role,
    requirement: Requirement,
    specification: Specification,
    fitting: Sequence[Measurement],
    record: Record,
) -> Belonging:
    where = _spot_in_words(lead)
    if not fitting:
        return Belonging(None, f"no {role.name} of {where} yet")
    looked_at = tuple(m.measurement_id for m in fitting)
    lead_name = requirement.roles[0].name
    unknown = [key for key in _known(requirement) if _stated(requirement, lead, key) is None]
    if unknown:
        what = _WORDS[unknown[0]]
        why = f"the {what} of the {lead_name} is unknown, and must be that of the {role.name}"
        return Belonging(None, why, looked_at)
    differing = {m.measurement_id: _difference(requirement, lead, m) for m in fitting}
    same = [m for m in fitting if differing[m.measurement_id] is None]
    if not same:
        why = f"no {role.name} of {where} was measured as the {lead_name}: "
        return Belonging(None, why + "; ".join(_said(fitting, differing)), looked_at)
    clear = [m for m in same if m.measurement_id not in record.disputed]
    if not clear:
        why = f"the {role.name} of {where} is in conflict with another, which a person must settle"
        return Belonging(None, why, looked_at)
    counting = counted(
        {m.measurement_id: m.trusted_at for m in clear}, specification.repeats, record.choices
    )
    if len(counting.ids) > 1:
        rule = specification.repeats.count
        why = f"{where} has {len(clear)} scans that may be its {role.name}; "
        if rule in ("latest", "chosen"):
            why += "no record says which one counts"
        else:
            why += f'repeats.count = "{rule}" picks none of them'
        return Belonging(None, why, looked_at)
    found = next(m for m in clear if m.measurement_id == counting.ids[0])
    return Belonging(found, looked_at=looked_at)


def _spot_in_words(lead: Measurement) -> str:
    site = f"site {lead.site}" if lead.site else "this part"
    return f"{site}, stage {lead.stage}" if lead.stage else site


_WORDS: Mapping[PlaceKey, str] = {
    "side": "side", "angle_deg": "angle of incidence", "polarisation": "polarisation",
    "segment": "segment", "bandwidth": "bandwidth",
}  # fmt: skip


def _compared(requirement: Requirement) -> list[PlaceKey]:
    varied = frozenset[str]().union(*(role.varied for role in requirement.roles))
    keys = PLACE_KEYS if requirement.drawn_from is None else requirement.drawn_from.compared
    return [key for key in keys if key not in varied]


def _known(requirement: Requirement) -> Sequence[PlaceKey]:
    return () if requirement.drawn_from is None else requirement.drawn_from.known


def _stated(requirement: Requirement, m: Measurement, key: PlaceKey) -> Any:
    """What is known of a measurement in a respect, as it is compared; None where nothing is."""
    if key == "bandwidth":
        found = bandwidths_over(requirement, Conditions.of(m))
        known = sorted({each for each in found if each is not None})
        return tuple(known) if known and None not in found else None
    value = getattr(m, key)
    return same_text(value) if isinstance(value, str) else value


def _difference(requirement: Requirement, lead: Measurement, other: Measurement) -> str | None:
    """In what the other was measured otherwise than the lead, None where in nothing."""
    for key in _compared(requirement):
        here, there = (_stated(requirement, m, key) for m in (lead, other))
        if here == there:
            continue
        if here is None:
            return f"its {_WORDS[key]} is {_text(there)}, and that of the lead unknown"
        numbers = isinstance(here, float) and isinstance(there, float)
        if numbers and abs(here - there) <= requirement.angle_tolerance_deg:
            continue
        return f"its {_WORDS[key]} is {_text(there)}, not {_text(here)}"
    return None


def _text(value: object) -> str:
    if value is None:
        return "unknown"
    if isinstance(value, tuple):
        return " and ".join(f"{each:g} nm" for each in value)
    return f"{value:g}°" if isinstance(value, float) else str(value)


def _said(fitting: Sequence[Measurement], differing: Mapping[str, str | None]) -> list[str]:
    told = dict.fromkeys(differing[m.measurement_id] for m in fitting)
    return [each for each in told if each is not None]


# --- blanks -----------------------------------------------------------------------------------


def _blank_for(
    lead: Measurement, role: Role, within_h: float, fitting: Sequence[Measurement]
) -> Belonging:
    """The blank that the lead says it was measured against, else the latest before it."""
    same = [
        m
        for m in fitting
        if lead.instrument is not None
        and (m.instrument, m.accessory) == (lead.instrument, lead.accessory)
    ]
    linked = [m for m in same if _is_linked(lead, m)]
    if len(linked) > 1:
        why = f"it was measured against {len(linked)} of the {role.name}"
        return Belonging(None, why, tuple(m.measurement_id for m in linked))
    since = lead.trusted_at - timedelta(hours=within_h)
    fresh = linked or [m for m in same if since <= m.trusted_at <= lead.trusted_at]
    if not fresh:
        instrument = lead.instrument or "an instrument that nobody named"
        return Belonging(
            None,
            f"no {role.name} on {instrument} in the {within_h:g} h before it yet",
            tuple(m.measurement_id for m in same),
        )
    found = max(fresh, key=lambda m: (m.trusted_at, m.measurement_id))
    return Belonging(found, looked_at=(found.measurement_id,))


def names_of(blank: Measurement) -> frozenset[str]:
    """Names by which a scan may say that it was measured against a blank."""
    path = PurePosixPath(blank.file)
    names = (blank.file, path.name, path.stem, blank.run, blank.sample)
    return frozenset(name for name in names if name)


def _is_linked(lead: Measurement, blank: Measurement) -> bool:
    return any(
        link.kind is LinkKind.MEASURED_AGAINST
        and (
            link.target in names_of(blank) if link.by_name else link.target == blank.measurement_id
        )
        for link in lead.links
    )
