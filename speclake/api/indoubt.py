"""Failures of checks, the scans that each put in doubt, and whether somebody saw to them."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from speclake.api.failures import Failure, failure_name, failures_of, of_runs, programme_of
from speclake.api.lookingback import in_doubt
from speclake.archive.catalog import Catalog
from speclake.archive.rows import EventKind
from speclake.fitness.lookback import Window
from speclake.specs import Outcome

if TYPE_CHECKING:
    import polars as pl

MOST_SCANS = 5_000
"""Scans of one failure that are looked at, the newest first; `Archive.look_back` takes all."""


@dataclass(frozen=True)
class InDoubt:
    """What one failure of a check put in doubt.

    Parameters
    ----------
    scans : when each measurement in doubt was scanned, by identifier; at most `MOST_SCANS`.
    waiting : those that nobody has put aside or released since the check failed, for this failure
        or without a word of any.
    reports : numbers of the reports that went out on those that wait.
    """

    instrument: str
    programme: str
    check: str
    window: Window
    scans: Mapping[str, datetime]
    waiting: tuple[str, ...]
    reports: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """What failed, and how much of what it put in doubt waits for somebody, in words."""
        window, count, left = self.window, len(self.scans), len(self.waiting)
        last = f"{window.since:%Y-%m-%d}" if window.since else "never"
        following = f", next pass {window.until:%Y-%m-%d}" if window.until else ""
        many = f"{count}" if count < MOST_SCANS else f"the newest {count:,}"
        on = f"; reports on them: {', '.join(self.reports)}" if self.reports else ""
        return (
            f"{self.check} failed on {window.failed.taken_at:%Y-%m-%d} (last pass {last}"
            f"{following}): {left} of {many} scans in doubt {'is' if left == 1 else 'are'} "
            f"neither put aside nor released{on}"
        )


def in_doubt_by_failure(catalog: Catalog) -> list[InDoubt]:
    """Every failure on record that puts scans in doubt, the newest first.

    Failures between the same two passes of a check are one.
    """
    rows = catalog.qualifications()
    failed = rows.filter(rows["outcome"] == Outcome.FAIL.value)
    found: list[InDoubt] = []
    for instrument in failed["instrument"].unique(maintain_order=True):
        its = rows.filter(rows["instrument"] == instrument)
        for failure in _failures(catalog, its):
            programme = programme_of(catalog, failure.failed_rows[-1]["programme_version"])
            scans = in_doubt(catalog, programme, failure, of_runs(its), limit=MOST_SCANS)
            standing = scans.filter(scans["gone"] == "")
            if not standing.is_empty():
                found.append(_told(catalog, str(instrument), failure.window, standing))
    return sorted(found, key=lambda each: each.window.failed.taken_at, reverse=True)


def _failures(catalog: Catalog, rows: "pl.DataFrame") -> Iterator[Failure]:
    """Failures of one instrument, each from the last run that failed before a pass."""
    failed = rows.filter(rows["outcome"] == Outcome.FAIL.value)
    for (programme, check), some in failed.group_by("programme", "check", maintain_order=True):
        told: set[datetime] = set()
        for at in sorted(set(some["taken_at"]), reverse=True):
            if at in told:
                continue
            for each in failures_of(catalog, rows, str(programme), str(check), at):
                told |= {row["taken_at"] for row in each.failed_rows}
                yield each


def _told(catalog: Catalog, instrument: str, window: Window, scans: "pl.DataFrame") -> InDoubt:
    name = failure_name(window)
    when = dict(scans.select("measurement_id", "trusted_at").iter_rows())
    seen_to = {
        event.subject
        for kind in (EventKind.PUT_ASIDE, EventKind.RELEASE)
        for event in catalog.events_among(kind, list(when))
        if event.at > window.failed.taken_at
        # what was put aside for another failure, or released from one, says nothing of this one
        and event.details.get("failure", event.details.get("of", name)) in ("", name)
    }
    waiting = tuple(each for each in when if each not in seen_to)
    reports = tuple(dict.fromkeys(catalog.reports_on(waiting)["report"]))
    failed = window.failed
    return InDoubt(instrument, failed.programme, failed.check, window, when, waiting, reports)
