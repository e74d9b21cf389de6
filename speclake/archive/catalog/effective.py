"""The effective version of a measurement: as taken in, plus what people and later rows said since.

Events are applied in the order of the chain to the version that stands, so the same comes out
whether the chain is read at once or commit by commit:

``assign`` sets each assignable field that its details name (an empty text clears it; a text that
is no value of the field changes nothing), says so in `origin`, and strikes what `unresolved` said
of the field (an entry begins with the names of its fields: ``sample or serial: ...``).
``withdraw`` and ``reinstate`` set the flag, with who and why; so do ``put aside`` and ``release``
for the review, which goes on while an event says why it still stands (`standing_why`).
``link`` adds a link from its subject: details ``kind``, ``target`` and, where the target is a
name, ``by_name = true``; the evidence is the event's why.
``settle conflict`` clears the conflict of its subject, and of those whose values it shares.

What follows from others: `superseded_by` is the latest measurement that supersedes this one and is
not withdrawn; `in_conflict` holds for both parties of a conflict; `outcome` is the worst of the
current verdicts.
"""

import duckdb

from speclake.archive.catalog.layout import TAIL, hidden
from speclake.archive.rows import EventKind
from speclake.measurement import ASSIGNABLE, Correction, Kind, LinkKind

Cursor = duckdb.DuckDBPyConnection

SEARCHED = (
    "sample", "lot", "serial", "product", "order_number", "customer", "coating_run", "file",
    "operator", "comment", "instrument",
)  # fmt: skip
"""Columns in which a search for text looks."""

_WHOLE = r"\d+"
_DECIMAL = r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?"
_TRUE = "('yes', 'true', 'on', '1')"
_FALSE = "('no', 'false', 'off', '0')"
_CHANGING = ", ".join(
    f"'{kind}'"
    for kind in (
        EventKind.ASSIGN,
        EventKind.WITHDRAW,
        EventKind.REINSTATE,
        EventKind.PUT_ASIDE,
        EventKind.RELEASE,
        EventKind.LINK,
        EventKind.SETTLE_CONFLICT,
    )
)
_BINDING = f"('{LinkKind.SUPERSEDES}', '{LinkKind.SAME_VALUES_AS}')"
_NAMES_PART = "sample IS NOT NULL OR lot IS NOT NULL OR serial IS NOT NULL"


def only_fresh(cursor: Cursor) -> None:
    """New measurements into ``working``, where no other can be touched."""
    cursor.execute("CREATE OR REPLACE TEMP VIEW working AS SELECT * FROM fresh")


def find_touched(cursor: Cursor) -> None:
    """Measurements whose effective version may change, into ``working`` as they stand now.

    ``changed`` lists those with new facts of their own; the others are bound to one of these by a
    link, or were judged.
    """
    cursor.execute(
        f"""CREATE OR REPLACE TEMP TABLE changed AS
        SELECT measurement_no FROM new_measurements UNION
        SELECT measurement_no FROM fresh_events
        WHERE measurement_no IS NOT NULL AND kind IN ({_CHANGING}) UNION
        SELECT measurement_no FROM settled_now"""
    )
    cursor.execute(
        f"""CREATE OR REPLACE TEMP TABLE touched AS
        SELECT measurement_no FROM changed UNION
        SELECT measurement_no FROM fresh_verdicts WHERE measurement_no IS NOT NULL UNION
        SELECT target_no FROM links WHERE target_no IS NOT NULL AND kind IN {_BINDING}
        AND measurement_no IN (SELECT measurement_no FROM changed)"""
    )
    cursor.execute(
        """CREATE OR REPLACE TEMP TABLE working AS
        SELECT * FROM fresh UNION ALL
        SELECT * FROM measurements WHERE measurement_no IN (
            SELECT measurement_no FROM touched ANTI JOIN new_measurements USING (measurement_no)
        )"""
    )


def find_settled(cursor: Cursor) -> None:
    """Measurements whose conflict an event of the chunk settles, into ``settled_now``."""
    cursor.execute(
        f"""CREATE OR REPLACE TEMP TABLE settled_now AS
        WITH settling AS (
            SELECT measurement_no, commit_number FROM fresh_events
            WHERE kind = '{EventKind.SETTLE_CONFLICT}' AND measurement_no IS NOT NULL
        )
        SELECT measurement_no FROM settling UNION
        SELECT links.measurement_no FROM links JOIN settling
               ON links.target_no = settling.measurement_no
               AND links.commit_number <= settling.commit_number
        WHERE links.kind = '{LinkKind.SAME_VALUES_AS}'"""
    )


