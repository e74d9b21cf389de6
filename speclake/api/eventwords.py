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
    if event.kind in (EventKind.PUT_ASIDE, EventKind.RELEASE):
        return _reviewed(said)
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


def _reviewed(said: Mapping[str, str]) -> str:
    """For which failed check, which reasons a release ends, and which stand beside or after it."""
    told = [
        ("for", said.get("failure", "")),
        ("ends the review for:", said.get("ends", "")),
        ("as the state before it, measurement", said.get("state_of", "")),
        ("under review for:", said.get("standing_why", "")),
    ]
    return ", ".join(f"{words} {text}" for words, text in told if text)


def named(word: str, number: str) -> str:
    """A number with what it is a number of, said once.

    Examples
    --------
    >>> named("report", "R-14"), named("report", "Report 26-014")
    ('report R-14', 'Report 26-014')
    """
    return number if number.lower().startswith(word) else f"{word} {number}"


_CORRECTION = {
    "standard": "standard {}",
    "certificate": "{}",
    "certificate_version": "version {}",
    "largest_uncertainty": "uncertainty up to {}",
    "at_nm": "at {} nm",
    "side_kept": "keeping the side of {} wavelengths",
    "window_nm": "over {} nm",
    "factor": "times {}",
    "offset": "{} added",
    "uncertainty_of_the_step": "uncertainty of the step {}",
}


def _corrected(said: Mapping[str, str]) -> str:
    """How a spectrum was corrected, under which identifier, and that it is not what is judged."""
    how = ", ".join(
        _CORRECTION.get(name, f"{name.replace('_', ' ')} {{}}").format(
            named(name, text) if name == "certificate" else text
        )
        for name, text in said.items()
        if name not in ("derived_id", "operation") and text
    )
    operation, spectrum = said.get("operation", "corrected"), said.get("derived_id", "")
    beside = f"spectrum {spectrum} beside the measured one, which alone is judged"
    return f"{operation} ({how}): {beside}"
