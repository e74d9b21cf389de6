"""People's words on which spectrum of a place counts, from the record."""

from collections.abc import Sequence

from speclake.archive.catalog import Catalog
from speclake.archive.rows import EventKind
from speclake.judging.repeats import Choice

TAKEN_BACK = "taken back"
"""Detail of an event that ends the choice of a measurement."""


def choices_of(catalog: Catalog, ids: Sequence[str]) -> dict[str, Choice]:
    """Choice that stands for each of the measurements of which there is one, the last one last."""
    standing: dict[str, Choice] = {}
    for event in catalog.events_among(EventKind.COUNT, ids):
        standing.pop(event.subject, None)
        if TAKEN_BACK not in event.details:
            standing[event.subject] = Choice(event.who, event.why, event.at)
    return standing
