"""New rows of the archive's tables: taken once, numbered in the order of the chain.

Every function here reads the staged rows of a chunk (``staged_...``) and the catalogue as it was
before, and leaves new rows in temporary tables (``fresh_...``) or in the tail.
"""

import duckdb

from speclake.archive.catalog.layout import TABLES, TAIL, columns, key, path_key
from speclake.archive.rows import EventKind

Cursor = duckdb.DuckDBPyConnection

_FIRST = "row_number() OVER (PARTITION BY {id} ORDER BY place_in_chunk) = 1"
_NAMING_A_FIGURE = ("measurement_no", "name", "unit", '"start"', '"stop"', '"at"', "version")
_FIGURE = ", ".join(_NAMING_A_FIGURE)
_SAME_FIGURE = " AND ".join(
    f"given.{each} IS NOT DISTINCT FROM told.{each}" for each in _NAMING_A_FIGURE
)
_NUMBER = "{start} + row_number() OVER (ORDER BY {order}) - 1"


def known(table: str, names: str, asked: str) -> str:
    """SQL of two steps that end in ``known``: the rows of a table that may be among those asked.

    The keys of all rows are compared first, which is fast; of the few that are found, `names` are
    read. As long as each step stands for itself, DuckDB does not read the names of all rows.
    """
    number = columns(table)[0]
    return (
        f"hits AS MATERIALIZED (SELECT {number} FROM {table} "
        f"WHERE id_key IN (SELECT id_key FROM {asked})), "
        f"known AS MATERIALIZED (SELECT {names} FROM {table} "
        f"WHERE {number} IN (SELECT {number} FROM hits))"
    )


def _taken(table: str, alias: str) -> str:
    return ", ".join(f'{alias}."{name}"' for name in TABLES[table].taken)


def _numbered(start: int, order: str = "place_in_chunk") -> str:
    return _NUMBER.format(start=start, order=order)


def _number_new(cursor: Cursor, table: str, name: str, start: int) -> None:
    """Number, place in the chunk, commit and name of each new row, into ``new_...``.

    Wide rows stay aside, and whoever needs no more of a row than this does not plan for them.
    """
    number = columns(table)[0]
    cursor.execute(
        f"""CREATE OR REPLACE TEMP TABLE new_{table} AS
        WITH once AS (
            SELECT {name}, {key(name)} AS id_key, place_in_chunk, commit_number FROM (
                SELECT {name}, min(place_in_chunk) AS place_in_chunk,
                       min(commit_number) AS commit_number
                FROM staged_{table} GROUP BY {name}
            )
        ), {known(table, name, "once")}
        SELECT {_numbered(start)} AS {number}, place_in_chunk, commit_number, {name}, id_key
        FROM once ANTI JOIN known USING ({name})"""
    )


def take_files(cursor: Cursor, start: int) -> None:
    """New lines of the ledger, into the tail and into ``fresh_files``."""
    _number_new(cursor, "files", "file_id", start)
    cursor.execute(
        f"""CREATE OR REPLACE TEMP VIEW fresh_files AS
        SELECT file_no, given.commit_number, row_in_commit, id_key,
               {path_key("folder", "path")} AS path_key, {key("sha256")} AS bytes_key,
               {_taken("files", "given")}
        FROM staged_files AS given JOIN new_files AS new USING (place_in_chunk)"""
    )
    cursor.execute(f"INSERT INTO {TAIL}.files SELECT * FROM fresh_files")


