"""Numbers of qualification runs as what states are worked out from."""

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Any

import polars as pl

from speclake.archive.rows import QualificationRow
from speclake.fitness.results import Result
from speclake.specs import Outcome

_RUN = ("programme", "check", "taken_at", "outcome", "accessory", "programme_version", "outmoded")
_RESULT = (*_RUN, "reason", "due_at")

PUT_ASIDE = "the run is put aside for review"


def results_of(
    rows: pl.DataFrame, beside: Mapping[str, frozenset[str] | None] = MappingProxyType({})
) -> list[Result]:
    """Numbers of qualification runs as results; those of a run that passed together as one.

    A run whose scan is put aside for review passes nothing, and what it failed stays failed.

    Parameters
    ----------
    rows : as `Catalog.qualifications` gives them; a column ``outmoded`` may say why one counts no
        longer.
    beside : checks of each version of a programme.
    """
    if rows.is_empty():
        return []
    passed = pl.col("outcome") == Outcome.PASS.value
    doubted = passed & pl.col("in_review")
    if "outmoded" not in rows.columns:
        rows = rows.with_columns(pl.lit("").alias("outmoded"))
    told = rows.with_columns(pl.col("outcome").cast(pl.String)).with_columns(
        pl.when(doubted).then(pl.lit(PUT_ASIDE)).otherwise(pl.col("reason")).alias("reason"),
        pl.when(doubted).then(pl.lit(Outcome.NOT_MEASURABLE.value))
        .otherwise(pl.col("outcome")).alias("outcome"),
    ).select(*_RESULT)  # fmt: skip
    runs = told.filter(passed).group_by(*_RUN).agg(
        pl.lit("").alias("reason"), pl.col("due_at").min()
    )  # fmt: skip
    found = pl.concat([told.filter(~passed), runs.select(*_RESULT)], how="vertical_relaxed")
    return [_result(row, beside) for row in found.sort("taken_at").iter_rows(named=True)]


def _result(row: Mapping[str, Any], beside: Mapping[str, frozenset[str] | None]) -> Result:
    return Result(
        row["programme"],
        row["check"],
        row["taken_at"],
        Outcome(row["outcome"]),
        row["reason"] or "",
        row["due_at"],
        row["accessory"],
        row["outmoded"],
        beside.get(row["programme_version"]),
    )


def result_of(row: QualificationRow, in_review: bool = False) -> Result:
    """A number of a qualification run as a result; see `results_of`."""
    found = Result(
        row.programme, row.check, row.taken_at, row.outcome, row.reason, row.due_at, row.accessory
    )
    if in_review and row.outcome is Outcome.PASS:
        return replace(found, outcome=Outcome.NOT_MEASURABLE, reason=PUT_ASIDE)
    return found
