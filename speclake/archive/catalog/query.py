"""Search: what may be asked of the measurements, and the pages of the answer."""

from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

import polars as pl

from speclake.archive.catalog.numbers import AMONG, numbers_of
from speclake.archive.catalog.session import Session
from speclake.archive.catalog.standing import severity

Shown = Literal["hide", "show", "only"]

NOT_JUDGED = "not judged"
"""What to ask for, in place of an outcome, to find what has no current verdict."""

MATCHED = (
    "sample", "lot", "product", "order_number", "customer", "serial", "coating_run", "instrument",
    "kind", "quantity", "site", "file",
)  # fmt: skip
"""Columns of `Query` that are compared as a whole, with ``*`` for any text."""

LISTED = (
    "measurement_id", "trusted_at", "sample", "lot", "serial", "site", "product", "order_number",
    "customer", "coating_run", "instrument", "kind", "quantity", "unit", "outcome", "file", "place",
    "folder", "operator", "comment", "side", "stage", "segment", "angle_deg", "polarisation",
    "x_mm", "y_mm", "scanned_at", "arrived_at", "axis_id", "points", "axis_first", "axis_last",
    "axis_unit", "withdrawn", "withdrawn_by", "withdrawn_why", "superseded_by", "in_conflict",
    "conflict", "unassigned", "commit_number",
)  # fmt: skip
"""Columns of a list of measurements."""

FACETS = (
    "sample", "lot", "product", "order_number", "customer", "serial", "coating_run", "instrument",
    "kind", "quantity", "unit", "site", "outcome", "operator", "folder", "stage", "side",
    "importer", "format",
)  # fmt: skip
"""Columns whose distinct values may be listed."""


@dataclass(frozen=True, kw_only=True)
class Query:
    """What to look for among the measurements; every condition that is given must hold.

    Parameters
    ----------
    sample, lot, product, order_number, customer, serial, coating_run, instrument, kind, quantity,
    site, file : the whole text; ``*`` stands for any text.
    text : found anywhere in sample, lot, serial, product, order, customer, coating run, file,
        operator, comment or instrument, in capitals or not.
    since, until : span of `trusted_at`; until is outside. Aware times.
    outcome : a word of `speclake.specs.verdicts.Outcome`, or ``not judged``. With `spec`, the
        outcome under that specification alone.
    spec : name of a specification that has judged the measurement.
    unassigned, in_conflict : whether it is so; None does not ask.
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
    kind: str | None = None
    quantity: str | None = None
    site: str | None = None
    file: str | None = None
    text: str | None = None
    since: datetime | None = None
    until: datetime | None = None
    outcome: str | None = None
    spec: str | None = None
    unassigned: bool | None = None
    in_conflict: bool | None = None
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
    for name in ("unassigned", "in_conflict"):
        if (asked := getattr(query, name)) is not None:
            found.add(name if asked else f"NOT {name}")
    show(found, "withdrawn", query.withdrawn)
    show(found, "superseded_by IS NOT NULL", query.superseded)
    if query.ids is not None:
        found.add(AMONG, numbers_of(session, query.ids))
    _judged(found, query.outcome, query.spec)
    return found


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
    judged = "SELECT measurement_no FROM current_verdicts WHERE spec = ?"
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
    found = where(session, query)
    direction = "DESC" if query.descending else "ASC"
    order = f'"{query.sort}" {direction} NULLS LAST, measurement_no {direction}'
    listed = ", ".join(f'"{name}"' for name in LISTED)
    if query.limit is None and not query.offset:
        sql = f"SELECT {listed} FROM measurements {found.sql} ORDER BY {order}"
        return session.frame(sql, found.parameters)
    limit = "" if query.limit is None else f"LIMIT {int(query.limit)}"
    page = (
        f"SELECT measurement_no FROM measurements {found.sql} "
        f"ORDER BY {order} {limit} OFFSET {int(query.offset)}"
    )
    sql = f"SELECT {listed} FROM measurements WHERE measurement_no IN ({page}) ORDER BY {order}"
    return session.frame(sql, found.parameters)


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
