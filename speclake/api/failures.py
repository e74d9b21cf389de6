"""Checks that failed, the time that each puts in doubt, and the error that was found in it."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import groupby
from operator import itemgetter
from typing import TYPE_CHECKING, Any

from speclake.archive.catalog import Catalog
from speclake.errors import NotFound
from speclake.fitness.lookback import Window, in_question
from speclake.fitness.observing import ObservedError, largest, observed
from speclake.fitness.qualifying import Reading
from speclake.intake.runresults import results_of
from speclake.specs import Outcome
from speclake.standards.programmes import AnyCheck, Programme
from speclake.units import convert_positions

if TYPE_CHECKING:
    import polars as pl

FEWEST_STEPS, MOST_STEPS = 8, 64
"""Steps in which wavelengths are shifted."""


@dataclass(frozen=True)
class Failure:
    """A failed check of one configuration.

    Parameters
    ----------
    accessory : that of the programme, else that of the runs; None where neither names one.
    failed_rows : numbers of all runs that failed in the window.
    """

    window: Window
    accessory: str | None
    failed_rows: list[dict[str, Any]]


def failure_name(window: Window) -> str:
    """Name of a failure, for which measurements are put aside and from which they are released."""
    failed = window.failed
    return f"{failed.programme}: {failed.check} failed on {failed.taken_at:%Y-%m-%dT%H:%M}Z"


def failures_of(
    catalog: Catalog,
    rows: "pl.DataFrame",
    programme: str | None,
    check: str | None,
    failed_at: datetime | None,
) -> list[Failure]:
    """Each check that failed, with its window.

    Runs of a programme that speaks of every accessory are told apart by their own: a pass with one
    says nothing of another.
    """
    found = []
    for (name, of), some in rows.group_by("programme", "check", maintain_order=True):
        if programme not in (None, name) or check not in (None, of):
            continue
        its = programme_of(catalog, some["programme_version"][-1]).accessory
        parts = {its: some} if its else {
            key[0]: part for key, part in some.group_by("accessory", maintain_order=True)
        }  # fmt: skip
        for accessory, part in parts.items():
            window = in_question(results_of(part), str(name), str(of), failed_at)
            if window is not None:
                known = None if accessory is None else str(accessory)
                found.append(Failure(window, known, _failed_in(part, window)))
    return found


def _failed_in(rows: "pl.DataFrame", window: Window) -> list[dict[str, Any]]:
    """Numbers of the runs that failed in a window, oldest run first."""
    runs: dict[tuple[Any, ...], list[dict[str, Any]]] = {}
    for row in rows.sort("taken_at", maintain_order=True).iter_rows(named=True):
        at = row["taken_at"]
        if (window.since is None or at > window.since) and (
            window.until is None or at < window.until
        ):
            runs.setdefault((at, row["programme_version"], row["measurement_id"]), []).append(row)
    return [
        row
        for run in runs.values()
        if any(each["outcome"] == Outcome.FAIL for each in run)
        for row in run
    ]


def errors_of(catalog: Catalog, failed: Sequence[Mapping[str, Any]]) -> tuple[ObservedError, ...]:
    """The largest of each kind over all runs that failed, each read by its own programme."""
    found: list[ObservedError] = []
    for (version, _), some in groupby(failed, key=itemgetter("programme_version", "taken_at")):
        used, numbers = programme_of(catalog, version), list(some)
        asked = check_of(used, numbers[0]["check"])
        found += observed(asked, map(_reading, numbers), used.range_nm)
    return largest(found)


def sized_for(
    errors: Sequence[ObservedError], catalog: Catalog, standing: "pl.DataFrame"
) -> tuple[ObservedError, ...]:
    """Errors with how finely, and onto which scan how much, they are put.

    A shift is put on in steps of half the finest interval of the scans, within `FEWEST_STEPS` and
    `MOST_STEPS`. A drift is what it came to since the baseline, where a scan names it.
    """
    rows = standing.iter_rows(named=True)
    intervals = [_interval_nm(row) for row in rows if row["points"] > 1]
    finest = min(intervals, default=math.inf)
    made = []
    for each in errors:
        if each.kind == "wavelength shift":
            steps = math.ceil(2 * each.size / finest)
            made.append(replace(each, steps=min(max(steps, FEWEST_STEPS), MOST_STEPS)))
        elif each.an_hour is not None:
            scans = catalog.measurements(list(standing["measurement_id"]))
            made.append(replace(each, sizes={
                m.measurement_id: each.an_hour * hours
                for m in scans
                if m.baseline_at is not None
                and (hours := (m.trusted_at - m.baseline_at) / timedelta(hours=1)) >= 0
            }))  # fmt: skip
        else:
            made.append(each)
    return tuple(made)


def _interval_nm(row: Mapping[str, Any]) -> float:
    low, high = reach_nm(row)
    return (high - low) / (int(row["points"]) - 1)


def check_of(programme: Programme, name: str) -> AnyCheck:
    """Check of a programme by its name."""
    return next(each for each in programme.check if each.id == name)


def of_runs(rows: "pl.DataFrame") -> set[str]:
    """Scans that count as runs."""
    return set(rows.filter(rows["outcome"] != Outcome.LAPSED.value)["measurement_id"])


def programme_of(catalog: Catalog, version: str) -> Programme:
    """Programme as it read when a run was held against it.

    Raises
    ------
    speclake.errors.NotFound
        The record does not hold it.
    """
    row = catalog.standard(version)
    if row is None:
        raise NotFound(f"found no programme of version {version}, by which a run was judged")
    return Programme.model_validate_json(row.content)


def _reading(row: Mapping[str, Any]) -> Reading:
    names = ("at", "expected", "value", "error", "uncertainty", "low", "high", "unit", "reason")
    return Reading(**{name: row[name] for name in names}, outcome=Outcome(row["outcome"]))


def reach_nm(row: Mapping[str, Any]) -> tuple[float, float]:
    """Ends of a scan in nm, lower one first."""
    ends = [row["axis_first"], row["axis_last"]]
    nm = convert_positions(ends, row["axis_unit"], "vacuum", "nm", "vacuum").tolist()
    return min(nm), max(nm)
