"""Judging a validation pack again: whatever comes out otherwise than it was kept.

After an upgrade of the program, of a library or of a machine this is what shows that past results
still hold: see ISO/IEC 17025:2017, 7.11.2 (functions of a system are validated before use, and
again when it has changed).
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from speclake import tomlfile
from speclake.api import events
from speclake.api.packs import Pack, Version, as_data, other_versions, program, read
from speclake.archive.lake import Lake
from speclake.archive.rows import EventKind
from speclake.errors import BadSettings
from speclake.intake.verdicts import CHUNK, Judge
from speclake.measurement import Measurement
from speclake.specs import Specification

SCAN = "the scan"
"""What a change is about where it is of no single requirement."""

HASHES = ("scan_sha256", "values_sha256")
ABOUT = frozenset({"spec", "spec_version", "requirement", "engine_version"})
"""Fields of a verdict by which it is found, or that are told apart from it."""

MOST_NOTED = 1_000
"""Changes that the event names one by one; it counts all."""


@dataclass(frozen=True)
class Change:
    """One thing that comes out otherwise.

    Parameters
    ----------
    requirement : whose verdict it is of, or ``the scan``.
    field : of the verdict or of the measurement; empty for a verdict as a whole.
    before, after : as kept and as found now; numbers with all their digits.
    """

    measurement_id: str
    requirement: str
    field: str
    before: str
    after: str

    @property
    def sentence(self) -> str:
        """The change as one line."""
        about = f"{self.measurement_id}, {self.requirement}"
        if not self.field:
            return f"{about}: {self.before or 'no verdict'} is now {self.after or 'no verdict'}"
        return f"{about}: {self.field} {self.before} is now {self.after}"


@dataclass(frozen=True)
class Validation:
    """What became of a pack that was judged again.

    Parameters
    ----------
    program : versions with which it was done.
    other_program : what of these was otherwise when the pack was kept: name, then and now.
    measurements, verdicts : how many were judged and compared.
    """

    pack: Pack
    program: Mapping[str, str]
    other_program: tuple[Version, ...]
    measurements: int
    verdicts: int
    changes: tuple[Change, ...]


def validate(store: Lake, step: Judge, name: str, *, who: str, why: str) -> Validation:
    """Pack judged again, each verdict by the version of its specification, and put on record.

    Raises
    ------
    speclake.errors.NotFound, speclake.errors.ArchiveDamaged
        There is no such pack, or its file or a measurement is not what was kept.
    speclake.api.events.NotAllowed
        Nobody, or no reason, is named.
    """
    events.check_named(who, why)
    store.refresh()
    pack = read(store, name)
    changes = tuple(_changes(store, step, pack))
    found = Validation(
        pack=pack,
        program=program(),
        other_program=other_versions(pack.program),
        measurements=len(pack.measurements),
        verdicts=sum(len(each["verdicts"]) for each in pack.measurements),
        changes=changes,
    )
    events.record(store, EventKind.VALIDATE, [name], _details(found), who=who, why=why)
    return found


def _details(found: Validation) -> dict[str, str]:
    """What the record keeps of a validation."""
    noted = [each.sentence for each in found.changes[:MOST_NOTED]]
    if len(noted) < len(found.changes):
        noted.append(f"and {len(found.changes) - len(noted)} more")
    return {
        "sha256": found.pack.sha256,
        "measurements": str(found.measurements),
        "verdicts": str(found.verdicts),
        "changes": str(len(found.changes)),
        "changed": "\n".join(noted),
        **found.program,
    }


def _changes(store: Lake, step: Judge, pack: Pack) -> Iterator[Change]:
    kept = {each["measurement_id"]: each for each in pack.measurements}
    by_version: dict[str, list[str]] = {}
    for key, each in kept.items():
        for version in dict.fromkeys(v["spec_version"] for v in each["verdicts"]):
            by_version.setdefault(version, []).append(key)
    yield from _changed_scans(store, kept)
    for version, ids in by_version.items():
        content = pack.content["specifications"][version]["content"]
        try:
            place = f"specification of version {version[:8]} in {pack.kept.details['file']}"
            specification = tomlfile.check(content, place, Specification)
        except BadSettings as error:
            yield from _unreadable(kept, version, ids, str(error))
            continue
        for start in range(0, len(ids), CHUNK):
            measurements = store.catalog.measurements(ids[start : start + CHUNK])
            yield from _changed_verdicts(store, step, specification, version, measurements, kept)


def _changed_scans(store: Lake, kept: Mapping[str, Mapping[str, Any]]) -> Iterator[Change]:
    """Measurements whose scan or values are not those that were kept."""
    for m in store.catalog.measurements(list(kept)):
        for field in HASHES:
            before, after = kept[m.measurement_id][field], getattr(m, field)
            if before != after:
                yield Change(m.measurement_id, SCAN, field, before, after)


def _unreadable(
    kept: Mapping[str, Mapping[str, Any]], version: str, ids: Sequence[str], why: str
) -> Iterator[Change]:
    """Verdicts that cannot be made again, since this program cannot read their specification."""
    for key in ids:
        for verdict in kept[key]["verdicts"]:
            if verdict["spec_version"] == version:
                yield Change(key, verdict["requirement"], "", verdict["outcome"], why)


def _changed_verdicts(
    store: Lake,
    step: Judge,
    specification: Specification,
    version: str,
    measurements: Sequence[Measurement],
    kept: Mapping[str, Mapping[str, Any]],
) -> Iterator[Change]:
    """How verdicts by one specification differ from those that were kept."""
    if specification.version != version:
        where = measurements[0].measurement_id
        yield Change(where, SCAN, "spec_version", version, specification.version)
    judged = step.again(
        store, store.catalog, measurements, why="validation", spec=specification
    ).verdicts
    now: dict[str, dict[str, dict[str, Any]]] = {m.measurement_id: {} for m in measurements}
    for verdict in judged:
        now[verdict.measurement_id][verdict.requirement] = as_data(verdict)
    for m in measurements:
        verdicts = kept[m.measurement_id]["verdicts"]
        before = {v["requirement"]: v for v in verdicts if v["spec_version"] == version}
        after = now[m.measurement_id]
        for name in (*before, *(name for name in after if name not in before)):
            yield from _compared(m.measurement_id, name, before.get(name), after.get(name))


def _compared(
    key: str, name: str, before: Mapping[str, Any] | None, after: Mapping[str, Any] | None
) -> Iterator[Change]:
    """What differs between a verdict as kept and as made now, field by field.

    A field that the pack does not have yet was unknown to the program that kept it.
    """
    if before is None or after is None:
        outcomes = [each["outcome"] if each else "" for each in (before, after)]
        yield Change(key, name, "", *outcomes)
        return
    for field, value in before.items():
        if field not in ABOUT and after.get(field) != value:
            yield Change(key, name, field, _text(value), _text(after.get(field)))


def _text(value: Any) -> str:
    return "none" if value is None else value if isinstance(value, str) else repr(value)
