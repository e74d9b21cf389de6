"""Commits into the tail: one chunk, one transaction, so that readers see all of it or nothing."""

from dataclasses import dataclass

import duckdb
import pyarrow as pa

from speclake.archive.catalog import effective, standing, taking
from speclake.archive.catalog.layout import TABLES, TAIL, About
from speclake.archive.catalog.source import PLACE, ROW_IN_COMMIT, Chunk
from speclake.archive.chain import SEAL, Commit
from speclake.archive.schemas import COMMIT_FIELD, SCHEMAS

Cursor = duckdb.DuckDBPyConnection

_STAGED = tuple(table.rows for table in TABLES.values() if table.rows is not None)


@dataclass(frozen=True)
class Below:
    """How many numbers the snapshot below the tail has given."""

    measurements: int = 0
    verdicts: int = 0


def load(cursor: Cursor, chunk: Chunk, below: Below) -> None:
    """Show a chunk of commits, or, after an error, nothing of it."""
    for name in _STAGED:
        cursor.register(f"staged_{name}", chunk.tables.get(name, _nothing(name)))
    cursor.execute("BEGIN")
    try:
        _load(cursor, chunk, below)
    except BaseException:
        cursor.execute("ROLLBACK")
        raise
    else:
        cursor.execute("COMMIT")
    finally:
        for name in _STAGED:
            cursor.unregister(f"staged_{name}")


def _nothing(name: str) -> pa.Table:
    schema = SCHEMAS[name].append(COMMIT_FIELD)
    for column in (ROW_IN_COMMIT, PLACE):
        schema = schema.append(pa.field(column, pa.int32()))
    return schema.empty_table()


def _load(cursor: Cursor, chunk: Chunk, below: Below) -> None:
    found = cursor.execute(f"SELECT * EXCLUDE (layout) FROM {TAIL}.about").fetchone()
    given = About(*found) if found else About()
    taking.take_files(cursor, given.files)
    taking.take_measurements(cursor, given.measurements)
    taking.resolve(cursor)
    _take(cursor, chunk, given)
    _judge(cursor, chunk, given, below)
    _make_effective(cursor, "events" in chunk.tables, below)
    for commit in chunk.commits:
        _record(cursor, commit)
    _count(cursor, chunk.last)


def _take(cursor: Cursor, chunk: Chunk, given: About) -> None:
    """Take what stands beside the measurements."""
    has_events = "events" in chunk.tables
    if has_events:
        taking.take_events(cursor, given.events)
    else:
        taking.none_of(cursor, "events")
    if has_events or taking.count(cursor, "staged_measurements", "len(links) > 0"):
        taking.take_links(cursor, given.links)
    else:
        taking.none_of(cursor, "links")
    for name in ("findings", "qualifications"):
        if name in chunk.tables:
            taking.take_said(cursor, name)
    if "figures" in chunk.tables:
        taking.take_figures(cursor)
    for name in ("axes", "derived", "specifications", "standards"):
        if name in chunk.tables:
            taking.take_as_given(cursor, name)


def _judge(cursor: Cursor, chunk: Chunk, given: About, below: Below) -> None:
    """Take the verdicts, and find the outcomes that follow."""
    if "verdicts" in chunk.tables:
        standing.take_verdicts(cursor, given.verdicts)
        standing.rule(cursor, below.verdicts, with_older=taking.count(cursor, "older") > 0)
    else:
        taking.none_of(cursor, "verdicts")
    standing.find_outcomes(cursor)


def _make_effective(cursor: Cursor, has_events: bool, below: Below) -> None:
    """Write the effective version of every measurement that the chunk touches."""
    touches_older = has_events or taking.count(cursor, "older") > 0
    if touches_older:
        effective.find_settled(cursor)
        effective.find_touched(cursor)
    else:
        effective.only_fresh(cursor)
    if has_events:
        effective.apply_events(cursor)
    if touches_older or taking.count(cursor, "fresh_links") > 0:
        effective.find_bound(cursor)
    else:
        effective.nothing_bound(cursor)
    if touches_older:
        effective.replace_older(cursor, below.measurements)
    effective.write_effective(cursor)


def _record(cursor: Cursor, commit: Commit) -> None:
    """Note a commit, and which batches it stands for."""
    cursor.execute(
        f"INSERT INTO {TAIL}.commits VALUES (?, ?, ?, ?, ?)",
        [commit.number, commit.at, commit.who, commit.why, commit.kind],
    )
    if commit.kind == SEAL:
        cursor.execute(
            f"""INSERT INTO {TAIL}.moves
            WITH replaced AS (SELECT unnest($1::BIGINT[]) AS number),
            moved AS (SELECT commit_number, max(batch) AS batch FROM moves GROUP BY ALL)
            SELECT number, $2::BIGINT FROM replaced UNION
            SELECT commit_number, $2::BIGINT FROM moved JOIN replaced ON batch = number""",
            [list(commit.replaces), commit.number],
        )


def _count(cursor: Cursor, last: Commit) -> None:
    """Note of which commit the catalogue is now, and the numbers given."""
    new = ", ".join(
        f"{name} = {name} + (SELECT count(*) FROM {fresh})"
        for name, fresh in (
            ("measurements", "new_measurements"),
            ("files", "new_files"),
            ("verdicts", "fresh_verdicts"),
            ("events", "fresh_events"),
            ("links", "fresh_links"),
        )
    )
    cursor.execute(f"UPDATE {TAIL}.about SET number = ?, hash = ?, {new}", [last.number, last.hash])
