"""Which of several spectra of one place counts, and how many parts a lot has: a person's word."""

from datetime import UTC, datetime
from typing import TYPE_CHECKING

from speclake.api.events import NotAllowed
from speclake.api.partrecords import counts
from speclake.api.parts import EVERYTHING, SIZE
from speclake.archive.catalog import Catalog, Query
from speclake.errors import NotFound
from speclake.intake.choices import choices_of
from speclake.intake.verdicts import current_verdicts, specification_of
from speclake.judging.repeats import Choice
from speclake.measurement import Kind

if TYPE_CHECKING:
    from speclake.api import Archive

CHOOSABLE = ("latest", "chosen")
"""Rules for repeats that let a person choose."""


def checked_choice(catalog: Catalog, measurement_id: str, who: str, why: str) -> Choice:
    """Choice of a measurement, if one of the specifications that judge it lets a person choose.

    Raises
    ------
    speclake.errors.NotFound
        The archive holds no such measurement.
    speclake.api.events.NotAllowed
        The measurement does not count at all, or no specification lets a person choose.
    """
    row = catalog.row(measurement_id)
    if not counts(row):
        raise NotAllowed(
            f"{measurement_id} is withdrawn, superseded or in conflict; expected one that counts"
        )
    judged = [measurement_id, *catalog.drawing_on([measurement_id])]
    versions = {each.spec_version for each in current_verdicts(catalog, judged)}
    specifications = [specification_of(catalog, version) for version in sorted(versions)]
    if not any(each.repeats.count in CHOOSABLE for each in specifications):
        rules = ", ".join(
            sorted({f'{each.name} has count = "{each.repeats.count}"' for each in specifications})
        )
        raise NotAllowed(
            f"no specification of {measurement_id} lets a person choose which repeat counts "
            f"({rules or 'none judges it'}); expected one whose [repeats] has count = "
            '"latest" or "chosen"'
        )
    return Choice(who, why, datetime.now(UTC))


def check_chosen(catalog: Catalog, measurement_id: str) -> None:
    """Refuse to take back a choice that was not made.

    Raises
    ------
    speclake.api.events.NotAllowed
        No choice of the measurement stands.
    """
    if measurement_id not in choices_of(catalog, [measurement_id]):
        raise NotAllowed(f"no record says that {measurement_id} counts alone; nothing to take back")


def places_of(archive: "Archive", measurement_id: str) -> list[str]:
    """What now counts where a measurement is one of several of a place, in words."""
    row = archive.store.catalog.row(measurement_id)
    names = ("lot", "serial", "sample") if row["kind"] == Kind.PART else ("lot",)
    query = {name: row[name] for name in names if row[name] is not None}
    if not query:
        return []
    repeated = [
        place
        for part in archive.part_verdicts(**query)
        for each in part.specs
        for place in each.verdict.repeated
    ]
    told = {
        place.in_words: None
        for place in repeated
        if any(each.measurement_id == measurement_id for each in place.spectra)
    }
    return list(told)


def checked_size(catalog: Catalog, lot: str, size: int) -> dict[str, str]:
    """Details of the event that states the size of a lot.

    Raises
    ------
    speclake.errors.NotFound
        No measurement is of the lot.
    speclake.api.events.NotAllowed
        The size is none.
    """
    if size < 1:
        raise NotAllowed(f"found a size of {size} parts; expected 1 or more")
    if not catalog.count(Query(lot=lot, **EVERYTHING)):
        raise NotFound(f"found no measurement of lot {lot!r}")
    return {SIZE: str(size)}