def take_measurements(cursor: Cursor, start: int) -> None:
    """New measurements as they were taken in, into ``fresh``."""
    _number_new(cursor, "measurements", "measurement_id", start)
    names = "file_id, file_no, folder, backfill, commit_number"
    cursor.execute(
        f"""CREATE OR REPLACE TEMP TABLE filed AS
        WITH asked AS (
            SELECT DISTINCT file_id, {key("file_id")} AS id_key FROM staged_measurements
            ANTI JOIN new_files USING (file_id)
        ), {known("files", names, "asked")}
        SELECT {names} FROM fresh_files UNION ALL
        SELECT {names} FROM known SEMI JOIN asked USING (file_id)"""
    )
    cursor.execute(
        f"""CREATE OR REPLACE TEMP VIEW fresh AS
        SELECT measurement_no, given.commit_number, row_in_commit, id_key,
               {key("values_sha256")} AS values_key, file_no, folder,
               coalesce(backfill, false) AS backfill, {_taken("measurements", "given")},
               NULL::VARCHAR AS outcome, NULL::VARCHAR AS superseded_by, false AS withdrawn,
               NULL::VARCHAR AS withdrawn_by, NULL::VARCHAR AS withdrawn_why,
               false AS in_review, NULL::VARCHAR AS review_by, NULL::VARCHAR AS review_why,
               false AS in_conflict, false AS unassigned, '' AS search_text
        FROM staged_measurements AS given JOIN new_measurements USING (place_in_chunk)
        LEFT JOIN filed
             ON filed.file_id = given.file_id AND filed.commit_number <= given.commit_number"""
    )


def resolve(cursor: Cursor) -> None:
    """Numbers of all measurements that the chunk speaks of, into ``resolved``.

    ``older`` lists those of them that were known before the chunk.
    """
    names = "measurement_id, measurement_no, commit_number"
    cursor.execute(
        f"""CREATE OR REPLACE TEMP TABLE mentioned AS
        SELECT DISTINCT measurement_id, {key("measurement_id")} AS id_key FROM (
            SELECT measurement_id FROM staged_verdicts UNION ALL
            SELECT measurement_id FROM staged_findings UNION ALL
            SELECT measurement_id FROM staged_figures UNION ALL
            SELECT measurement_id FROM staged_qualifications UNION ALL
            SELECT subject FROM staged_events UNION ALL
            SELECT details['target'] FROM staged_events WHERE kind = '{EventKind.LINK}' UNION ALL
            SELECT link.target FROM (
                SELECT unnest(links) AS link FROM staged_measurements WHERE len(links) > 0
            ) WHERE NOT link.by_name
        ) WHERE measurement_id IS NOT NULL"""
    )
    cursor.execute(
        f"""CREATE OR REPLACE TEMP TABLE older AS
        WITH asked AS (SELECT * FROM mentioned ANTI JOIN new_measurements USING (measurement_id)),
        {known("measurements", names, "asked")}
        SELECT {names} FROM known SEMI JOIN asked USING (measurement_id)"""
    )
    cursor.execute(
        f"""CREATE OR REPLACE TEMP TABLE resolved AS
        SELECT {names} FROM older UNION ALL SELECT {names} FROM new_measurements"""
    )


def none_of(cursor: Cursor, table: str) -> None:
    """An empty ``fresh_...`` for a table of which the chunk adds nothing."""
    cursor.execute(
        f"CREATE OR REPLACE TEMP TABLE fresh_{table} AS SELECT * FROM {TAIL}.{table} LIMIT 0"
    )


def count(cursor: Cursor, table: str, condition: str = "true") -> int:
    """Number of rows of a table for which a condition holds."""
    found = cursor.execute(f"SELECT count(*) FROM {table} WHERE {condition}").fetchone()
    return int(found[0]) if found else 0


def take_events(cursor: Cursor, start: int) -> None:
    """New events, into the tail and into ``fresh_events``."""
    cursor.execute(
        f"""CREATE OR REPLACE TEMP TABLE fresh_events AS
        WITH once AS (
            SELECT * FROM staged_events QUALIFY {_FIRST.format(id="event_id")}
        )
        SELECT {_numbered(start)} AS event_no,
               known.measurement_no, once.commit_number, {_taken("events", "once")}
        FROM once LEFT JOIN resolved AS known
             ON known.measurement_id = once.subject AND known.commit_number <= once.commit_number
        WHERE event_id NOT IN (SELECT event_id FROM events)"""
    )
    cursor.execute(f"INSERT INTO {TAIL}.events SELECT * FROM fresh_events ORDER BY event_no")


