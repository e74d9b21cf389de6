"""What a failed check puts in doubt: measurements, verdicts that could change, reports on them.

Nothing is written here; `Archive.put_aside` takes what was found.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from speclake.api.failures import (
    Failure,
    check_of,
    errors_of,
    failure_name,
    failures_of,
    of_runs,
    programme_of,
    reach_nm,
    sized_for,
)
from speclake.api.movements import Movement, movements
from speclake.archive.catalog import Catalog, Query
from speclake.archive.lake import Lake
from speclake.errors import NotFound
from speclake.fitness.lookback import Window
from speclake.fitness.observing import ObservedError
from speclake.intake.standardbook import SAME_LIGHT
from speclake.standards.programmes import AnyCheck, Programme

if TYPE_CHECKING:
    import polars as pl

TOLD = ("measurement_id", "trusted_at", "product", "lot", "serial", "sample", "site", "kind")
"""What is told of a measurement in every list."""

NOT_TAKEN = "it could not be taken again"
NO_SIZE = "what failed has no size that could be put onto a spectrum"


@dataclass(frozen=True)
class LookBack:
    """Everything since the last pass of a check that failed.

    Parameters
    ----------
    instrument, programme, check : what failed, as it read when it failed.
    window : the run that failed, and the time in doubt.
    errors : what was found, as it was put onto the spectra.
    measurements : a row for each measurement of the configuration and range: `TOLD`, its outcome as
        it stands, ``could_become`` (worst first), whether it is in review, and ``reports``; with
        those withdrawn or superseded since, on which reports went out, as ``gone`` says.
    verdicts : a row for each verdict on them, or drawing on them, that looks into the range:
        `TOLD`, specification, requirement, ``stands``, value, unit, margin, ``moves_by``,
        ``could_become`` and a sentence.
    reports : a row for each report on one of the measurements, with its customer.
    others : failures of other checks that fit what was asked for.
    """

    instrument: str
    programme: Programme
    check: AnyCheck
    window: Window
    errors: tuple[ObservedError, ...]
    measurements: "pl.DataFrame"
    verdicts: "pl.DataFrame"
    reports: "pl.DataFrame"
    others: tuple[Window, ...] = ()

    @property
    def ids(self) -> list[str]:
        """The measurements in doubt that stand, oldest first."""
        return list(self._standing["measurement_id"])

    @property
    def _standing(self) -> "pl.DataFrame":
        return self.measurements.filter(self.measurements["gone"] == "")

    @property
    def failure(self) -> str:
        """Name of the failure, for which measurements are put aside and released."""
        return failure_name(self.window)

    @property
    def changing(self) -> list[str]:
        """Those of them of which a verdict could change."""
        found = self.verdicts.filter(self.verdicts["could_become"] != "")
        return list(dict.fromkeys(found["measurement_id"]))

    @property
    def by_product(self) -> "pl.DataFrame":
        """How many measurements there are, and could change, by product and outcome."""
        import polars as pl

        changing = pl.col("measurement_id").is_in(self.changing)
        return (
            self._standing.group_by("product", "outcome")
            .agg(pl.len().alias("measurements"), changing.sum().alias("could_change"))
            .sort("product", "outcome")
        )

    @property
    def sentence(self) -> str:
        """What failed, since when, and what is in doubt, in words."""
        window = self.window
        since = f"its last pass on {window.since:%Y-%m-%d}" if window.since else "the beginning"
        until = f" until its next pass on {window.until:%Y-%m-%d}" if window.until else ""
        why = f" ({window.failed.reason})" if window.failed.reason else ""
        gone = len(self.measurements) - len(self.ids)
        also = f", {gone} of them withdrawn or exported anew since" if gone else ""
        return (
            f"{self.check.id} of {self.programme.name} failed on "
            f"{window.failed.taken_at:%Y-%m-%d}{why}. In doubt since {since}{until}: "
            f"{len(self.measurements)} measurements{also}, of which {len(self.changing)} could get "
            f"another verdict; reports went out on "
            f"{self.reports['measurement_id'].n_unique()} of them."
        )

    @property
    def other_sentences(self) -> list[str]:
        """What else failed and is not told here, newest first."""
        return [
            f"{each.failed.check} of {each.failed.programme} failed too, on "
            f"{each.failed.taken_at:%Y-%m-%d}; look back from it by its name"
            for each in sorted(self.others, key=lambda w: w.failed.taken_at, reverse=True)
        ]


def look_back(
    store: Lake,
    instrument: str,
    *,
    programme: str | None = None,
    check: str | None = None,
    failed_at: datetime | None = None,
) -> LookBack:
    """What the failure of a check puts in doubt, with by how much each verdict could move.

    Each spectrum is judged again by the specification that judged it, as it is and with the largest
    error that the check found between the pass before and the pass after: against the error where
    its sign is known, else to either side.

    Parameters
    ----------
    programme, check : None takes the latest failure of the instrument.
    failed_at : time of the run that failed; the latest by default.

    Raises
    ------
    speclake.errors.NotFound
        There is no such failure.
    """
    store.refresh()
    catalog = store.catalog
    rows = catalog.qualifications(instrument=instrument)
    failures = failures_of(catalog, rows, programme, check, failed_at)
    if not failures:
        named = " ".join(each for each in (programme, check) if each)
        raise NotFound(
            f"found no failed check of {instrument}{f' under {named}' if named else ''}; "
            "`speclake qualifications` lists what its checks found"
        )
    chosen = max(failures, key=lambda each: each.window.failed.taken_at)
    failed = chosen.failed_rows
    used = programme_of(catalog, failed[-1]["programme_version"])
    asked = check_of(used, chosen.window.failed.check)
    found = in_doubt(catalog, used, chosen, of_runs(rows))
    standing = found.filter(found["gone"] == "")
    ids = list(standing["measurement_id"])
    errors = sized_for(errors_of(catalog, failed), catalog, standing)
    verdicts = _verdict_rows(movements(store, ids, errors, used.range_nm), bool(errors))
    reports = catalog.reports_on(list(found["measurement_id"]))
    on_record = set(reports["measurement_id"])
    kept = [not gone or name in on_record for name, gone in
            found.select("measurement_id", "gone").iter_rows()]  # fmt: skip
    return LookBack(
        instrument, used, asked, chosen.window, errors,
        _with_consequences(found.filter(kept), verdicts, reports), verdicts, reports,
        tuple(each.window for each in failures if each is not chosen),
    )  # fmt: skip


def in_doubt(
    catalog: Catalog,
    programme: Programme,
    failure: Failure,
    runs: set[str],
    *,
    limit: int | None = None,
) -> "pl.DataFrame":
    """Measurements of a configuration that reach into its range, without the runs themselves.

    A scan whose accessory nobody stated may have been made with any. ``gone`` says of what was
    withdrawn or exported anew that it counts no longer: a report on it went out all the same.
    With a `limit` only the newest scans of the instrument are looked at, so many of them.
    """
    import polars as pl

    window = failure.window
    found = catalog.search(
        Query(
            instrument=programme.instrument,
            since=window.since,
            until=window.until,
            withdrawn="show",
            superseded="show",
            descending=limit is not None,
            limit=limit,
        )
    )
    light = SAME_LIGHT.get(programme.quantity, programme.quantity)
    quantities = [
        name for name in found["quantity"].unique() if SAME_LIGHT.get(name, name) == light
    ]
    chosen = found.filter(
        pl.col("quantity").is_in(quantities) & ~pl.col("measurement_id").is_in(list(runs))
    )
    if failure.accessory is not None:
        stated = pl.col("accessory")
        chosen = chosen.filter((stated == failure.accessory) | stated.is_null())
    if window.since is not None:
        chosen = chosen.filter(pl.col("trusted_at") > window.since)
    low, high = programme.range_nm
    reaching = chosen.filter(
        [start < high and stop > low for start, stop in map(reach_nm, chosen.iter_rows(named=True))]
    )
    superseded = pl.col("superseded_by").is_not_null()
    return reaching.with_columns(
        pl.when(pl.col("withdrawn")).then(pl.lit("withdrawn"))
        .when(superseded).then(pl.lit("superseded"))
        .otherwise(pl.lit("")).alias("gone")
    )  # fmt: skip


def _verdict_rows(found: Iterable[Movement], has_size: bool) -> "pl.DataFrame":
    import polars as pl

    rows = []
    for each in found:
        v, move = each.stands, each.move
        told = [getattr(each.measurement, name) for name in TOLD]
        if move is None or not has_size:
            v_now, by, becomes = v, None, ""
            said = f"{v.description}: {v.outcome}; {NOT_TAKEN if has_size else NO_SIZE}"
        else:
            v_now, by, said = move.verdict, move.by, move.sentence
            becomes = ", ".join(move.could_become)
        rows.append(
            (*told, v.spec, v.requirement, str(v.outcome), v_now.value, v_now.unit, v_now.margin,
             by, becomes, said)
        )  # fmt: skip
    text = dict.fromkeys(("spec", "requirement", "stands"), pl.String)
    schema: dict[str, Any] = {
        **dict.fromkeys(TOLD, pl.String), "trusted_at": pl.Datetime("us", "UTC"), **text,
        "value": pl.Float64, "unit": pl.String, "margin": pl.Float64, "moves_by": pl.Float64,
        "could_become": pl.String, "sentence": pl.String,
    }  # fmt: skip
    return pl.DataFrame(rows, schema=schema, orient="row")


def _with_consequences(
    found: "pl.DataFrame", verdicts: "pl.DataFrame", reports: "pl.DataFrame"
) -> "pl.DataFrame":
    """Measurements with what their verdicts could become and the reports on them."""
    becomes: dict[str, dict[str, None]] = {}
    for name, outcomes in verdicts.select("measurement_id", "could_become").iter_rows():
        becomes.setdefault(name, {}).update(dict.fromkeys(filter(None, outcomes.split(", "))))
    numbers: dict[str, dict[str, None]] = {}
    for name, report in reports.select("measurement_id", "report").iter_rows():
        numbers.setdefault(name, {})[report] = None
    import polars as pl

    ids = list(found["measurement_id"])
    return found.select(*TOLD, "outcome", "in_review", "gone").with_columns(
        pl.Series("could_become", [", ".join(becomes.get(each, ())) for each in ids], pl.String),
        pl.Series("reports", [", ".join(numbers.get(each, ())) for each in ids], pl.String),
    )
