"""From a spectrum and its file to a measurement: which part, what kind, how measured, when.

Facts come from the header, a run sheet, and the names of file and folders. Where two of these
disagree on a field, the field stays unknown and the disagreement is listed for a person; the
constants of a folder only fill what nobody else states.
"""

import hashlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from speclake.intake.configurations import (
    CHANGEOVERS,
    changeovers_stated,
    configuration_in_force,
)
from speclake.intake.runsheets import RunSheet, Scan, claims, day_of
from speclake.intake.times import resolve_times, time_of_day
from speclake.measurement import (
    ASSIGNABLE,
    BEAM_FIELDS,
    FIELDS,
    Correction,
    Kind,
    Link,
    LinkKind,
    Measurement,
    Range,
    identity_of,
    measurement_id,
)
from speclake.settings import Configuration, Folder, Pattern, Settings
from speclake.spectrum import Spectrum

TRUE_WORDS = frozenset({"yes", "true", "on", "1"})
FALSE_WORDS = frozenset({"no", "false", "off", "0"})

NOT_GIVEN = "neither header, name nor run sheet gives it"
NO_KIND = "nothing says what was in the beam"

LINK_FIELDS = {
    "measured_against": LinkKind.MEASURED_AGAINST,
    "repeat_of": LinkKind.REPEAT_OF,
    "witness_for": LinkKind.WITNESS_FOR,
    "segment_of": LinkKind.SEGMENT_OF,
}


@dataclass(frozen=True)
class FileFacts:
    """What is known of a file before its content is looked at.

    `unpacked` is its path, were the zip unpacked that it lies in; for others the path itself.
    """

    file_id: str
    path: str
    saved_at: datetime | None
    arrived_at: datetime
    unpacked: str = ""

    def path_for(self, pattern: Pattern) -> str:
        """Path that a naming pattern is held against: with the zip only if it names one."""
        return self.path if ".zip/" in pattern.path.lower() else self.unpacked or self.path


@dataclass(frozen=True)
class Reader:
    """Who read the spectra: kept with every measurement."""

    importer: str
    version: str
    format: str | None = None

    @property
    def identity(self) -> tuple[str, str, str]:
        """Canonical text for identifiers."""
        return (self.importer, self.version, self.format or "")


@dataclass
class _Stated:
    """Fields as text, where each came from, and what could not be settled."""

    values: dict[str, str]
    origin: dict[str, str]
    unresolved: list[str]


def measurement_of(
    spectrum: Spectrum,
    facts: FileFacts,
    reader: Reader,
    folder: Folder,
    settings: Settings,
    sheets: Sequence[RunSheet] = (),
) -> Measurement:
    """Measurement with everything that header, names and run sheets say of it."""
    stated = _gather(spectrum, facts, folder, settings, sheets)
    typed = _typed(stated)
    kind = _kind(stated, facts.path, settings)
    times = resolve_times(
        stated.values.get("scanned"), facts.saved_at, facts.arrived_at, settings.zone,
        settings.clock_skew,
    )  # fmt: skip
    _place_site(typed, stated, settings)
    configuration = configuration_in_force(
        settings, typed.get("instrument"), typed.get("accessory"), spectrum.quantity,
        typed.get("method"), times.trusted_at.date(),
    )  # fmt: skip
    _note_needs(kind, typed, stated, settings)
    path, unread = _beam_path(stated, settings)
    changeovers = _changeovers(stated, unread, configuration)
    values_hash = _values_hash(spectrum)
    facts_known: dict[str, Any] = {
        "file_id": facts.file_id,
        "file": facts.path,
        "place": spectrum.place,
        "importer": reader.importer,
        "importer_version": reader.version,
        "format": reader.format,
        "scan_sha256": _scan_hash(values_hash, spectrum.header),
        "values_sha256": values_hash,
        "header": dict(spectrum.header),
        "notes": (*spectrum.notes, *unread),
        "kind": kind,
        "quantity": spectrum.quantity,
        "unit": spectrum.unit,
        "axis_id": spectrum.axis.id,
        "axis_unit": spectrum.axis.unit,
        "medium": spectrum.axis.medium,
        "points": len(spectrum.axis),
        "axis_first": float(spectrum.axis.values[0]),
        "axis_last": float(spectrum.axis.values[-1]),
        "scan_direction": spectrum.scan_direction,
        "ranges": _ranges(stated, spectrum, configuration),
        "changeovers": changeovers,
        "origin": stated.origin,
        "unresolved": tuple(stated.unresolved),
        "links": _links(stated),
        **times.as_fields(),
        **path,
        **typed,
    }
    return Measurement(measurement_id=_identifier(facts_known, reader), **facts_known)


def _identifier(known: Mapping[str, Any], reader: Reader) -> str:
    """Identifier from content, place, identity and reader."""
    return measurement_id(
        known["scan_sha256"], known["place"], identity_of(known.get), reader.identity
    )


