"""Search: what may be asked of the measurements, and the pages of the answer."""

from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

import polars as pl

from speclake.archive.catalog.layout import SNAPSHOT, TAIL, hidden
from speclake.archive.catalog.numbers import AMONG, numbers_of
from speclake.archive.catalog.session import Session
from speclake.archive.catalog.standing import severity
from speclake.checks import Check, Severity
from speclake.specs.verdicts import SEVERITY, Outcome

Shown = Literal["hide", "show", "only"]

NOT_JUDGED = "not judged"
"""What to ask for, in place of an outcome, to find what has no current verdict."""

OUTCOMES = (
    *(str(outcome) for outcome in SEVERITY if outcome is not Outcome.INCOMPLETE),
    NOT_JUDGED,
)
"""What a measurement can be asked for; only a part can be incomplete."""

_WEIGHTS = tuple(str(severity) for severity in Severity)
FINDINGS = (*_WEIGHTS, *(str(check) for check in Check if check is not Check.REVIEW))
"""What a measurement can be asked for among its findings."""

MATCHED = (
    "sample", "lot", "product", "order_number", "customer", "serial", "coating_run", "instrument",
    "accessory", "kind", "quantity", "site", "file",
)  # fmt: skip
"""Columns of `Query` that are compared as a whole, with ``*`` for any text."""

LISTED = (
    "measurement_id", "trusted_at", "sample", "lot", "serial", "site", "product", "order_number",
    "customer", "coating_run", "instrument", "kind", "quantity", "unit", "outcome", "file", "place",
    "folder", "operator", "comment", "side", "stage", "segment", "angle_deg", "polarisation",
    "geometry", "port", "accessory", "x_mm", "y_mm", "scanned_at", "arrived_at", "axis_id",
    "points", "axis_first", "axis_last", "axis_unit", "withdrawn", "withdrawn_by",
    "withdrawn_why", "superseded_by", "in_conflict", "conflict", "unassigned", "in_review",
    "review_by", "review_why", "commit_number",
)  # fmt: skip
"""Columns of a list of measurements."""

FACETS = (
    "sample", "lot", "product", "order_number", "customer", "serial", "coating_run", "instrument",
    "kind", "quantity", "unit", "site", "outcome", "operator", "folder", "stage", "side",
    "importer", "format",
)  # fmt: skip
"""Columns whose distinct values may be listed."""


_SPARE = 200


@dataclass(frozen=True, kw_only=True)
class Query:
    """What to look for among the measurements; every condition that is given must hold.

    Parameters
    ----------
    sample, lot, product, order_number, customer, serial, coating_run, instrument, accessory, kind,
    quantity, site, file : the whole text; ``*`` stands for any text.
    text : found anywhere in sample, lot, serial, product, order, customer, coating run, file,
        operator, comment or instrument, in capitals or not.
    since, until : span of `trusted_at`; until is outside. Aware times.
    outcome : one of `OUTCOMES`. With `spec`, the outcome under that specification alone.
    spec : name of a specification that has judged the measurement.
    finding : one of `FINDINGS`: a check that found something, or how much a finding weighs. Who is
        under review is asked for with `in_review`.
    unassigned, in_conflict, in_review : whether it is so; None does not ask.
    withdrawn, superseded : whether such measurements are hidden, shown too, or the only ones.
    ids : only these measurements.
    sort : one of `LISTED`. Rows that are equal in it come in the order of taking in.
    limit : None for all.
    """

    sample: str | None = None
    lot: str | None = None
    product: str | None = None
    order_number: str | None = None
    customer: str | None = None
    serial: str | None = None
    coating_run: str | None = None
    instrument: str | None = None
    accessory: str | None = None
    kind: str | None = None
    quantity: str | None = None
    site: str | None = None
    file: str | None = None
    text: str | None = None
    since: datetime | None = None
    until: datetime | None = None
    outcome: str | None = None
    spec: str | None = None
    finding: str | None = None
    unassigned: bool | None = None
    in_conflict: bool | None = None
    in_review: bool | None = None
    withdrawn: Shown = "hide"
    superseded: Shown = "hide"
    ids: tuple[str, ...] | None = None
    sort: str = "trusted_at"
    descending: bool = True
    limit: int | None = 100
    offset: int = 0

    def __post_init__(self) -> None:
        if self.sort not in LISTED:
            raise ValueError(f"sort: found {self.sort!r}; expected one of {', '.join(LISTED)}")
        if self.outcome is not None and self.outcome not in OUTCOMES:
            raise ValueError(
                f"outcome: found {str(self.outcome)!r}; expected one of {', '.join(OUTCOMES)}"
            )
        if self.finding is not None and self.finding not in FINDINGS:
            raise ValueError(
                f"finding: found {str(self.finding)!r}; expected one of {', '.join(FINDINGS)}"
            )
        for name in ("since", "until"):
            time = getattr(self, name)
            if time is not None and time.utcoffset() is None:
                raise ValueError(f"{name}: found {time.isoformat()}; expected it with its offset")


