"""Numbers of qualification runs as a programme counts them that may read otherwise by now.

A pass counts while the programme, as it reads now, asks for no more than it showed: the same kind
of check with the same standard at the same place, over a range that holds the range of today,
within limits that the number stored would still satisfy. A failure counts whatever was written
since, also one of a programme of that configuration whose name is no longer written.
"""

from collections.abc import Callable, Collection, Iterable, Mapping
from functools import lru_cache
from typing import Any

import polars as pl
from pydantic import ValidationError

from speclake.archive.catalog import Catalog
from speclake.fitness.results import Result, counting
from speclake.intake.runresults import results_of
from speclake.intake.standardbook import same_light
from speclake.specs import Outcome
from speclake.standards.programmes import AnyCheck, Programme, Repeatability

FREE = frozenset({"id", "every_days", "note", "sample", "kind", "rule"})
"""Keys of a check that may change without an earlier number showing less."""

LIMITS = (
    "largest_error_nm", "largest_error", "largest_error_percent", "tolerance", "limit",
    "largest_width_nm", "least_ratio", "largest_deviation_percent", "largest_rms",
    "largest_an_hour", "largest_sd",
)  # fmt: skip
"""Keys of a check that the limits of its numbers are proportional to, if they are numbers."""


def results_on_terms(
    rows: pl.DataFrame, programme: Programme, written: Collection[str], catalog: Catalog
) -> list[Result]:
    """Numbers of an instrument that speak of a programme's configuration, as results.

    Parameters
    ----------
    rows : as `Catalog.qualifications` gives them.
    written : names of the programmes that are written today.
    """
    own = rows.filter(pl.col("programme") == programme.name)
    terms = _terms(own, programme, catalog)
    beside = {version: checks for (version, _), (checks, _) in terms.items()}
    told = [
        terms[row["programme_version"], row["check"]][1](row)
        if row["outcome"] == Outcome.PASS.value and row["programme_version"] != programme.version
        else ""
        for row in own.iter_rows(named=True)
    ]
    own = own.with_columns(pl.Series("outmoded", told, pl.String))
    return [*results_of(own, beside), *results_of(_of_others(rows, programme, written))]


def accessories_of(programme: Programme, results: Iterable[Result]) -> tuple[str | None, ...]:
    """Accessories that runs of a programme were made with, an unknown one last; at least one."""
    names = checks_of(programme)
    found = {r.accessory for r in results if r.programme == programme.name and r.check in names}
    return tuple(sorted(found or {None}, key=lambda name: (name is None, name or "")))


def checks_of(programme: Programme) -> frozenset[str]:
    """Names of the checks that the state hangs on."""
    return frozenset(each.id for each in counting(programme))


def _of_others(rows: pl.DataFrame, programme: Programme, written: Collection[str]) -> pl.DataFrame:
    """Numbers of programmes of the configuration that are written no longer, under this one."""
    low, high = programme.range_nm
    light = same_light(programme.quantity)
    found = rows.filter(
        ~pl.col("programme").is_in(list(written))
        & (pl.col("start_nm") < high)
        & (pl.col("stop_nm") > low)
    )
    if programme.accessory is not None:
        found = found.filter(pl.col("accessory") == programme.accessory)
    found = found.filter([same_light(name) == light for name in found["quantity"]])
    return found.with_columns(
        (pl.col("check") + " of " + pl.col("programme")).alias("check"),
        pl.lit(programme.name).alias("programme"),
    )


Outmoded = Callable[[Mapping[str, Any]], str]
"""Why the number of a row counts no longer; empty where it does."""


def _terms(
    own: pl.DataFrame, programme: Programme, catalog: Catalog
) -> dict[tuple[str, str], tuple[frozenset[str] | None, Outmoded]]:
    """By version and check, what was beside it in the programme, and what outmodes its passes."""
    now = {each.id: each for each in programme.check}
    found: dict[tuple[str, str], tuple[frozenset[str] | None, Outmoded]] = {}
    for version, check in own.select("programme_version", "check").unique().iter_rows():
        then = programme if version == programme.version else _kept(catalog, version)
        beside = None if then is None else checks_of(then)
        outmoded: Outmoded = _counts
        if check in now:
            outmoded = _outmoded(programme, now[check], then)
        found[version, check] = beside, outmoded
    return found