def _gather(
    spectrum: Spectrum,
    facts: FileFacts,
    folder: Folder,
    settings: Settings,
    sheets: Sequence[RunSheet],
) -> _Stated:
    stated = _Stated({}, {}, [])
    sources: list[tuple[str, Mapping[str, str]]] = [("header", spectrum.fields)]
    for pattern in settings.patterns_of(folder):
        if (found := pattern.fields(facts.path_for(pattern))) is not None:
            sources.append((f"pattern {pattern.name}", found))
            break
    scan = Scan(
        facts.path,
        spectrum.place,
        _one_value(sources, "run"),
        day_of(_one_value(sources, "scanned"), settings.zone),
    )
    for name, said in claims(sheets, scan).items():
        sources += [(claim.source, {name: claim.value}) for claim in said]
    told = {name for _, fields in sources for name in fields}
    for name in (name for name in FIELDS if name in told):
        _settle(stated, name, [(s, f[name].strip()) for s, f in sources if f.get(name, "").strip()])
    for name, value in folder.fields.items():
        if name not in stated.values and not any(
            u.startswith(f"{name}:") for u in stated.unresolved
        ):
            stated.values[name], stated.origin[name] = value, f"folder {folder.name}"
    return stated


def _one_value(sources: Sequence[tuple[str, Mapping[str, str]]], name: str) -> str | None:
    """What header and names say of a field; None where they say nothing or disagree."""
    values = {text for _, fields in sources if (text := fields.get(name, "").strip())}
    return values.pop() if len(values) == 1 else None


def _settle(stated: _Stated, name: str, claims: list[tuple[str, str]]) -> None:
    if not claims:
        return
    if len({value for _, value in claims}) > 1:
        told = "; ".join(f"{source} says {value!r}" for source, value in claims)
        stated.unresolved.append(f"{name}: {told}")
        return
    source, value = claims[0]
    stated.values[name], stated.origin[name] = value, source


def _typed(stated: _Stated) -> dict[str, Any]:
    """Assignable fields in their types; text that does not fit its type stays unresolved."""
    typed: dict[str, Any] = {}
    for name, text in stated.values.items():
        if name not in ASSIGNABLE or name == "kind":
            continue
        try:
            typed[name] = typed_field(name, text)
        except ValueError as error:
            stated.unresolved.append(f"{name}: found {text!r}; expected {error}")
            stated.origin.pop(name, None)
    return typed


