"""What people did, as a person reads it."""

import json
from collections.abc import Iterator, Mapping

from speclake.archive.rows import TOLD_BEFORE, EventKind, EventRow, before


def details_told(event: EventRow) -> str:
    """What an event says beside who, why and when, as a person reads it."""
    said = event.details
    if event.kind is EventKind.ASSIGN:
        return ", ".join(_assigned(said))
    if event.kind is EventKind.CORRECT:
        return _corrected(said)
    if event.kind is not EventKind.CONCEDE or "accepted" not in said:
        return ", ".join(f"{name}: {text}" for name, text in said.items())
    numbers = json.loads(said["accepted"])
    what = ", ".join(f"{each['requirement']} ({each['shown']})" for each in numbers)
    end = f", until {said['until']}" if said["until"] else ""
    return f"{what} of {', '.join(json.loads(said['parts']))} by {said['spec']}{end}"


def _assigned(said: Mapping[str, str]) -> Iterator[str]:
    """Each field that was assigned, with what stood in it before where the event keeps that."""
    for name, text in said.items():
        former = said.get(before(name), text)
        if name not in TOLD_BEFORE:
            yield f"{name}: {text}" + (f", before {former or 'unknown'}" if former != text else "")


def _corrected(said: Mapping[str, str]) -> str:
    """How a spectrum was corrected, under which identifier, and that it is not what is judged."""
    how = ", ".join(
        f"{name.replace('_', ' ')} {text}"
        for name, text in said.items()
        if name not in ("derived_id", "operation") and text
    )
    operation, spectrum = said.get("operation", "corrected"), said.get("derived_id", "")
    beside = f"spectrum {spectrum} beside the measured one, which alone is judged"
    return f"{operation} ({how}): {beside}"
