"""Control charts of a check: its numbers in phases, each from one work on the instrument on."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from speclake.api.charts import USUAL_BASE_POINTS
from speclake.api.instruments import LogEntry, entries_on, log_of
from speclake.errors import NotFound
from speclake.standards.programmes import Programme
from speclake.trends import Chart, individuals

if TYPE_CHECKING:
    import polars as pl

    from speclake.api.fitness import Fitness

_OF_BANDS = frozenset({"band positions", "values"})
"""Checks with a number for each of several places on the axis."""

_SAME_PLACE_NM = 2.0
"""How far the place of one band may lie off from run to run, or in the next certificate."""


@dataclass(frozen=True)
class Phase:
    """A stretch of a chart with centre and limits of its own.

    Parameters
    ----------
    start, stop : its points are those from `start` to before `stop`.
    begins_with : the entry of the log after which it begins, None for the first.
    """

    start: int
    stop: int
    chart: Chart
    begins_with: LogEntry | None


@dataclass(frozen=True)
class CheckChart:
    """Numbers of one check of a programme, oldest first, with control limits in phases.

    Parameters
    ----------
    shows : ``value``, or ``error`` where the standard says what is expected.
    values, uncertainties : in `unit`; the uncertainties expanded, NaN where there is none.
    limit_low, limit_high : of the newest run.
    at : the place on the axis in nm, None where the check has but one number.
    places : all places that the check has numbers for.
    accessory : with which the runs were made, None where that is unknown.
    accessories : all that there are runs with.
    """

    title: str
    programme: Programme
    check: str
    shows: str
    unit: str
    times: tuple[datetime, ...]
    values: tuple[float, ...]
    uncertainties: tuple[float, ...]
    measurement_ids: tuple[str, ...]
    outcomes: tuple[str, ...]
    phases: tuple[Phase, ...]
    limit_low: float | None
    limit_high: float | None
    at: float | None
    places: tuple[float, ...]
    accessory: str | None = None
    accessories: tuple[str | None, ...] = ()

    @property
    def out(self) -> tuple[bool, ...]:
        """Which points lie beyond the limits of their phase."""
        return tuple(bool(each) for phase in self.phases for each in phase.chart.out)


def check_chart(
    archive: "Fitness",
    programme: str,
    check: str,
    *,
    at: float | None = None,
    accessory: str | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
    base_points: int = USUAL_BASE_POINTS,
) -> CheckChart:
    """Individuals chart of a check.

    A phase begins with every entry of the instrument's log that puts the state of the
    configuration in question; centre and limits are from the first points of each phase.

    Parameters
    ----------
    at : of a check of several bands, the one nearest to this wavelength in nm; by default the
        first.
    accessory : of a programme that names none, the one of the runs; by default that of the newest.
    base_points : the most that centre and limits of a phase come from.

    Raises
    ------
    speclake.errors.NotFound
        There is no such programme or check, or no number of it yet.
    """
    chosen = _programme(archive, programme)
    catalog = archive.store.catalog
    rows = catalog.qualifications(
        instrument=chosen.instrument, programme=programme, check=check, since=since, until=until
    )
    rows = rows.filter(rows["value"].is_not_null() & rows["value"].is_not_nan())
    rows, accessories = _of_accessory(rows, accessory)
    if rows.is_empty():
        known = ", ".join(each.id for each in chosen.check)
        raise NotFound(f"found no number of {check!r} in {programme!r}; its checks are: {known}")
    rows, place, places = _of_place(_last_taken(rows), at)
    newest = rows.row(-1, named=True)
    shows = "error" if newest["expected"] is not None and newest["what"] != "check sample" else (
        "value"
    )  # fmt: skip
    times = rows["taken_at"].to_list()
    values = rows[shows].cast(float).fill_null(float("nan")).to_numpy()
    log = log_of(catalog.log_entries(chosen.instrument))
    works = entries_on(chosen, log, newest["accessory"])
    phases = _phases(values, times, works, base_points)
    low, high = _limits(newest, shows)
    return CheckChart(
        title=_title(
            chosen, check, shows, place, newest["accessory"] if len(accessories) > 1 else ""
        ),
        programme=chosen,
        check=check,
        shows=shows,
        unit=newest["unit"],
        times=tuple(times),
        values=tuple(values.tolist()),
        uncertainties=tuple(rows["uncertainty"].fill_null(float("nan")).to_list()),
        measurement_ids=tuple(rows["measurement_id"].to_list()),
        outcomes=tuple(rows["outcome"].to_list()),
        phases=phases,
        limit_low=low,
        limit_high=high,
        at=place,
        places=places,
        accessory=newest["accessory"],
        accessories=accessories,
    )


def _programme(archive: "Fitness", name: str) -> Programme:
    programmes = archive.judge_step.standards.current().programmes
    for each in programmes:
        if each.name == name:
            return each
    known = ", ".join(sorted(each.name for each in programmes)) or "none"
    raise NotFound(f"found no programme {name!r}; there are: {known}")


def _of_accessory(
    rows: "pl.DataFrame", accessory: str | None
) -> "tuple[pl.DataFrame, tuple[str | None, ...]]":
    """Rows of one accessory, by default that of the newest, and all that there are."""
    if rows.is_empty():
        return rows, ()
    asked = rows["accessory"][-1] if accessory is None else accessory
    seen = tuple(dict.fromkeys(rows["accessory"].to_list()))
    return rows.filter(rows["accessory"].eq_missing(asked)), seen


def _last_taken(rows: "pl.DataFrame") -> "pl.DataFrame":
    """Of numbers that were taken of one scan again, as by a changed programme, the last."""
    import polars as pl

    last = rows.group_by("measurement_id").agg(pl.col("commit_number").max())
    return rows.join(last, on=["measurement_id", "commit_number"], how="semi")


def _of_place(
    rows: "pl.DataFrame", at: float | None
) -> "tuple[pl.DataFrame, float | None, tuple[float, ...]]":
    """Rows of one place, that place, and all places as the newest run has them."""
    newest = rows.filter(rows["measurement_id"] == rows["measurement_id"][-1])
    if newest["what"][0] not in _OF_BANDS:
        return rows, None, ()
    places = tuple(sorted(set(newest["at"].drop_nulls().to_list())))
    if not places:
        return rows, None, ()
    place = places[0] if at is None else min(places, key=lambda each: abs(each - at))
    distance = (rows["at"] - place).abs()
    near = rows.with_columns(distance.alias("off")).filter(distance <= _SAME_PLACE_NM)
    nearest = near.sort("off").unique("measurement_id", keep="first", maintain_order=True)
    return nearest.drop("off").sort("taken_at", maintain_order=True), place, places


def _phases(
    values: Any, times: Sequence[datetime], log: Sequence[LogEntry], base_points: int
) -> tuple[Phase, ...]:
    begins: dict[int, LogEntry | None] = {0: None}
    for entry in sorted(log, key=lambda each: each.when):
        first = sum(time <= entry.when for time in times)
        if first < len(times):
            begins[first] = entry  # of several before one point the last
    starts = sorted(begins)
    phases = []
    for start, stop in zip(starts, [*starts[1:], len(times)], strict=True):
        own = values[start:stop]
        base = np.cumsum(~np.isnan(own)) <= base_points
        phases.append(Phase(start, stop, individuals(own, base), begins[start]))
    return tuple(phases)


def _limits(newest: Mapping[str, Any], shows: str) -> tuple[float | None, float | None]:
    """Limits of what is shown; they are of the error where something is expected."""
    shift = 0.0
    if shows == "value" and newest["expected"] is not None:
        shift = newest["expected"]
    low, high = newest["low"], newest["high"]
    return (
        None if low is None else low + shift,
        None if high is None else high + shift,
    )


def _title(
    programme: Programme, check: str, shows: str, place: float | None, accessory: str | None
) -> str:
    of = "" if accessory == "" else f" with {accessory or 'an unknown accessory'}"
    where = f" at {place:g} nm" if place is not None else ""
    what = "error" if shows == "error" else "value"
    return f"{programme.name}: {what} of {check}{where}{of}, one point a run"
