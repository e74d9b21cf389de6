"""Measurements that are put aside until a person has looked at them, and released."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from speclake.api import events, rejudging
from speclake.archive.catalog import Catalog
from speclake.archive.rows import Batch, EventKind
from speclake.intake.doubts import Review

if TYPE_CHECKING:
    from speclake.api.fitness import Fitness


def put_aside(archive: "Fitness", ids: Sequence[str], *, who: str, why: str) -> int:
    """Put measurements aside for review; their verdicts are not measurable until the release.

    Returns
    -------
    int
        How many were put aside; those under review already stay so for the reason they have.

    Raises
    ------
    speclake.errors.NotFound, speclake.api.events.NotAllowed
        There is no such measurement, or nobody or no reason is named.
    """
    return _review(archive, ids, EventKind.PUT_ASIDE, Review(who, why), who, why)


def release(archive: "Fitness", ids: Sequence[str], *, who: str, why: str) -> int:
    """Release measurements from review, and judge them by what stands for and against them.

    Returns
    -------
    int
        How many were released; those that are not under review are passed over.

    Raises
    ------
    speclake.errors.NotFound, speclake.api.events.NotAllowed
        As for `put_aside`.
    """
    return _review(archive, ids, EventKind.RELEASE, None, who, why)


def _review(
    archive: "Fitness",
    ids: Sequence[str],
    kind: EventKind,
    review: Review | None,
    who: str,
    why: str,
) -> int:
    archive.store.refresh()
    catalog = archive.store.catalog
    events.check_known(catalog, ids)
    aside = catalog.under_review(ids)
    chosen = [name for name in dict.fromkeys(ids) if (name in aside) == (review is None)]

    def judged(now: Catalog) -> Batch:
        return rejudging.after_review(archive, now, dict.fromkeys(chosen, review), why)

    return events.record(archive.store, kind, chosen, {}, who=who, why=why, with_it=judged)
