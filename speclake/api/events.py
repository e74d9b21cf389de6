"""What people do to measurements: events that stand beside the record and never rewrite it."""

import uuid
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime

from speclake.archive.catalog import Catalog
from speclake.archive.lake import Lake
from speclake.archive.rows import Batch, EventKind, EventRow
from speclake.errors import NotFound, SpeclakeError
from speclake.intake.resolving import typed_field
from speclake.measurement import ASSIGNABLE


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
    now: Callable[[], datetime],
    of_measurements: bool = True,
) -> int:
    """Number of events committed, one for each subject.

    Raises
    ------
    NotAllowed
        Nobody, or no reason, is named.
    speclake.errors.NotFound
        A measurement is not in the archive.
    """
    if not who.strip() or not why.strip():
        raise NotAllowed("an event needs who did it and why; found one of them empty")

    def prepare(catalog: Catalog) -> Batch | None:
        if of_measurements:
            unknown = sorted(set(subjects) - catalog.known_ids(subjects))
            if unknown:
                raise NotFound(f"found no measurement {unknown[0]!r}; `speclake find` lists them")
        events = tuple(
            EventRow(
                event_id=uuid.uuid4().hex,
                kind=kind,
                subject=subject,
                details=dict(details),
                who=who,
                why=why,
                at=now(),
            )
            for subject in subjects
        )
        return Batch(events=events) if events else None

    commit = store.commit(prepare, who=who, why=why, kind=kind.value)
    return len(subjects) if commit else 0


def checked_fields(fields: Mapping[str, str]) -> dict[str, str]:
    """Fields as given, each of a known name and a fitting value.

    Raises
    ------
    NotAllowed
        A name or value is none; the message says which are allowed.
    """
    for name, text in fields.items():
        if name not in ASSIGNABLE:
            raise NotAllowed(f"found the field {name!r}; expected one of {', '.join(ASSIGNABLE)}")
        try:
            typed_field(name, text)
        except ValueError as error:
            raise NotAllowed(f"{name}: found {text!r}; expected {error}") from error
    return dict(fields)
