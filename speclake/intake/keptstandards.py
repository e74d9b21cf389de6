"""Changes in the folders of certificates and programmes, put on record when they are seen.

The content of every version is kept, and the log of each instrument that it has to do with tells
what was changed, so that no state changes by an edit that nobody can look up.
"""

import json
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from typing import Any, NamedTuple
from uuid import uuid4

from speclake.archive.catalog import Catalog
from speclake.archive.lake import Lake
from speclake.archive.rows import Batch, EventKind, EventRow, StandardRow
from speclake.fitness.results import PROGRAMME_CHANGE
from speclake.intake.standardbook import StandardBook, Standards, standard_row
from speclake.standards.programmes import OfStandard

SETTINGS = "settings"
"""Who does what a person has written in a file of the archive."""

MOST_TOLD = 6
"""How many changes of one file the log tells."""


class _Entry(NamedTuple):
    """Which certificate or programme it is, from version to version."""

    sort: str
    name: str
    issued_on: str


def keep_standards(store: Lake, book: StandardBook) -> bool:
    """Put on record what has changed in the folders since it was last done; whether anything had.

    What is seen for the first time is kept without an entry in a log.

    Raises
    ------
    speclake.errors.BadSettings
        As `StandardBook.current`.
    """
    standards = book.current()
    if book.kept is standards:
        return False

    def prepare(catalog: Catalog) -> Batch | None:
        batch = changes(catalog, standards)
        return batch if batch.standards or batch.events else None

    why = "certificates or programmes were changed in their folders"
    commit = store.commit(prepare, who=SETTINGS, why=why, kind="standards")
    book.kept = standards
    if commit is not None:
        store.refresh()
    return commit is not None


def changes(catalog: Catalog, standards: Standards) -> Batch:
    """Rows of versions that the record does not hold, and entries of logs on what has changed."""
    written = [
        *map(standard_row, standards.certificates), *map(standard_row, standards.programmes)
    ]  # fmt: skip
    held = {row.standard_version: row for row in catalog.standards()}
    now = {_entry(row): row for row in written}
    was = _last_known(catalog, held)
    events = [
        event
        for entry in sorted({*now, *was})
        if entry in was and _version(now.get(entry)) != was[entry]
        for event in _events(entry, held.get(was[entry]), now.get(entry), standards)
    ]
    new = {row.standard_version: row for row in written if row.standard_version not in held}
    return Batch(standards=tuple(new.values()), events=tuple(events))


def _entry(row: StandardRow) -> _Entry:
    issued_on = _said(row).get("issued_on", "") if row.sort == "certificate" else ""
    return _Entry(row.sort, row.name, issued_on)


def _version(row: StandardRow | None) -> str:
    return "" if row is None else row.standard_version


def _last_known(catalog: Catalog, held: Mapping[str, StandardRow]) -> dict[_Entry, str]:
    """Version of each that was last on record; empty for one that was taken away since."""
    found = {_entry(row): row.standard_version for row in held.values()}
    told = sorted(
        (e for e in catalog.log_entries() if e.details.get("what") == PROGRAMME_CHANGE),
        key=lambda each: each.at,
    )
    for event in told:
        said = event.details
        entry = _Entry(said["sort"], said["name"], said.get("issued_on", ""))
        found[entry] = said.get("version", "")
    return found


def _events(
    entry: _Entry, before: StandardRow | None, after: StandardRow | None, standards: Standards
) -> Iterator[EventRow]:
    at = datetime.now(UTC)
    then, now = _said(before), _said(after)
    if after is None:
        note = f"{entry.sort} {entry.name} was taken away"
    elif before is None:
        note = f"{entry.sort} {entry.name} was written again"
    else:
        told = list(_differences(then, now))
        more = [f"and {len(told) - MOST_TOLD} more"] if len(told) > MOST_TOLD else []
        note = f"{entry.sort} {entry.name} was changed: {'; '.join([*told[:MOST_TOLD], *more])}"
    details = {
        "what": PROGRAMME_CHANGE, "when": at.isoformat(), "note": note, "sort": entry.sort,
        "name": entry.name, "issued_on": entry.issued_on, "version": _version(after),
        "version before": _version(before),
    }  # fmt: skip
    details = {name: text for name, text in details.items() if text}
    for instrument in _instruments(entry, then, now, standards):
        yield EventRow(
            event_id=uuid4().hex, kind=EventKind.LOG_INSTRUMENT, subject=instrument,
            details=details, who=SETTINGS, why=f"the file of the {entry.sort} was changed", at=at,
        )  # fmt: skip


def _instruments(
    entry: _Entry, then: Mapping[str, Any], now: Mapping[str, Any], standards: Standards
) -> list[str]:
    """Instruments that a certificate or a programme has to do with."""
    if entry.sort == "programme":
        return sorted({each["instrument"] for each in (then, now) if "instrument" in each})
    return sorted(
        {
            programme.instrument
            for programme in standards.programmes
            for check in programme.check
            if isinstance(check, OfStandard) and check.standard == entry.name
        }
    )


def _said(row: StandardRow | None) -> dict[str, Any]:
    found = {} if row is None else json.loads(row.content)
    return found if isinstance(found, dict) else {}


def _differences(then: Mapping[str, Any], now: Mapping[str, Any]) -> Iterator[str]:
    """What two versions say otherwise, check by check and key by key."""
    for key in sorted({*then, *now} - {"check"}):
        if then.get(key) != now.get(key):
            yield _changed(key, then.get(key), now.get(key))
    old, new = ({each["id"]: each for each in said.get("check", ())} for said in (then, now))
    for name in dict.fromkeys((*old, *new)):
        if name not in new:
            yield f"check {name} was taken out"
        elif name not in old:
            yield f"check {name} was added"
        else:
            for key in dict.fromkeys((*old[name], *new[name])):
                if old[name].get(key) != new[name].get(key):
                    said = _changed(key, old[name].get(key), new[name].get(key))
                    yield f"{said} of check {name}"


def _changed(key: str, then: object, now: object) -> str:
    if isinstance(then, list) and any(isinstance(each, dict) for each in then):
        return f"table {key}"
    return f"{key} from {_words(then)} to {_words(now)}"


def _words(value: object) -> str:
    if isinstance(value, list):
        return "-".join(map(str, value))
    return "nothing" if value is None else str(value)
