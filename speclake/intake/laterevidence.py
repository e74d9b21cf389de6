"""What run sheets tell of scans taken before them: events, and findings where they disagree.

All sheets of a folder are heard together, as they are when a scan is read. What they agree on fills
a field that nobody stated, or replaces what only the folder or an earlier state of the sheets said.
What header, name or a person stated stands, and what was disputed stays unknown; a sheet that
says otherwise is told in a finding. Where the sheets disagree, the field becomes unknown again.
"""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from speclake.archive.rows import EventKind, EventRow, FindingRow
from speclake.checks import Check, Severity
from speclake.intake.assigning import kept_before
from speclake.intake.resolving import LINK_FIELDS, disputed, position_of, typed_field
from speclake.intake.runsheets import Claim, RunSheet, Scan, claims, day_of
from speclake.measurement import ASSIGNABLE, Kind, Measurement
from speclake.settings import Settings

BY_SHEET = "assigned by run sheet "
_REPLACEABLE = ("folder ", "run sheet ", BY_SHEET, "site map of the settings", "rule ")
"""Beginnings of an origin that the run sheets go before."""


@dataclass(frozen=True)
class Later:
    """What the sheets add to the record."""

    events: tuple[EventRow, ...]
    findings: tuple[FindingRow, ...]


@dataclass
class _Said:
    """What the sheets say of one scan: fields to assign and links to add, by source."""

    m: Measurement
    given: dict[str, str] = field(default_factory=dict)
    source: dict[str, str] = field(default_factory=dict)
    links: list[tuple[str, Claim]] = field(default_factory=list)
    findings: list[str] = field(default_factory=list)

    def give(self, name: str, value: str, source: str) -> None:
        self.given[name], self.source[name] = value, source


def later_evidence(
    scans: Sequence[Measurement],
    sheets: Sequence[RunSheet],
    settings: Settings,
    *,
    at: datetime,
    seen: int,
) -> Later:
    """Events and findings on scans, given all sheets of their folder.

    Parameters
    ----------
    scans : effective measurements.
    seen : number of the commit as of which they were looked up.
    """
    events: list[EventRow] = []
    findings: list[FindingRow] = []
    for m in scans:
        said = _said_of(m, sheets, settings)
        events += _events(said, at, seen)
        findings += [_finding(m, text) for text in said.findings]
    return Later(tuple(events), tuple(findings))


def _said_of(m: Measurement, sheets: Sequence[RunSheet], settings: Settings) -> _Said:
    said = _Said(m)
    scan = Scan(m.file, m.place, m.run, day_of(m.scanned_text, settings.zone))
    told = claims(sheets, scan)
    unsettled = disputed(m.unresolved)
    for name, each in told.items():
        if name in unsettled:
            if any(not _is_listed(m, claim) for claim in each):
                said.findings.append(f"{name} is disputed and stays unknown; {_quoted(each)}")
        elif name in LINK_FIELDS:
            _hear_link(said, name, each)
        elif name in ASSIGNABLE:
            _hear_field(said, name, each)
        elif name not in m.origin:
            said.findings.append(f"{name} is not known and cannot be added later; {_quoted(each)}")
    _place(said, told, settings)
    _recognise(said, told, unsettled, settings)
    return said


def _is_listed(m: Measurement, claim: Claim) -> bool:
    """Whether a sheet was heard when the scan was read: its word is part of the dispute."""
    return any(f"{claim.source} says {claim.value!r}" in entry for entry in m.unresolved)


def _hear_field(said: _Said, name: str, told: Sequence[Claim]) -> None:
    m, held = said.m, getattr(said.m, name)
    if len({claim.value for claim in told}) > 1:
        said.findings.append(f"the run sheets disagree on {name}: {_quoted(told)}")
        if not _is_unknown(m, name) and _is_replaceable(m, name):
            said.give(name, "", "; ".join(claim.source for claim in told))
        return
    try:
        value = typed_field(name, told[0].value)
    except ValueError as error:
        said.findings.append(f"{name}: {_quoted(told)}; expected {error}")
        return
    if value == held:
        return
    if _is_replaceable(m, name):
        said.give(name, told[0].value, told[0].source)
    else:
        origin = m.origin.get(name, "unknown origin")
        said.findings.append(
            f"{name} stays {_text(held) or 'unknown'!r} ({origin}); {_quoted(told)}"
        )


