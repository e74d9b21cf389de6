"""What is judged again when a person's word changes what stands against measurements."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from speclake.api import events
from speclake.archive.catalog import Catalog, Query
from speclake.archive.rows import Batch, EventRow
from speclake.checks import Check
from speclake.intake.company import Change
from speclake.intake.doubts import Evidence, Review
from speclake.intake.judged import Judged
from speclake.intake.states import touch_of
from speclake.intake.verdicts import specification_of
from speclake.judging import JUDGED_KINDS
from speclake.specs import Specification

if TYPE_CHECKING:
    from speclake.api.fitness import Fitness


def after_review(
    archive: "Fitness", catalog: Catalog, reviews: Mapping[str, Review | None], why: str
) -> Batch:
    """Verdicts on measurements that are put aside or released, and on what hangs on them.

    That is what draws on them, and what was measured while the state of an instrument hung on them.

    Parameters
    ----------
    reviews : by measurement, who puts it aside; None for one that is released.
    """
    events.check_known(catalog, list(reviews))
    evidence, follows = archive.judge_step.reviewed(catalog, reviews)
    own = _again(archive, catalog, list(reviews), why, evidence)
    return follows.joined(own).batch


def after_entry(archive: "Fitness", catalog: Catalog, entry: EventRow) -> Batch:
    """Verdicts on scans since something was done to an instrument, where its state blocks them.

    An entry of a log makes no state unfit and ends none, so only specifications count whose
    verdicts an unknown state blocks.
    """
    query = Query(instrument=entry.subject, since=touch_of(entry).at, limit=None)
    rows = catalog.search(query)
    ids = rows.filter(rows["kind"].is_in([str(kind) for kind in JUDGED_KINDS]))["measurement_id"]
    asked = catalog.versions_of(ids.to_list())
    blocked = {
        version
        for version in {version for _, version in asked}
        if _is_blocked_by(specification_of(catalog, version), Check.STATE_UNKNOWN)
    }
    chosen = list(dict.fromkeys(name for name, version in asked if version in blocked))
    if not chosen:
        return Batch()
    judge = archive.judge_step
    evidence = Evidence(judge.states(catalog, entries=[entry]), without=judge.without)
    said = touch_of(entry)
    why = f"{said.what} of {entry.subject} was put on record: {entry.why}"
    return _again(archive, catalog, chosen, why, evidence).batch


def _again(
    archive: "Fitness", catalog: Catalog, ids: Sequence[str], why: str, evidence: Evidence
) -> Judged:
    backfill = catalog.backfilled(ids)
    measurements = catalog.brief(ids)
    known = {m.measurement_id: m for m in measurements}
    return archive.judge_step.again(
        archive.store, catalog, [m for m in measurements if m.measurement_id not in backfill],
        why=why, change=Change(known), evidence=evidence,
    )  # fmt: skip


def _is_blocked_by(specification: Specification, check: Check) -> bool:
    return any(check in specification.blocked_by_of(each) for each in specification.requirement)
