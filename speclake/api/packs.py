"""Validation packs: chosen measurements with their verdicts, kept to be judged again later.

A pack is an open file, ``validation/NAME.json``, that is written once. An event in the chain says
who kept it and why, and holds its SHA-256: a pack that was changed since is not used.
"""

import hashlib
import json
import platform
import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from speclake.api import events
from speclake.api.events import NotAllowed
from speclake.archive.lake import Lake
from speclake.archive.locations import LocalDisk
from speclake.archive.rows import EventKind, EventRow
from speclake.errors import ArchiveDamaged, NotFound
from speclake.intake.verdicts import verdicts_by_measurement
from speclake.judging.judgement import ENGINE_VERSION
from speclake.measurement import Measurement
from speclake.specs import Verdict

FOLDER = "validation"
FORM = 1
MOST = 10_000
"""Measurements in a pack: it is held as a whole while it is judged again."""

LIBRARIES = (
    "numpy", "scipy", "colour-science", "pyarrow", "duckdb", "polars", "pydantic",
)  # fmt: skip
"""Those that take part between a stored spectrum and its verdict."""

TOLD = ("product", "lot", "sample", "serial", "site", "file")
"""What is kept of a measurement for the people who read the file."""

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")


@dataclass(frozen=True)
class Pack:
    """A validation pack as it was kept.

    Parameters
    ----------
    content : the whole file, as in docs/validation.md.
    sha256 : of the file.
    kept : the event that says who kept it, when and why.
    """

    name: str
    content: Mapping[str, Any]
    sha256: str
    kept: EventRow

    @property
    def measurements(self) -> list[dict[str, Any]]:
        """The measurements, each with what is told of it, its hashes and its verdicts."""
        found: list[dict[str, Any]] = self.content["measurements"]
        return found

    @property
    def program(self) -> dict[str, str]:
        """Versions with which it was kept."""
        found: dict[str, str] = self.content["program"]
        return found


def program() -> dict[str, str]:
    """Versions of everything that has a part in a verdict here and now."""
    found = {"speclake": version("speclake"), "engine": ENGINE_VERSION}
    found["python"] = f"{platform.python_implementation()} {platform.python_version()}"
    found["machine"] = f"{platform.system()} {platform.machine()}"
    for library in LIBRARIES:
        try:
            found[library] = version(library)
        except PackageNotFoundError:
            found[library] = "not installed"
    return found


Version = tuple[str, str, str]
"""Of what, in which version then, and in which now."""


def other_versions(then: Mapping[str, str]) -> tuple[Version, ...]:
    """What of the versions that have a part in a verdict is otherwise here and now."""
    now = program()
    return tuple(
        (name, then.get(name, "unknown"), version)
        for name, version in now.items()
        if then.get(name) != version
    )


def keep(store: Lake, name: str, ids: Sequence[str], *, who: str, why: str) -> Pack:
    """Pack of measurements, each once, with the verdicts that stand, written and put on record.

    Raises
    ------
    speclake.api.events.NotAllowed
        The name is taken or cannot be one, there are too many measurements, or none with a
        verdict; or nobody, or no reason, is named.
    speclake.errors.NotFound
        The archive does not hold one of the measurements.
    """
    events.check_named(who, why)
    if not _NAME.fullmatch(name):
        raise NotAllowed(
            f"found the name {name!r}; expected letters, digits, '-', '_' and '.', a letter or "
            "digit first, at most 64"
        )
    ids = list(dict.fromkeys(ids))
    if not 0 < len(ids) <= MOST:
        raise NotAllowed(f"found {len(ids)} measurements; expected 1 to {MOST} in a pack")
    store.refresh()
    events.check_known(store.catalog, ids)
    content = _content(store, name, ids, who, why)
    data = json.dumps(content, ensure_ascii=False, allow_nan=False, indent=1).encode() + b"\n"
    place = _put(store.root, name, data)
    count = sum(len(each["verdicts"]) for each in content["measurements"])
    details = {
        "file": place,
        "sha256": hashlib.sha256(data).hexdigest(),
        "measurements": str(len(ids)),
        "verdicts": str(count),
    } | content["program"]
    events.record(store, EventKind.KEEP_VALIDATION, [name], details, who=who, why=why)
    return read(store, name)