def apply_events(cursor: Cursor) -> None:
    """Replace ``working`` by what the events of the chunk make of it."""
    _find_assigned(cursor)
    _find_flagged(cursor, "withdrawn_now", EventKind.WITHDRAW, EventKind.REINSTATE)
    _find_flagged(cursor, "reviewed_now", EventKind.PUT_ASIDE, EventKind.RELEASE)
    cursor.execute(
        """CREATE OR REPLACE TEMP TABLE linked AS
        SELECT measurement_no, list({kind: kind, target: target, by_name: by_name,
               evidence: evidence} ORDER BY link_no) AS links
        FROM fresh_links WHERE is_later GROUP BY measurement_no"""
    )
    fields = ",\n".join(f"{_assigned(name)} AS {name}" for name in ASSIGNABLE)
    cursor.execute(
        f"""CREATE OR REPLACE TEMP TABLE working AS
        SELECT w.* REPLACE (
            {fields},
            CASE WHEN a.told IS NULL THEN w.origin ELSE map_concat(w.origin, a.told) END AS origin,
            CASE WHEN a.told IS NULL THEN w.unresolved ELSE list_filter(w.unresolved, lambda entry:
                NOT list_has_any(string_split(split_part(entry, ':', 1), ' or '),
                                 map_keys(a.told))) END AS unresolved,
            CASE WHEN s.measurement_no IS NULL THEN w.conflict END AS conflict,
            {_flagged("f", "withdrawn", "withdrawn_by", "withdrawn_why")},
            {_flagged("r", "in_review", "review_by", "review_why")},
            CASE WHEN l.links IS NULL THEN w.links ELSE list_concat(w.links, l.links) END AS links
        )
        FROM working AS w
        LEFT JOIN assigned AS a USING (measurement_no)
        LEFT JOIN settled_now AS s USING (measurement_no)
        LEFT JOIN withdrawn_now AS f USING (measurement_no)
        LEFT JOIN reviewed_now AS r USING (measurement_no)
        LEFT JOIN linked AS l USING (measurement_no)"""
    )


def _find_flagged(cursor: Cursor, table: str, on: EventKind, off: EventKind) -> None:
    """What the last event of two opposite kinds says of each measurement, into a table."""
    cursor.execute(
        f"""CREATE OR REPLACE TEMP TABLE {table} AS
        SELECT measurement_no,
               max_by(kind = '{on}' OR details['standing_why'] IS NOT NULL, event_no) AS is_on,
               max_by(coalesce(details['standing_by'], who), event_no) AS who,
               max_by(coalesce(details['standing_why'], why), event_no) AS why
        FROM fresh_events WHERE kind IN ('{on}', '{off}') GROUP BY measurement_no"""
    )


def _flagged(alias: str, flag: str, by: str, why: str) -> str:
    """SQL of a flag, who set it and why, once an event may have set it or taken it back."""
    reasons = ", ".join(
        f"CASE WHEN {alias}.is_on IS NULL THEN w.{column} WHEN {alias}.is_on THEN {said} END "
        f"AS {column}"
        for column, said in ((by, f"{alias}.who"), (why, f"{alias}.why"))
    )
    return f"coalesce({alias}.is_on, w.{flag}) AS {flag}, {reasons}"


def _find_assigned(cursor: Cursor) -> None:
    """Last text assigned to each field, into ``assigned``: maps `given` and `told` (by whom)."""
    known = ", ".join(f"'{name}'" for name in ASSIGNABLE)
    fits = " OR ".join(
        f"(name = '{name}' AND {_cast(name, 'value')} IS NOT NULL)" for name in ASSIGNABLE
    )
    cursor.execute(
        f"""CREATE OR REPLACE TEMP TABLE assigned AS
        WITH entries AS (
            SELECT measurement_no, event_no, who, entry.key AS name, trim(entry.value) AS value
            FROM (
                SELECT measurement_no, event_no, who, unnest(map_entries(details)) AS entry
                FROM fresh_events
                WHERE kind = '{EventKind.ASSIGN}' AND measurement_no IS NOT NULL
            )
        ), last AS (
            SELECT * FROM entries WHERE name IN ({known}) AND (value = '' OR {fits})
            QUALIFY row_number() OVER (
                PARTITION BY measurement_no, name ORDER BY event_no DESC) = 1
        )
        SELECT measurement_no, map_from_entries(list((name, value) ORDER BY name)) AS given,
               map_from_entries(list((name, 'assigned by ' || who) ORDER BY name)) AS told
        FROM last GROUP BY measurement_no"""
    )