def typed_field(name: str, text: str) -> Any:
    """Value of an assignable field from its text.

    Raises
    ------
    ValueError
        The text does not fit; the message says what is expected.
    """
    kind = FIELDS[name]
    if name == "correction":
        return _word(text, Correction)
    if name == "kind":
        return _word(text, Kind)
    if name == "polarisation":
        return _polarisation(text)
    if name == "bounces":
        if not re.fullmatch(r"\d+", text):
            raise ValueError("a whole number")
        return int(text)
    if kind == "number":
        if not re.fullmatch(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", text):
            raise ValueError("a number with a decimal point")
        return float(text)
    if kind == "flag":
        if text.lower() not in TRUE_WORDS | FALSE_WORDS:
            raise ValueError("yes or no")
        return text.lower() in TRUE_WORDS
    return text


def _polarisation(text: str) -> str:
    """As s, p, unpolarised or depolarised, or the angle of the polariser in degrees."""
    word = text.strip().lower().replace("polarized", "polarised")
    if word in ("s", "p", "unpolarised", "depolarised") or re.fullmatch(r"\d+(\.\d+)?", word):
        return word
    raise ValueError("s, p, unpolarised, depolarised, or the angle of the polariser in degrees")


def _word(text: str, vocabulary: type[Kind] | type[Correction]) -> Kind | Correction:
    try:
        return vocabulary(text.lower())
    except ValueError:
        raise ValueError("one of " + ", ".join(repr(str(w)) for w in vocabulary)) from None


def _kind(stated: _Stated, path: str, settings: Settings) -> Kind:
    """Kind as stated by header, sheet or name; else by the rules; else as the folder says."""
    text = stated.values.get("kind")
    if text is not None and not stated.origin["kind"].startswith("folder "):
        return _stated_kind(text, stated)
    for rule in settings.kind:
        if rule.applies(stated.values, path):
            stated.origin["kind"] = f"rule {rule.field} {rule.matches!r}"
            return rule.kind
    return _stated_kind(text, stated) if text is not None else Kind.UNKNOWN


def _stated_kind(text: str, stated: _Stated) -> Kind:
    try:
        return Kind(text.lower())
    except ValueError:
        known = ", ".join(repr(str(k)) for k in Kind)
        stated.unresolved.append(f"kind: found {text!r}; expected one of {known}")
        return Kind.UNKNOWN


def disputed(unresolved: Sequence[str]) -> frozenset[str]:
    """Fields that are unknown although something was said of them: only a person settles these."""
    told = (entry.partition(": ") for entry in unresolved)
    return frozenset(name for name, _, why in told if why not in (NOT_GIVEN, NO_KIND))


def _place_site(typed: dict[str, Any], stated: _Stated, settings: Settings) -> None:
    site = typed.get("site")
    if site is None or "x_mm" in typed or "y_mm" in typed:
        return
    if (found := position_of(typed.get("product"), site, settings)) is not None:
        typed["x_mm"], typed["y_mm"] = found
        stated.origin["x_mm"] = stated.origin["y_mm"] = "site map of the settings"


def position_of(
    product: str | None, site: str | None, settings: Settings
) -> tuple[float, float] | None:
    """Where a site lies, in mm from the centre of the part, if the settings map it."""
    for sites in settings.site_map:
        if product in sites.products and site in sites.sites:
            return sites.sites[site]
    return None


def _changeovers(
    stated: _Stated, unread: list[str], configuration: Configuration | None
) -> tuple[float, ...]:
    """Change-overs in nm that are stated, else those of the configuration."""
    text = stated.values.get(CHANGEOVERS)
    if text is not None:
        try:
            return changeovers_stated(text)
        except ValueError as error:
            unread.append(f"{CHANGEOVERS} not read: found {text!r}; expected {error}")
            del stated.origin[CHANGEOVERS]
    return configuration.changeovers_nm if configuration else ()


def _ranges(
    stated: _Stated, spectrum: Spectrum, configuration: Configuration | None
) -> tuple[Range, ...]:
    """Header's own statement for the whole axis, else the ranges of the configuration."""
    numbers: dict[str, float] = {}
    told = ("bandwidth_nm", "interval_nm", "response_s")
    for name in told:
        if name in stated.values:
            try:
                numbers[name] = typed_field(name, stated.values[name])
            except ValueError as error:
                stated.unresolved.append(f"{name}: found {stated.values[name]!r}; expected {error}")
    if numbers:
        first, last = (float(v) for v in spectrum.axis.values[[0, -1]])
        bandwidth, interval, response = (numbers.get(name) for name in told)
        return (Range(first, last, bandwidth, interval, response),)
    if configuration is None or spectrum.axis.unit != "nm":
        return ()
    return tuple(
        Range(r.start_nm, r.stop_nm, r.bandwidth_nm, r.interval_nm, r.response_s, r.detector)
        for r in configuration.ranges
    )


def _beam_path(stated: _Stated, settings: Settings) -> tuple[dict[str, Any], list[str]]:
    """Baseline, purge and averaging as stated, and notes on what of it could not be read."""
    read: dict[str, Any] = {}
    notes = []
    for name in (name for name in BEAM_FIELDS if name in stated.values):
        text = stated.values[name]
        try:
            read[name] = _beam_field(name, text, settings)
        except ValueError as error:
            notes.append(f"{name} not read: found {text!r}; expected {error}")
            del stated.origin[name]
    return read, notes


def _beam_field(name: str, text: str, settings: Settings) -> datetime | float:
    if FIELDS[name] == "time":
        return time_of_day(text, settings.zone)
    value, least = float(typed_field(name, text)), 1 if name == "averages" else 0
    if not least <= value < float("inf"):
        raise ValueError(f"a number of at least {least}")
    return value


def _links(stated: _Stated) -> tuple[Link, ...]:
    return tuple(
        Link(kind, stated.values[name], by_name=True, evidence=stated.origin[name])
        for name, kind in LINK_FIELDS.items()
        if name in stated.values
    )


def _note_needs(kind: Kind, typed: Mapping[str, Any], stated: _Stated, settings: Settings) -> None:
    """List what a part lacks to be found again, and a kind that nobody told."""
    if kind is Kind.UNKNOWN:
        if not any(u.startswith("kind:") for u in stated.unresolved):
            stated.unresolved.append(f"kind: {NO_KIND}")
        return
    if kind not in (Kind.PART, Kind.WITNESS):
        return
    for need in settings.part_needs:
        names = need.split(" or ")
        told = any(u.split(":")[0] in names for u in stated.unresolved)
        if not told and not any(name in typed for name in names):
            stated.unresolved.append(f"{need}: {NOT_GIVEN}")


def _values_hash(spectrum: Spectrum) -> str:
    digest = hashlib.sha256(f"{spectrum.axis.id}|{spectrum.unit}|".encode())
    digest.update(spectrum.values.astype("<f8").tobytes())
    return digest.hexdigest()


def _scan_hash(values_hash: str, header: Mapping[str, str]) -> str:
    entries = "\x1e".join(f"{key}\x1f{value}" for key, value in sorted(header.items()))
    return hashlib.sha256(f"{values_hash}|{entries}".encode()).hexdigest()