@dataclass
class Where:
    """Conditions in SQL and the values for their question marks."""

    conditions: list[str] = field(default_factory=list)
    parameters: list[object] = field(default_factory=list)

    def add(self, condition: str, *parameters: object) -> None:
        """Demand one thing more."""
        self.conditions.append(condition)
        self.parameters += parameters

    @property
    def sql(self) -> str:
        """The WHERE clause."""
        return f"WHERE {' AND '.join(self.conditions)}" if self.conditions else ""


def where(session: Session, query: Query) -> Where:
    """Conditions that a query amounts to."""
    found = Where()
    for name in MATCHED:
        match(found, name, getattr(query, name))
    if query.text:
        found.add("contains(search_text, lower(?))", query.text)
    if query.since is not None:
        found.add("trusted_at >= ?", query.since)
    if query.until is not None:
        found.add("trusted_at < ?", query.until)
    for name in ("unassigned", "in_conflict", "in_review"):
        if (asked := getattr(query, name)) is not None:
            found.add(name if asked else f"NOT {name}")
    show(found, "withdrawn", query.withdrawn)
    show(found, "superseded_by IS NOT NULL", query.superseded)
    if query.ids is not None:
        found.add(AMONG, numbers_of(session, query.ids))
    if query.finding is not None:
        condition, word = asked_for(query.finding)
        found.add(
            f"measurement_no IN (SELECT measurement_no FROM findings WHERE {condition})", word
        )
    _judged(found, query.outcome, query.spec)
    return found


def asked_for(finding: str) -> tuple[str, str]:
    """Condition on a finding, and the word for its question mark."""
    column = "severity" if finding in _WEIGHTS else '"check"'
    return f"{column} = ?", finding


def match(found: Where, name: str, text: str | None) -> None:
    """Demand that a column is a text, in which ``*`` stands for any."""
    if text is None:
        return
    if "*" in text:
        literal = text.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_")
        found.add(f"{name} LIKE ? ESCAPE '\\'", literal.replace("*", "%"))
    else:
        found.add(f"{name} = ?", text)


def show(found: Where, condition: str, shown: Shown) -> None:
    """Hide, show or pick out the rows of which a condition holds."""
    if shown == "hide":
        found.add(f"NOT ({condition})")
    elif shown == "only":
        found.add(condition)


def _judged(found: Where, outcome: str | None, spec: str | None) -> None:
    if spec is None:
        if outcome == NOT_JUDGED:
            found.add("outcome IS NULL")
        elif outcome is not None:
            found.add("outcome = ?", outcome)
        return
    counts = f"{severity('outcome')} IS NOT NULL"  # what has lapsed says nothing any more
    judged = f"SELECT measurement_no FROM current_verdicts WHERE spec = ? AND {counts}"
    if outcome == NOT_JUDGED:
        found.add(f"measurement_no NOT IN ({judged} AND measurement_no IS NOT NULL)", spec)
    elif outcome is None:
        found.add(f"measurement_no IN ({judged})", spec)
    else:
        worst = f"min({severity('outcome')}) = {severity('?')}"
        found.add(
            f"measurement_no IN ({judged} GROUP BY measurement_no HAVING {worst})", spec, outcome
        )


def search(session: Session, query: Query) -> pl.DataFrame:
    """One page of the measurements that a query finds, with the columns of `LISTED`.

    The page is chosen by its numbers first, so that only its rows are read in full.
    """
    listed = ", ".join(f'"{name}"' for name in LISTED)
    order = _order(query, query.sort)
    if query.limit is None:
        found = where(session, query)
        return session.frame(
            f"SELECT {listed} FROM measurements {found.sql} "
            f"ORDER BY {order} OFFSET {int(query.offset)}",
            found.parameters,
        )
    page = _page(session, query)
    places = [(f"{SNAPSHOT}.main", page.in_snapshot)] if page.in_snapshot else []
    if page.in_tail or not places:  # what a page does not need is not planned: it takes 5 ms
        places.append((TAIL, page.in_tail))
    rows = " UNION ALL ".join(
        f"SELECT measurement_no, {listed} FROM {place}.measurements WHERE {AMONG}"
        for place, _ in places
    )
    return session.frame(
        f"SELECT {listed} FROM ({rows}) ORDER BY {order}", [numbers for _, numbers in places]
    )


