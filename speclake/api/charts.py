"""Control charts of requirements: the archive's values over time, one point a part or run."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import numpy.typing as npt

from speclake.archive.catalog import Catalog
from speclake.errors import NotFound
from speclake.trends import Chart, Points, individuals, one_point_per
from speclake.units import ValueUnit

if TYPE_CHECKING:
    import polars as pl

RollUp = Literal["mean", "minimum", "maximum", "site"]
Per = Literal["part", "coating_run", "lot"]

_PLACE = ("site", "side", "stage", "segment")
"""A place on a part: of several scans of one place the latest counts."""

USUAL_BASE_POINTS = 20
"""Points that set the limits unless a person chooses otherwise; 20 to 25 is common practice."""


@dataclass(frozen=True)
class ChartedRequirement:
    """A requirement that has values to draw."""

    product: str
    spec: str
    requirement: str
    description: str


@dataclass(frozen=True)
class ControlChart:
    """A control chart with what each point stands for.

    `measurement_ids` holds the last measurement behind each point, and `counts` how many there
    are. `limit_low` and `limit_high` are the specification's, of the newest verdict.
    """

    title: str
    chart: Chart
    labels: tuple[str, ...]
    times: tuple[datetime, ...]
    measurement_ids: tuple[str, ...]
    counts: tuple[int, ...]
    unit: ValueUnit
    limit_low: float | None
    limit_high: float | None


def requirements(catalog: Catalog) -> list[ChartedRequirement]:
    """Requirements that have verdicts, by product, specification and requirement."""
    rows = catalog.charted().to_dicts()
    return [ChartedRequirement(**row) for row in rows]


def chart(
    catalog: Catalog,
    *,
    product: str,
    spec: str,
    requirement: str,
    roll_up: RollUp = "mean",
    site: str | None = None,
    per: Per = "part",
    since: datetime | None = None,
    until: datetime | None = None,
    base_points: int | None = None,
) -> ControlChart:
    """Individuals chart of one requirement of one product, oldest point first.

    Parameters
    ----------
    roll_up : how the measurements of one part or run become one point; ``site`` takes the one
        named in `site`.
    per : what one point stands for.
    base_points : the first points, from which centre and limits come. By default the first
        `USUAL_BASE_POINTS` that were not taken in as backfill, all where there are fewer.

    Raises
    ------
    speclake.errors.NotFound
        There is no value to draw.
    ValueError
        A site is named without roll-up ``site``, or the other way round.
    """
    rows = _series(catalog, product, spec, requirement, since, until)
    rows = rows.filter(rows[per].is_not_null()).unique(
        ["part", *_PLACE], keep="last", maintain_order=True
    )
    if rows.is_empty():
        raise NotFound(f"found no value of {requirement!r} in {spec!r} for {product!r} to draw")
    sites = rows["site"].to_list() if roll_up == "site" else None
    values = rows["value"].to_numpy().astype(np.float64)
    points = one_point_per(rows[per].to_list(), values, roll_up, sites=sites, site=site)
    points = _in_order_of(rows["trusted_at"].to_numpy()[points.last], points)
    last = points.last.tolist()
    old = np.zeros(len(last), np.bool_) if base_points else rows["backfill"].to_numpy()[last]
    base = ~old & (np.cumsum(~old) <= (base_points or USUAL_BASE_POINTS))
    newest = rows.row(rows.height - 1, named=True)
    return ControlChart(
        title=_title(product, spec, requirement, roll_up, site, per),
        chart=individuals(points.values, base),
        labels=tuple(str(key) for key in points.keys),
        times=tuple(_picked(rows, "trusted_at", last)),
        measurement_ids=tuple(_picked(rows, "measurement_id", last)),
        counts=tuple(int(n) for n in points.counts),
        unit=newest["unit"],
        limit_low=newest["low"],
        limit_high=newest["high"],
    )


def _in_order_of(times: npt.NDArray[Any], points: Points) -> Points:
    """Points in the order of the last measurement behind each, which is the time shown."""
    order = np.argsort(times, kind="stable")
    keys = tuple(points.keys[i] for i in order)
    return Points(keys, points.values[order], points.counts[order], points.last[order])


def _series(
    catalog: Catalog,
    product: str,
    spec: str,
    requirement: str,
    since: datetime | None,
    until: datetime | None,
) -> "pl.DataFrame":
    """Values in the order of time, each with the name of its part in a column ``part``."""
    import polars as pl

    rows = catalog.series(product, spec, requirement, since=since, until=until)
    name = pl.coalesce("serial", "sample")
    return rows.with_columns(
        pl.when(name.is_not_null())
        .then(pl.concat_str("lot", name, separator=" ", ignore_nulls=True))
        .alias("part")
    )


def _picked(rows: "pl.DataFrame", column: str, positions: Sequence[int]) -> list[Any]:
    picked: list[Any] = rows[column].gather(list(positions)).to_list()
    return picked


def _title(
    product: str, spec: str, requirement: str, roll_up: RollUp, site: str | None, per: Per
) -> str:
    what = f"site {site}" if roll_up == "site" else f"the {roll_up} of its measurements"
    what += ", of repeated scans the latest"
    return f"{product}: {requirement} ({spec}), one point a {per.replace('_', ' ')}, {what}"