def _content(store: Lake, name: str, ids: Sequence[str], who: str, why: str) -> dict[str, Any]:
    catalog, head = store.catalog, store.head()
    by_measurement = verdicts_by_measurement(catalog, ids)
    if not by_measurement:
        raise NotAllowed("found no verdict on any of the measurements; expected some to compare")
    versions = {v.spec_version for verdicts in by_measurement.values() for v in verdicts}
    rows = {each: catalog.specification(each) for each in sorted(versions)}
    return {
        "speclake_validation": FORM,
        "name": name,
        "kept_at": datetime.now(UTC).isoformat(timespec="seconds"),
        "who": who,
        "why": why,
        "program": program(),
        "commit": head.number if head else 0,
        "head": head.hash if head else "",
        "specifications": {
            each: {"name": row.spec, "revision": row.revision, "content": json.loads(row.content)}
            for each, row in rows.items()
            if row is not None
        },
        "measurements": [
            _told(m, by_measurement.get(m.measurement_id, ())) for m in catalog.measurements(ids)
        ],
    }


def _told(m: Measurement, verdicts: Sequence[Verdict]) -> dict[str, Any]:
    return {
        "measurement_id": m.measurement_id,
        "scan_sha256": m.scan_sha256,
        "values_sha256": m.values_sha256,
        **{name: getattr(m, name) for name in TOLD},
        "verdicts": [as_data(each) for each in verdicts],
    }


def as_data(verdict: Verdict) -> dict[str, Any]:
    """Verdict as JSON has it; every float comes back to the last bit."""
    found: dict[str, Any] = json.loads(json.dumps(asdict(verdict), allow_nan=False))
    del found["measurement_id"]
    return found


def _put(root: Path, name: str, data: bytes) -> str:
    """Place of a pack below the archive's folder, once it lies there."""
    disk = LocalDisk()
    disk.make_folders(root / FOLDER)
    place = f"{FOLDER}/{name}.json"
    try:
        disk.put_if_absent(root / place, data)
    except FileExistsError as error:
        raise NotAllowed(
            f"{place} is there already; a pack is never replaced: choose another name"
        ) from error
    return place


def read(store: Lake, name: str) -> Pack:
    """Pack of a name, held against the record.

    Raises
    ------
    speclake.errors.NotFound
        Nobody kept one of this name.
    speclake.errors.ArchiveDamaged
        Its file is gone or is not what was kept.
    """
    kept = store.catalog.events_among(EventKind.KEEP_VALIDATION, [name])
    if not kept:
        known = ", ".join(each.name for each in listed(store)) or "none"
        raise NotFound(f"found no validation pack {name!r}; there are: {known}")
    data = _bytes_of(store.root, kept[-1])
    return Pack(name, json.loads(data), hashlib.sha256(data).hexdigest(), kept[-1])


def _bytes_of(root: Path, kept: EventRow) -> bytes:
    """File of a pack, if it is the one that was kept."""
    place, expected = kept.details["file"], kept.details["sha256"]
    try:
        data = (root / place).read_bytes()
    except FileNotFoundError as error:
        raise ArchiveDamaged(f"{place}: found no file; expected the validation pack") from error
    sha256 = hashlib.sha256(data).hexdigest()
    if sha256 != expected:
        raise ArchiveDamaged(
            f"{place}: found SHA-256 {sha256}; expected {expected}, as {kept.who} kept it on "
            f"{kept.at:%Y-%m-%d}"
        )
    return data


@dataclass(frozen=True)
class Listed:
    """A pack in a list.

    Parameters
    ----------
    kept, validated : the events that kept it, and that judged it again last if one did.
    trouble : what is wrong with its file; empty where that is the one that was kept.
    other_versions : what has another version now than when it was judged last; then it is due.
    """

    name: str
    kept: EventRow
    validated: EventRow | None
    trouble: str
    other_versions: tuple[Version, ...]


def _trouble(root: Path, kept: EventRow) -> str:
    try:
        _bytes_of(root, kept)
    except ArchiveDamaged as error:
        return str(error)
    return ""


def listed(store: Lake) -> list[Listed]:
    """All packs that somebody kept, by name, whether their files are whole or not."""
    kept = store.catalog.events_among(EventKind.KEEP_VALIDATION)
    last = {e.subject: e for e in store.catalog.events_among(EventKind.VALIDATE)}
    by_name = {each.subject: each for each in kept}
    return [
        Listed(
            name=name,
            kept=by_name[name],
            validated=last.get(name),
            trouble=_trouble(store.root, by_name[name]),
            other_versions=other_versions(last.get(name, by_name[name]).details),
        )
        for name in sorted(by_name)
    ]
