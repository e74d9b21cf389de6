"""Which verdicts are current, and the outcome that follows for a measurement.

The current verdict of a requirement is the latest one, by commit and then by row. Where the same
specification has judged a measurement in another version since, all verdicts of the earlier
version are past: a requirement that the new version no longer has must not linger.
"""

import duckdb

from speclake.archive.catalog.layout import TABLES, TAIL, hidden
from speclake.specs.verdicts import SEVERITY

Cursor = duckdb.DuckDBPyConnection


def severity(column: str) -> str:
    """SQL of the place of an outcome in `SEVERITY`, 1 for the worst; NULL for what has lapsed."""
    words = ", ".join(f"'{word}'" for word in SEVERITY)
    return f"nullif(list_position([{words}], {column}), 0)"


def word(rank: str) -> str:
    """SQL of the outcome at a place in `SEVERITY`."""
    words = ", ".join(f"'{each}'" for each in SEVERITY)
    return f"[{words}][{rank}]"


def take_verdicts(cursor: Cursor, start: int) -> None:
    """New verdicts into ``fresh_verdicts``; whether they are current is still to be ruled."""
    taken = ", ".join(f'given."{name}"' for name in TABLES["verdicts"].taken)
    cursor.execute(
        f"""CREATE OR REPLACE TEMP TABLE fresh_verdicts AS
        SELECT {start} + place_in_chunk AS verdict_no, known.measurement_no, given.commit_number,
               false AS current, {taken}
        FROM staged_verdicts AS given LEFT JOIN resolved AS known
             ON known.measurement_id = given.measurement_id
             AND known.commit_number <= given.commit_number"""
    )


def rule(cursor: Cursor, below: int, with_older: bool) -> None:
    """Write the new verdicts into the tail, and anew those that they make past ones.

    Parameters
    ----------
    below : the verdicts of the snapshot have the numbers below this one.
    with_older : whether measurements known before were judged, whose verdicts may now be past.
    """
    if with_older:
        cursor.execute(
            """CREATE OR REPLACE TEMP TABLE standing AS
            SELECT * FROM current_verdicts
            WHERE measurement_no IN (SELECT measurement_no FROM older)
            AND (measurement_no, spec) IN (SELECT (measurement_no, spec) FROM fresh_verdicts)"""
        )
    else:
        cursor.execute(
            "CREATE OR REPLACE TEMP TABLE standing AS SELECT * FROM fresh_verdicts LIMIT 0"
        )
    _rule(cursor)
    cursor.execute(
        f"""INSERT INTO {TAIL}.verdicts
        SELECT fresh_verdicts.* REPLACE (coalesce(ruled.is_current, false) AS current)
        FROM fresh_verdicts LEFT JOIN ruled USING (verdict_no)"""
    )
    if with_older:
        _demote(cursor, below)


def _rule(cursor: Cursor) -> None:
    """Whether each verdict in question is current, into ``ruled``."""
    cursor.execute(
        """CREATE OR REPLACE TEMP TABLE ruled AS
        WITH asked AS (
            SELECT verdict_no, measurement_no, spec, spec_version, requirement FROM standing
            UNION ALL
            SELECT verdict_no, measurement_no, spec, spec_version, requirement FROM fresh_verdicts
            WHERE measurement_no IS NOT NULL
        ), versions AS (
            SELECT measurement_no, spec, max_by(spec_version, verdict_no) AS latest
            FROM asked GROUP BY ALL
        ), others AS (
            SELECT measurement_no, spec, max(verdict_no) AS last_other
            FROM asked JOIN versions USING (measurement_no, spec)
            WHERE spec_version <> latest GROUP BY ALL
        ), latest AS (
            SELECT max(verdict_no) AS verdict_no, measurement_no, spec
            FROM asked GROUP BY measurement_no, spec, requirement
        )
        SELECT asked.verdict_no,
               latest.verdict_no IS NOT NULL
               AND asked.verdict_no > coalesce(others.last_other, -1) AS is_current
        FROM asked LEFT JOIN latest ON latest.verdict_no = asked.verdict_no
             LEFT JOIN others
             ON others.measurement_no = asked.measurement_no AND others.spec = asked.spec"""
    )


def _demote(cursor: Cursor, below: int) -> None:
    """Write anew the verdicts that were current and are no more."""
    cursor.execute(
        """CREATE OR REPLACE TEMP TABLE demoted AS
        SELECT standing.* REPLACE (false AS current)
        FROM standing SEMI JOIN (SELECT * FROM ruled WHERE NOT is_current) USING (verdict_no)"""
    )
    cursor.execute(
        f"DELETE FROM {TAIL}.verdicts WHERE verdict_no IN (SELECT verdict_no FROM demoted)"
    )
    cursor.execute(
        f"""INSERT INTO {TAIL}.{hidden("verdicts")}
        SELECT verdict_no FROM demoted WHERE verdict_no < {below}
        AND verdict_no NOT IN (SELECT verdict_no FROM {TAIL}.{hidden("verdicts")})"""
    )
    cursor.execute(f"INSERT INTO {TAIL}.verdicts SELECT * FROM demoted")


def find_outcomes(cursor: Cursor) -> None:
    """Worst of the current verdicts of each measurement judged in the chunk, into ``outcomes``."""
    cursor.execute(
        f"""CREATE OR REPLACE TEMP TABLE outcomes AS
        SELECT measurement_no, {word(f"min({severity('outcome')})")} AS outcome
        FROM current_verdicts
        WHERE measurement_no IN (SELECT measurement_no FROM fresh_verdicts)
        GROUP BY measurement_no"""
    )