def _hear_link(said: _Said, name: str, told: Sequence[Claim]) -> None:
    held = [link.target for link in said.m.links if link.kind is LINK_FIELDS[name]]
    targets = {claim.value for claim in told}
    if len(targets) == 1 and not held:
        said.links.append((name, told[0]))
    elif not targets <= set(held) or len(targets) > 1:
        stands = ", ".join(map(repr, held)) or "unknown"
        said.findings.append(f"{name} stays {stands}; {_quoted(told)}")


def _place(said: _Said, told: Mapping[str, object], settings: Settings) -> None:
    """Position of a site that is known by now, from the settings' site map."""
    is_new = {"site", "product"} & said.given.keys()
    if not is_new or {"x_mm", "y_mm"} & told.keys() or not _is_replaceable(said.m, "x_mm"):
        return
    product, site = (said.given.get(n, getattr(said.m, n)) or None for n in ("product", "site"))
    position = position_of(product, site, settings)
    if position is None and said.m.x_mm is None:
        return
    source = said.source[min(is_new, key=("site", "product").index)]
    for name, value in zip(("x_mm", "y_mm"), position or ("", ""), strict=True):
        said.give(name, str(value), source)


def _recognise(
    said: _Said, told: Mapping[str, object], unsettled: frozenset[str], settings: Settings
) -> None:
    """Kind by the settings' rules, which go before the folder's word but not before any other."""
    if not said.given or "kind" in told or "kind" in unsettled:
        return
    if not _is_replaceable(said.m, "kind"):
        return
    known = {name: _text(getattr(said.m, name)) for name in ASSIGNABLE} | said.given
    for rule in settings.kind:
        if rule.applies(known, said.m.file):
            if rule.kind != said.m.kind:
                said.give("kind", str(rule.kind), said.source.get(rule.field) or _any(said))
            return


def _any(said: _Said) -> str:
    return next(iter(said.source.values()))


def _is_unknown(m: Measurement, name: str) -> bool:
    value = getattr(m, name)
    return value is None or (name == "kind" and value == Kind.UNKNOWN)


def _is_replaceable(m: Measurement, name: str) -> bool:
    """Whether nobody but folder, site map, rules and run sheets has spoken of a field."""
    origin = m.origin.get(name)
    return origin.startswith(_REPLACEABLE) if origin else _is_unknown(m, name)


def _events(said: _Said, at: datetime, seen: int) -> list[EventRow]:
    by_source: dict[str, dict[str, str]] = {}
    for name, value in said.given.items():
        by_source.setdefault(said.source[name], {})[name] = value
    told = [(EventKind.ASSIGN, source, details) for source, details in by_source.items()]
    for name, claim in said.links:
        link = {"kind": str(LINK_FIELDS[name]), "target": claim.value, "by_name": "true"}
        told.append((EventKind.LINK, claim.source, link))
    return [
        EventRow(
            event_id=_hash(f"{said.m.measurement_id}|{source}|{sorted(details.items())}|{seen}"),
            kind=kind,
            subject=said.m.measurement_id,
            details=details | (kept_before(said.m, details) if kind is EventKind.ASSIGN else {}),
            who=source,
            why="the run sheet came after the scan"
            if any(details.values())
            else "the run sheets disagree",
            at=at,
        )
        for kind, source, details in told
    ]


def _finding(m: Measurement, text: str) -> FindingRow:
    return FindingRow(
        finding_id=_hash(f"{m.measurement_id}|run sheets|{text}"),
        measurement_id=m.measurement_id,
        check=Check.RUN_SHEETS,
        severity=Severity.DOUBT,
        text=text,
        version="1",
    )


def _quoted(told: Sequence[Claim]) -> str:
    return "; ".join(f"{claim.source} says {claim.value!r}" for claim in told)


def _text(value: object) -> str:
    return "" if value is None else str(value)


def _hash(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:32]