def _kept(catalog: Catalog, version: str) -> Programme | None:
    """Programme as it was; None where the record does not tell."""
    row = catalog.standard(version)
    return None if row is None else _read(row.content)


@lru_cache(maxsize=500)
def _read(content: str) -> Programme | None:
    try:
        return Programme.model_validate_json(content)
    except ValidationError:
        return None


def _counts(_: Mapping[str, Any]) -> str:
    return ""


def _always(why: str) -> Outmoded:
    return lambda _: why


def _outmoded(programme: Programme, now: AnyCheck, then: Programme | None) -> Outmoded:
    if then is None:
        return lambda row: _against_row(programme, now, row)
    was = next((each for each in then.check if each.id == now.id), None)
    if was is None:
        return _always("the programme of then does not have it")
    said, says = was.model_dump(), now.model_dump()
    if said["what"] != says["what"]:
        return _always(f"it was {said['what']} and is {says['what']} now")
    if why := _short_of(programme, *then.range_nm):
        return _always(why)
    for key in says:
        if key not in FREE and key not in LIMITS and said[key] != says[key]:
            return _always(f"{key} was {_words(said[key])} and is {_words(says[key])} now")
    changed = [key for key in LIMITS if said.get(key) != says.get(key)]
    was_as_strict = said["rule"] == "guarded" or says["rule"] == said["rule"]
    if not changed and was_as_strict:
        return _counts
    values = [each[key] for key in changed for each in (said, says)]
    if len(changed) > 1 or not all(map(_is_number, values)):
        return _always("its limits were of another kind")
    by = says[changed[0]] / said[changed[0]] if changed else 1.0
    return lambda row: _within(row, by, now, was_as_strict)


def _against_row(programme: Programme, now: AnyCheck, row: Mapping[str, Any]) -> str:
    """What the number itself tells, where the record has no programme of its time."""
    if row["what"] != now.what:
        return f"it was {row['what']} and is {now.what} now"
    return _short_of(programme, row["start_nm"], row["stop_nm"])


def _short_of(programme: Programme, start: float, stop: float) -> str:
    low, high = programme.range_nm
    if start <= low and high <= stop:
        return ""
    asked = f"the programme now asks for {low:g} nm to {high:g} nm"
    return f"it was for {start:g} nm to {stop:g} nm, and {asked}"


def _is_number(value: object) -> bool:
    return isinstance(value, float | int) and value != 0


def _within(row: Mapping[str, Any], by: float, now: AnyCheck, was_as_strict: bool) -> str:
    """Why a number does not lie within the limits of today, `by` times those of its time."""
    tested = row["value"] if row["error"] is None else row["error"]
    low, high = (
        None if row[end] is None else float(f"{row[end] * by:.12g}") for end in ("low", "high")
    )
    is_looser = (low is None or low <= row["low"]) and (high is None or high >= row["high"])
    if is_looser and was_as_strict:
        return ""
    if isinstance(now, Repeatability):
        # its interval is not symmetrical, and the row has but half its width
        return "its limit or its rule was wider"
    guard = (row["uncertainty"] or 0.0) if now.rule == "guarded" else 0.0
    limits = " to ".join(f"{end:g}" for end in (low, high) if end is not None)
    asked = f"the limits of today, {limits} {row['unit']}"
    if tested is None:
        return f"it has no number to hold against {asked}"
    if (low is None or tested >= low + guard) and (high is None or tested <= high - guard):
        return ""
    found = f"{tested:.4g} {row['unit']} ± {row['uncertainty'] or 0:.2g} {row['unit']}"
    return f"{found} would not pass {asked}"


def _words(value: object) -> str:
    if isinstance(value, tuple | list):
        return " to ".join(map(str, value))
    return "nothing" if value is None else str(value)