@dataclass(frozen=True)
class _Page:
    """Numbers of the measurements on a page, and what was looked at to find them."""

    in_tail: list[int]
    in_snapshot: list[int]
    seen: int
    """Rows of the snapshot that came first."""
    standing: int
    """Those of them that have no newer version."""


def _order(query: Query, column: str) -> str:
    direction = "DESC" if query.descending else "ASC"
    return f'"{column}" {direction} NULLS LAST, measurement_no {direction}'


def _page(session: Session, query: Query) -> _Page:
    """Page of a query that has a limit.

    Snapshot and tail each give their first rows, since DuckDB finds the first rows of a table
    without reading all of it, but not those of a view of two. Some of the snapshot's may be hidden
    by newer versions: a few more than needed are asked for, and all if those were not enough.
    """
    needed = query.offset + (query.limit or 0)
    hidden_rows = session.hidden_rows()
    page = _first(session, query, needed + min(hidden_rows, _SPARE))
    if page.standing < needed <= page.seen:
        page = _first(session, query, needed + hidden_rows)
    return page


def _first(session: Session, query: Query, most: int) -> _Page:
    """Page of a query from the first `most` rows of snapshot and tail."""
    found = where(session, query)
    columns = f'measurement_no, "{query.sort}" AS sorted'
    order = _order(query, "sorted")
    below = "SELECT measurement_no, sorted FROM above LIMIT 0"
    parameters = found.parameters
    if session.has_snapshot:
        below = (
            f"SELECT {columns} FROM {SNAPSHOT}.main.measurements {found.sql} "
            f"ORDER BY {order} LIMIT {most}"
        )
        parameters = [*parameters, *parameters]
    rows = session.rows(
        f"""WITH above AS MATERIALIZED (
            SELECT {columns} FROM {TAIL}.measurements {found.sql} ORDER BY {order} LIMIT {most}
        ), below AS MATERIALIZED ({below}), standing AS MATERIALIZED (
            SELECT * FROM below ANTI JOIN {TAIL}.{hidden("measurements")} USING (measurement_no)
        ), page AS MATERIALIZED (
            SELECT * FROM (SELECT *, true AS is_new FROM above UNION ALL
                           SELECT *, false FROM standing)
            ORDER BY {order} LIMIT {int(query.limit or 0)} OFFSET {int(query.offset)}
        )
        SELECT (SELECT list(measurement_no) FROM page WHERE is_new),
               (SELECT list(measurement_no) FROM page WHERE NOT is_new),
               (SELECT count(*) FROM below), (SELECT count(*) FROM standing)""",
        parameters,
    )
    in_tail, in_snapshot, seen, standing = rows[0]
    return _Page(in_tail or [], in_snapshot or [], seen, standing)


def count(session: Session, query: Query) -> int:
    """Number of measurements that a query finds, whatever its limit."""
    found = where(session, query)
    sql = f"SELECT count(*) FROM measurements {found.sql}"
    return int(session.rows(sql, found.parameters)[0][0])


def facets(session: Session, column: str, limit: int | None = None) -> pl.DataFrame:
    """Distinct values of a column with their counts, most frequent first.

    Withdrawn and superseded measurements do not count.

    Raises
    ------
    ValueError
        The column is none of `FACETS`.
    """
    if column not in FACETS:
        raise ValueError(f"column: found {column!r}; expected one of {', '.join(FACETS)}")
    most = "" if limit is None else f"LIMIT {int(limit)}"
    return session.frame(
        f"""SELECT "{column}" AS value, count(*) AS measurements FROM measurements
        WHERE "{column}" IS NOT NULL AND NOT withdrawn AND superseded_by IS NULL
        GROUP BY ALL ORDER BY measurements DESC, value {most}"""
    )


def latest_by_instrument(session: Session, n: int) -> pl.DataFrame:
    """Last `n` measurements of each instrument, newest first, with the columns of `LISTED`."""
    listed = ", ".join(f'"{name}"' for name in LISTED)
    return session.frame(
        f"""SELECT {listed} FROM measurements WHERE measurement_no IN (
            SELECT unnest(max_by(measurement_no, (trusted_at, measurement_no), {int(n)}))
            FROM measurements WHERE NOT withdrawn AND superseded_by IS NULL GROUP BY instrument
        ) ORDER BY instrument, trusted_at DESC, measurement_no DESC"""
    )