def take_said(cursor: Cursor, table: str) -> None:
    """New rows of ``findings`` or ``qualifications``, into the tail."""
    name = TABLES[table].taken[0]
    cursor.execute(
        f"""INSERT INTO {TAIL}.{table}
        WITH once AS (
            SELECT * FROM staged_{table} QUALIFY {_FIRST.format(id=name)}
        ), told AS (
            SELECT {name} FROM {table}
            WHERE measurement_no IN (SELECT measurement_no FROM older)
        )
        SELECT known.measurement_no, once.commit_number, {_taken(table, "once")}
        FROM once JOIN resolved AS known
             ON known.measurement_id = once.measurement_id
             AND known.commit_number <= once.commit_number
        ANTI JOIN told USING ({name})
        ORDER BY place_in_chunk"""
    )


def take_figures(cursor: Cursor) -> None:
    """New figures, into the tail; what names one is the measurement and what was taken of it.

    The catalogue has too many of them to keep an identifier with each.
    """
    cursor.execute(
        f"""INSERT INTO {TAIL}.figures
        WITH given AS (
            SELECT known.measurement_no, f.*
            FROM staged_figures AS f JOIN resolved AS known
                 ON known.measurement_id = f.measurement_id
                 AND known.commit_number <= f.commit_number
        ), told AS (
            SELECT {_FIGURE} FROM figures
            WHERE measurement_no IN (SELECT measurement_no FROM older)
        )
        SELECT measurement_no, commit_number, {_taken("figures", "given")}
        FROM given ANTI JOIN told ON {_SAME_FIGURE}
        QUALIFY {_FIRST.format(id=_FIGURE)}
        ORDER BY place_in_chunk"""
    )


def take_links(cursor: Cursor, start: int) -> None:
    """New links, of new measurements and of events, into the tail and into ``fresh_links``."""
    cursor.execute(
        f"""CREATE OR REPLACE TEMP TABLE fresh_links AS
        WITH given AS (
            SELECT measurement_no, commit_number, 0 AS sort, row_in_commit AS place, i, link.kind,
                   link.target, link.by_name, link.evidence
            FROM (
                SELECT *, unnest(links) AS link, generate_subscripts(links, 1) AS i FROM fresh
                WHERE len(links) > 0
            )
            UNION ALL
            SELECT measurement_no, commit_number, 1, event_no, 0, details['kind'],
                   details['target'], coalesce(lower(details['by_name']), 'false') = 'true', why
            FROM fresh_events WHERE kind = '{EventKind.LINK}' AND measurement_no IS NOT NULL
        )
        SELECT {_numbered(start, "given.commit_number, sort, place, i")} AS link_no,
               given.measurement_no, known.measurement_no AS target_no, given.commit_number,
               kind, target, by_name, evidence, sort = 1 AS is_later
        FROM given LEFT JOIN resolved AS known
             ON NOT by_name AND known.measurement_id = given.target
             AND known.commit_number <= given.commit_number"""
    )
    names = ", ".join(columns("links"))
    cursor.execute(f"INSERT INTO {TAIL}.links SELECT {names} FROM fresh_links ORDER BY link_no")


_COMPUTED = {"axes": 'len("values"), "values"[1], "values"[-1],'}


def take_as_given(cursor: Cursor, table: str) -> None:
    """New rows of ``axes``, ``derived``, ``specifications`` or ``standards``, into the tail."""
    name = TABLES[table].taken[0]
    position = "row_in_commit," if "row_in_commit" in columns(table) else ""
    cursor.execute(
        f"""INSERT INTO {TAIL}.{table}
        WITH once AS (SELECT * FROM staged_{table} QUALIFY {_FIRST.format(id=name)})
        SELECT commit_number, {position} {_COMPUTED.get(table, "")} {_taken(table, "once")}
        FROM once ANTI JOIN {table} AS known USING ({name})
        ORDER BY place_in_chunk"""
    )