def _assigned(name: str) -> str:
    """SQL of a field's value once it may have been assigned."""
    text = f"a.given['{name}']"
    value = _cast(name, text)
    if name == "kind":  # nobody knows is a kind of its own
        value = f"coalesce({value}, '{Kind.UNKNOWN}')"
    return f"CASE WHEN {text} IS NULL THEN w.{name} ELSE {value} END"


def _cast(name: str, text: str) -> str:
    """SQL of a field's value from its text, NULL where the text is none."""
    if name in ("kind", "correction"):
        words = ", ".join(f"'{w}'" for w in (Kind if name == "kind" else Correction))
        return f"CASE WHEN lower({text}) IN ({words}) THEN lower({text}) END"
    if ASSIGNABLE[name] == "number":  # DuckDB alone would take 1_5, nan, and 1.5 for a count
        pattern, type_ = (_WHOLE, "BIGINT") if name == "bounces" else (_DECIMAL, "DOUBLE")
        fits = f"regexp_full_match({text}, '{pattern}')"
        return f"CASE WHEN {fits} THEN TRY_CAST({text} AS {type_}) END"
    if ASSIGNABLE[name] == "flag":
        low = f"lower({text})"
        return f"CASE WHEN {low} IN {_TRUE} THEN true WHEN {low} IN {_FALSE} THEN false END"
    return f"nullif({text}, '')"


def replace_older(cursor: Cursor, below: int) -> None:
    """Remove or hide the versions of which ``working`` has newer ones.

    Parameters
    ----------
    below : the measurements of the snapshot have the numbers below this one.
    """
    cursor.execute(
        f"""DELETE FROM {TAIL}.measurements
        WHERE measurement_no IN (SELECT measurement_no FROM working)"""
    )
    cursor.execute(
        f"""INSERT INTO {TAIL}.{hidden("measurements")}
        SELECT measurement_no FROM working WHERE measurement_no < {below} AND measurement_no
        NOT IN (SELECT measurement_no FROM {TAIL}.{hidden("measurements")})"""
    )


def write_effective(cursor: Cursor) -> None:
    """Write ``working`` into the tail, with what follows from ``bound`` and ``outcomes``."""
    searched = ", ".join(f"w.{name}" for name in SEARCHED)
    cursor.execute(
        f"""INSERT INTO {TAIL}.measurements
        SELECT w.* REPLACE (
            CASE WHEN o.measurement_no IS NULL THEN w.outcome ELSE o.outcome END AS outcome,
            b.superseded_by AS superseded_by,
            w.conflict IS NOT NULL OR coalesce(b.is_party, false) AS in_conflict,
            len(w.unresolved) > 0 OR (w.kind IN ('{Kind.PART}', '{Kind.WITNESS}')
                AND NOT ({_NAMES_PART})) AS unassigned,
            lower(concat_ws(chr(31), {searched})) AS search_text
        )
        FROM working AS w LEFT JOIN bound AS b USING (measurement_no)
             LEFT JOIN outcomes AS o USING (measurement_no)"""
    )


def nothing_bound(cursor: Cursor) -> None:
    """An empty ``bound``, where no link points to a touched measurement."""
    cursor.execute(
        """CREATE OR REPLACE TEMP TABLE bound AS SELECT 0::INTEGER AS measurement_no,
        NULL::VARCHAR AS superseded_by, false AS is_party LIMIT 0"""
    )


def find_bound(cursor: Cursor) -> None:
    """What the measurements that link to a touched one make of it, into ``bound``."""
    cursor.execute(
        f"""CREATE OR REPLACE TEMP TABLE bound AS
        WITH incoming AS (
            SELECT target_no, measurement_no, kind, link_no FROM links
            WHERE kind IN {_BINDING} AND target_no IN (SELECT measurement_no FROM working)
        ), sources AS (
            SELECT measurement_no, measurement_id, withdrawn, conflict FROM working
            WHERE measurement_no IN (SELECT measurement_no FROM incoming)
            UNION ALL
            SELECT measurement_no, measurement_id, withdrawn, conflict FROM measurements
            WHERE measurement_no IN (
                SELECT measurement_no FROM incoming ANTI JOIN working USING (measurement_no))
        )
        SELECT target_no AS measurement_no,
               max_by(sources.measurement_id, link_no) FILTER (
                   WHERE incoming.kind = '{LinkKind.SUPERSEDES}' AND NOT withdrawn
               ) AS superseded_by,
               bool_or(incoming.kind = '{LinkKind.SAME_VALUES_AS}'
                       AND sources.conflict IS NOT NULL AND NOT withdrawn) AS is_party
        FROM incoming JOIN sources USING (measurement_no)
        GROUP BY target_no"""
    )
