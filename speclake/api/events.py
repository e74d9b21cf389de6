"""What people do to measurements: events that stand beside the record and never rewrite it."""

import uuid
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from speclake.archive.catalog import Catalog
from speclake.archive.lake import Lake
from speclake.archive.rows import Batch, EventKind, EventRow
from speclake.errors import NotFound, SpeclakeError
from speclake.intake.resolving import typed_field
from speclake.measurement import ASSIGNABLE, LinkKind


class NotAllowed(SpeclakeError, ValueError):
    """Something that a person asked for cannot be recorded as it stands."""


def record(
    store: Lake,
    kind: EventKind,
    subjects: Sequence[str],
    details: Mapping[str, str],
    *,
    who: str,
    why: str,
    with_it: Callable[[Catalog], Batch] = lambda _: Batch(),
    kept: Callable[[Catalog], Mapping[str, Mapping[str, str]]] = lambda _: {},
) -> int:
    """Number of events committed, one for each subject, together with what follows from them.

    Parameters
    ----------
    with_it : what the same commit adds besides, such as the verdicts that change.
    kept : more details of each subject, such as what stood in its fields before.

    Raises
    ------
    NotAllowed
        Nobody, or no reason, is named.
    """
    check_named(who, why)

    def prepare(catalog: Catalog) -> Batch | None:
        if not subjects:
            return None
        batch, more = with_it(catalog), kept(catalog)
        return replace(
            batch,
            events=tuple(
                event(kind, each, {**details, **more.get(each, {})}, who=who, why=why)
                for each in subjects
            ),
        )

    commit = store.commit(prepare, who=who, why=why, kind=kind.value)
    store.refresh()
    return len(subjects) if commit else 0


def check_named(who: str, why: str) -> None:
    """Refuse what nobody does, or does without a reason.

    Raises
    ------
    NotAllowed
        One of the two is empty.
    """
    if not who.strip() or not why.strip():
        raise NotAllowed("an event needs who did it and why; found one of them empty")


def event(
    kind: EventKind, subject: str, details: Mapping[str, str], *, who: str, why: str
) -> EventRow:
    """Event that happens now, under an identifier of its own."""
    return EventRow(
        event_id=uuid.uuid4().hex,
        kind=kind,
        subject=subject,
        details=dict(details),
        who=who,
        why=why,
        at=datetime.now(UTC),
    )


def check_known(catalog: Catalog, ids: Sequence[str]) -> None:
    """Refuse identifiers that the archive does not hold.

    Raises
    ------
    speclake.errors.NotFound
        It names the first of them.
    """
    unknown = sorted(set(ids) - catalog.known_ids(ids))
    if unknown:
        raise NotFound(f"found no measurement {unknown[0]!r}; `speclake find` lists them")


def check_link(catalog: Catalog, measurement_id: str, kind: LinkKind, target: str) -> None:
    """Refuse a link to nothing, to itself, or one by which two would supersede each other.

    Raises
    ------
    speclake.errors.NotFound, NotAllowed
        As said.
    """
    check_known(catalog, [measurement_id, target])
    if target == measurement_id:
        raise NotAllowed(f"found {target!r} linked to itself; expected two measurements")
    newer: str | None = measurement_id
    while kind is LinkKind.SUPERSEDES and newer is not None:
        newer = catalog.row(newer)["superseded_by"]
        if newer == target:
            raise NotAllowed(
                f"{target!r} supersedes {measurement_id!r} already; expected no circle"
            )


def checked_fields(fields: Mapping[str, str]) -> dict[str, Any]:
    """Values of fields given as text, each of a known name and a fitting value.

    Raises
    ------
    NotAllowed
        A name or value is none; the message says which are allowed.
    """
    values: dict[str, Any] = {}
    for name, text in fields.items():
        if not text.strip():
            raise NotAllowed(f"{name}: found nothing; expected a value")
        if name not in ASSIGNABLE:
            raise NotAllowed(f"found the field {name!r}; expected one of {', '.join(ASSIGNABLE)}")
        try:
            values[name] = typed_field(name, text)
        except ValueError as error:
            raise NotAllowed(f"{name}: found {text!r}; expected {error}") from error
    return values
