"""What a failed check puts in doubt: measurements, verdicts that could change, reports on them.

Nothing is written here; `Archive.put_aside` takes what was found.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from speclake.api.movements import Movement, movements
from speclake.archive.catalog import Catalog, Query
from speclake.archive.lake import Lake
from speclake.errors import NotFound
from speclake.fitness.lookback import Window, in_question
from speclake.fitness.observing import ObservedError, observed
from speclake.fitness.qualifying import Reading
from speclake.intake.standardbook import SAME_LIGHT
from speclake.intake.states import results_of
from speclake.specs import Outcome
from speclake.standards.programmes import AnyCheck, Programme
from speclake.units import convert_positions

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
        it stands, ``could_become`` (worst first), whether it is in review, and ``reports``.
    verdicts : a row for each verdict on them, or drawing on them, that looks into the range:
        `TOLD`, specification, requirement, ``stands``, value, unit, margin, ``moves_by``,
        ``could_become`` and a sentence.
    reports : a row for each report on one of the measurements, with its customer.
    """

    instrument: str
    programme: Programme
    check: AnyCheck
    window: Window
    errors: tuple[ObservedError, ...]
    measurements: "pl.DataFrame"
    verdicts: "pl.DataFrame"
    reports: "pl.DataFrame"

    @property
    def ids(self) -> list[str]:
        """The measurements in doubt, oldest first."""
        return list(self.measurements["measurement_id"])

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
            self.measurements.group_by("product", "outcome")
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
        return (
            f"{self.check.id} of {self.programme.name} failed on "
            f"{window.failed.taken_at:%Y-%m-%d}{why}. In doubt since {since}{until}: "
            f"{len(self.measurements)} measurements, of which {len(self.changing)} could get "
            f"another verdict; reports went out on "
            f"{self.reports['measurement_id'].n_unique()} of them."
        )


def look_back(
    store: Lake,
    instrument: str,
    *,
    programme: str | None = None,
    check: str | None = None,
    failed_at: datetime | None = None,
) -> LookBack:
    """What the failure of a check puts in doubt, with by how much each verdict could move.

    Each spectrum is judged again by the specification that judged it, as it is and with the error
    that the check found, to either side.

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
    window = _window(rows, instrument, programme, check, failed_at)
    failed = [
        row for row in rows.iter_rows(named=True)
        if (row["programme"], row["check"], row["taken_at"])
        == (window.failed.programme, window.failed.check, window.failed.taken_at)
    ]  # fmt: skip
    used = _programme(catalog, failed[0]["programme_version"])
    asked = next(each for each in used.check if each.id == window.failed.check)
    errors = observed(asked, map(_reading, failed), used.range_nm)
    found = _in_doubt(catalog, used, window, set(rows["measurement_id"]))
    ids = list(found["measurement_id"])
    verdicts = _verdict_rows(movements(store, ids, errors, used.range_nm), bool(errors))
    reports = catalog.reports_on(ids)
    return LookBack(
        instrument, used, asked, window, errors,
        _with_consequences(found, verdicts, reports), verdicts, reports,
    )  # fmt: skip


def _window(
    rows: "pl.DataFrame",
    instrument: str,
    programme: str | None,
    check: str | None,
    failed_at: datetime | None,
) -> Window:
    results = results_of(rows)
    named = {
        (r.programme, r.check)
        for r in results
        if programme in (None, r.programme) and check in (None, r.check)
    }
    windows = [in_question(results, *each, failed_at) for each in sorted(named)]
    found = [each for each in windows if each is not None]
    if not found:
        asked = " ".join(each for each in (programme, check) if each)
        raise NotFound(
            f"found no failed check of {instrument}{f' under {asked}' if asked else ''}; "
            "`speclake qualifications` lists what its checks found"
        )
    return max(found, key=lambda each: each.failed.taken_at)


def _programme(catalog: Catalog, version: str) -> Programme:
    row = catalog.standard(version)
    if row is None:
        raise NotFound(f"found no programme of version {version}, by which a run was judged")
    return Programme.model_validate_json(row.content)


def _reading(row: Mapping[str, Any]) -> Reading:
    names = ("at", "expected", "value", "error", "uncertainty", "low", "high", "unit", "reason")
    return Reading(**{name: row[name] for name in names}, outcome=Outcome(row["outcome"]))


def _in_doubt(
    catalog: Catalog, programme: Programme, window: Window, of_runs: set[str]
) -> "pl.DataFrame":
    """Measurements of a configuration that reach into its range, without the runs themselves."""
    import polars as pl

    found = catalog.search(
        Query(
            instrument=programme.instrument,
            accessory=programme.accessory,
            since=window.since,
            until=window.until,
            descending=False,
            limit=None,
        )
    )
    light = SAME_LIGHT.get(programme.quantity, programme.quantity)
    quantities = [
        name for name in found["quantity"].unique() if SAME_LIGHT.get(name, name) == light
    ]
    chosen = found.filter(
        pl.col("quantity").is_in(quantities) & ~pl.col("measurement_id").is_in(list(of_runs))
    )
    if window.since is not None:
        chosen = chosen.filter(pl.col("trusted_at") > window.since)
    low, high = programme.range_nm
    return chosen.filter(
        [start <= high and stop >= low for start, stop in map(_reach, chosen.iter_rows(named=True))]
    )


def _reach(row: Mapping[str, Any]) -> tuple[float, float]:
    """Ends of a scan in nm, lower one first."""
    ends = [row["axis_first"], row["axis_last"]]
    nm = convert_positions(ends, row["axis_unit"], "vacuum", "nm", "vacuum").tolist()
    return min(nm), max(nm)


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
    return found.select(*TOLD, "outcome", "in_review").with_columns(
        pl.Series("could_become", [", ".join(becomes.get(each, ())) for each in ids], pl.String),
        pl.Series("reports", [", ".join(numbers.get(each, ())) for each in ids], pl.String),
    )
