"""Measurements that are put aside until a person has looked at them, and released."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

from speclake.api import events, rejudging
from speclake.archive.catalog import Catalog
from speclake.archive.rows import Batch, EventKind
from speclake.intake.doubts import Review

if TYPE_CHECKING:
    from speclake.api.fitness import Fitness


class Reason(NamedTuple):
    """Why a measurement is under review, and who put it aside.

    Parameters
    ----------
    failure : the failed check that it was put aside for, as `LookBack.failure` names it; empty
        where it was for something else.
    """

    who: str
    why: str
    failure: str = ""


Reasons = Mapping[str, tuple[Reason, ...]]
"""By measurement, every reason for which it is under review, the first one first."""


def put_aside(
    archive: "Fitness", ids: Sequence[str], *, who: str, why: str, failure: str = ""
) -> int:
    """Put measurements aside for review; their verdicts are not measurable until the release.

    Each reason counts by itself: a measurement is under review until every one has been released.

    Parameters
    ----------
    failure : the failed check it is for, if it is for one.

    Returns
    -------
    int
        How many were put aside; those under review for the same reason already are passed over.

    Raises
    ------
    speclake.errors.NotFound, speclake.api.events.NotAllowed
        There is no such measurement, or nobody or no reason is named.
    """
    reason = Reason(who, why, failure)

    def after(held: tuple[Reason, ...]) -> tuple[Reason, ...]:
        is_held = any((each.why, each.failure) == (why, failure) for each in held)
        return held if is_held else (*held, reason)

    return _review(archive, ids, EventKind.PUT_ASIDE, after, reason)


def release(
    archive: "Fitness", ids: Sequence[str], *, who: str, why: str, of: str | None = None
) -> int:
    """Release measurements from review, and judge them by what stands for and against them.

    Parameters
    ----------
    of : the one reason, or failed check, from which they are released; None ends every reason, and
        the event names them.

    Returns
    -------
    int
        How many were released from a reason; those that are not under review for it are passed
        over.

    Raises
    ------
    speclake.errors.NotFound, speclake.api.events.NotAllowed
        As for `put_aside`.
    """

    def after(held: tuple[Reason, ...]) -> tuple[Reason, ...]:
        return () if of is None else tuple(e for e in held if of not in (e.why, e.failure))

    return _review(archive, ids, EventKind.RELEASE, after, Reason(who, why), of)


def reasons(catalog: Catalog, ids: Sequence[str]) -> Reasons:
    """Every reason for which measurements are under review; those that are not are left out."""
    found: dict[str, dict[tuple[str, str], Reason]] = {}
    for event in catalog.review_events(sorted(catalog.under_review(ids))):
        open_ones = found.setdefault(event.subject, {})
        if event.kind is EventKind.PUT_ASIDE:
            failure = event.details.get("failure", "")
            open_ones.setdefault((event.why, failure), Reason(event.who, event.why, failure))
        elif (of := event.details.get("of")) is None:
            open_ones.clear()
        else:
            found[event.subject] = {k: each for k, each in open_ones.items() if of not in k}
    return {name: tuple(held.values()) for name, held in found.items() if held}


def in_words(held: Sequence[Reason]) -> str:
    """Reasons in a line."""
    return "; ".join(dict.fromkeys(each.why for each in held))


def _review(
    archive: "Fitness",
    ids: Sequence[str],
    kind: EventKind,
    after: Callable[[tuple[Reason, ...]], tuple[Reason, ...]],
    said: Reason,
    of: str | None = None,
) -> int:
    """Record what changes the reasons of measurements, with the verdicts that follow.

    Parameters
    ----------
    after : the reasons that stand once those that stood are known.
    """
    archive.store.refresh()
    catalog = archive.store.catalog
    events.check_known(catalog, ids)
    asked = list(dict.fromkeys(ids))
    held = reasons(catalog, asked)
    chosen = [name for name in asked if after(held.get(name, ())) != held.get(name, ())]

    def judged(now: Catalog) -> Batch:
        reviews = {name: _review_of(after(its)) for name, its in _held(now, chosen)}
        return rejudging.after_review(archive, now, reviews, said.why)

    def kept(now: Catalog) -> dict[str, dict[str, str]]:
        own = {} if of is None else {"of": of}
        return {name: own | _details(said, its, after(its)) for name, its in _held(now, chosen)}

    return events.record(
        archive.store, kind, chosen, {}, who=said.who, why=said.why, with_it=judged, kept=kept
    )


def _held(catalog: Catalog, ids: Sequence[str]) -> Iterator[tuple[str, tuple[Reason, ...]]]:
    held = reasons(catalog, ids)
    for name in ids:
        yield name, held.get(name, ())


def _review_of(standing: Sequence[Reason]) -> Review | None:
    return Review(_people(standing), in_words(standing)) if standing else None


def _people(standing: Sequence[Reason]) -> str:
    return " and ".join(dict.fromkeys(each.who for each in standing))


def _details(
    said: Reason, before: tuple[Reason, ...], standing: tuple[Reason, ...]
) -> dict[str, str]:
    """What an event says: its failure, the reasons that it ends, and all that stand after it."""
    told = {"failure": said.failure} if said.failure else {}
    ended = [each for each in before if each not in standing]
    if ended:
        told["ends"] = in_words(ended)
    if standing and standing != (said,):
        told |= {"standing_by": _people(standing), "standing_why": in_words(standing)}
    return told
