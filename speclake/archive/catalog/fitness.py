"""Findings, figures and qualifications, what was done to instruments, and reports that went out."""

from collections.abc import Sequence
from datetime import datetime

import polars as pl

from speclake.archive.catalog.lookups import briefly, rows_of
from speclake.archive.catalog.numbers import AMONG, numbers_of
from speclake.archive.catalog.query import Query, Where, asked_for, where
from speclake.archive.catalog.session import Session
from speclake.archive.rows import EventKind, EventRow, StandardRow
from speclake.measurement import Kind, Measurement

_ASKED = "(SELECT unnest(?::VARCHAR[]))"
_COUNTS = "NOT m.withdrawn AND m.superseded_by IS NULL"
_FACTS = """m.measurement_id, m.trusted_at, m.instrument, m.accessory, m.quantity, m.kind,
    m.product, m.lot, m.serial, m.sample, m.site, m.in_review"""
_FINDING = """f.finding_id, f."check", f.severity, f.text, f.advice, f."value", f.uncertainty,
    f.unit, f."at", f."start", f."stop", f.version, f.commit_number"""


# --- findings ---------------------------------------------------------------------------------


def findings(session: Session, ids: Sequence[str]) -> pl.DataFrame:
    """Findings on measurements, in the order of the chain."""
    return session.frame(
        f"""SELECT * EXCLUDE (measurement_no) FROM findings WHERE {AMONG}
        ORDER BY commit_number, finding_id""",
        [numbers_of(session, ids)],
    )


def findings_of(session: Session, query: Query) -> pl.DataFrame:
    """Findings on the measurements that a query finds, the newest measurement first.

    Each has what tells the measurement. Of a query for a finding, only that is listed. `limit`
    and `offset` of the query count findings; its sort is not looked at.
    """
    found = where(session, query)
    condition, word = asked_for(query.finding) if query.finding is not None else ("true", None)
    most = "" if query.limit is None else f"LIMIT {int(query.limit)}"
    return session.frame(
        f"""WITH asked AS MATERIALIZED (SELECT measurement_no FROM measurements {found.sql}),
        told AS MATERIALIZED (
            SELECT * FROM findings AS f WHERE {condition} AND measurement_no IN (FROM asked)
        )
        SELECT {_FACTS}, {_FINDING} FROM told AS f JOIN (
            SELECT * FROM measurements WHERE measurement_no IN (SELECT measurement_no FROM told)
        ) AS m USING (measurement_no)
        ORDER BY m.trusted_at DESC, m.measurement_no DESC, f.commit_number, f.finding_id
        {most} OFFSET {int(query.offset)}""",
        [*found.parameters, *([] if word is None else [word])],
    )


def finding_counts(
    session: Session,
    instrument: str | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
) -> pl.DataFrame:
    """How many findings there are and on how many measurements, by check, day and instrument.

    The day is that of the trusted time in UTC. Withdrawn and superseded measurements do not count.
    """
    found = _of(instrument, since, until)
    return session.frame(
        f"""SELECT f."check", f.severity, m.trusted_at::DATE AS day, m.instrument,
            count(*) AS findings, count(DISTINCT m.measurement_no) AS measurements
        FROM findings AS f JOIN measurements AS m USING (measurement_no) {found.sql}
        GROUP BY ALL ORDER BY day, m.instrument, f."check", f.severity""",
        found.parameters,
    )


def under_review(session: Session, ids: Sequence[str]) -> set[str]:
    """Those of the measurements that are put aside for review."""
    if not ids:
        return set()
    found = session.rows(
        f"SELECT measurement_id FROM measurements WHERE {AMONG} AND in_review",
        [numbers_of(session, ids)],
    )
    return {name for (name,) in found}


def review_events(session: Session, ids: Sequence[str]) -> list[EventRow]:
    """Events that put measurements aside or released them, in the order of the chain."""
    if not ids:
        return []
    found = session.arrow(
        f"""SELECT * FROM events WHERE {AMONG}
        AND kind IN ('{EventKind.PUT_ASIDE}', '{EventKind.RELEASE}') ORDER BY event_no""",
        [numbers_of(session, ids)],
    )
    return rows_of("events", found)


# --- figures ----------------------------------------------------------------------------------


def figures(
    session: Session,
    ids: Sequence[str] | None = None,
    *,
    instrument: str | None = None,
    name: str | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
) -> pl.DataFrame:
    """Figures with what tells the measurement that each was taken of, oldest first.

    Withdrawn and superseded measurements are left out, unless asked for by `ids`. Until is outside
    the span.
    """
    found = _of(instrument, since, until, counting=ids is None)
    if ids is not None:
        found.add(f"m.{AMONG}", numbers_of(session, ids))
    named = "" if name is None else "AND f.name = ?"
    return session.frame(
        f"""WITH m AS MATERIALIZED (
            SELECT measurement_no, {_FACTS} FROM measurements AS m {found.sql}
        )
        SELECT m.* EXCLUDE (measurement_no), f.name, f."value", f.uncertainty, f.unit,
            f."start", f."stop", f."at", f.version, f.commit_number
        FROM figures AS f JOIN m USING (measurement_no)
        WHERE f.measurement_no IN (SELECT measurement_no FROM m) {named}
        ORDER BY m.trusted_at, m.measurement_no, f.name, f."start", f."at", f.commit_number""",
        [*found.parameters, *([] if name is None else [name])],
    )


def latest_of_kind(
    session: Session,
    instrument: str,
    accessory: str | None,
    quantity: str,
    kind: Kind | str,
    before: datetime | None = None,
) -> Measurement | None:
    """Last scan of a kind by one configuration that counts, header left out; None without one.

    Parameters
    ----------
    before : only scans of earlier times.
    """
    found = Where()
    found.add("m.instrument = ? AND m.accessory IS NOT DISTINCT FROM ?", instrument, accessory)
    found.add(f"m.quantity = ? AND m.kind = ? AND {_COUNTS}", quantity, str(kind))
    if before is not None:
        found.add("m.trusted_at < ?", before)
    latest = session.rows(
        f"""SELECT measurement_no FROM measurements AS m {found.sql}
        ORDER BY trusted_at DESC, measurement_no DESC LIMIT 1""",
        found.parameters,
    )
    return briefly(session, AMONG, [list(latest[0])])[0] if latest else None


def measured_against_nothing(
    session: Session, instruments: Sequence[str], since: datetime, until: datetime
) -> list[Measurement]:
    """Blanks, zero lines and references of some instruments within a span of time.

    Those that count, in the order of taking in, headers left out; both ends are in the span.
    """
    if not instruments:
        return []
    condition = f"""instrument IN {_ASKED} AND NOT withdrawn AND superseded_by IS NULL
        AND kind IN ('{Kind.BLANK}', '{Kind.ZERO_LINE}', '{Kind.REFERENCE}')
        AND trusted_at BETWEEN ? AND ?"""
    return briefly(session, condition, [list(instruments), since, until])


# --- qualifications and standards -------------------------------------------------------------


def qualifications(
    session: Session,
    *,
    instrument: str | None = None,
    programme: str | None = None,
    check: str | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
    ids: Sequence[str] | None = None,
    counting: bool = True,
) -> pl.DataFrame:
    """Numbers of qualification runs, oldest first, with `commit_number` and `in_review`.

    What was said last of a scan by a check of a programme counts in place of what was said before;
    a number that says ``lapsed`` leaves none.

    Parameters
    ----------
    check : name of a check of the programme.
    since, until : span of `taken_at`; until is outside.
    ids : only of these measurements.
    counting : False gives also those of withdrawn and superseded scans, those that others have
        replaced, and what says that they lapsed.
    """
    found = Where()
    if ids is not None:
        found.add(f"q.{AMONG}", numbers_of(session, ids))
    for column, text in (("instrument", instrument), ("programme", programme), ("check", check)):
        if text is not None:
            found.add(f'q."{column}" = ?', text)
    if since is not None:
        found.add("q.taken_at >= ?", since)
    if until is not None:
        found.add("q.taken_at < ?", until)
    if counting:
        found.add(
            """q.measurement_no NOT IN (SELECT measurement_no FROM measurements
            WHERE (withdrawn OR superseded_by IS NOT NULL)
            AND measurement_no IN (SELECT measurement_no FROM qualifications))"""
        )
    last = """QUALIFY q.outcome <> 'lapsed' AND q.commit_number = max(q.commit_number) OVER (
        PARTITION BY q.measurement_no, q.programme, q."check")"""
    return session.frame(
        f"""SELECT q.* EXCLUDE (measurement_no), q.measurement_no IN (
            SELECT measurement_no FROM measurements WHERE in_review
            AND measurement_no IN (SELECT measurement_no FROM qualifications)
        ) AS in_review
        FROM qualifications AS q {found.sql} {last if counting else ""}
        ORDER BY q.taken_at, q.measurement_no, q.programme, q."check", q."at" """,
        found.parameters,
    )


def standard(session: Session, version: str) -> StandardRow | None:
    """A certificate or programme as it was used, None where no such version was."""
    found = session.arrow("SELECT * FROM standards WHERE standard_version = ?", [version])
    rows = rows_of("standards", found)
    return rows[0] if rows else None


def standards(session: Session) -> list[StandardRow]:
    """Every version of every certificate and programme that was used, oldest first."""
    found = session.arrow("SELECT * FROM standards ORDER BY first_used_at, sort, name")
    return rows_of("standards", found)


# --- instruments and reports ------------------------------------------------------------------


def log_entries(session: Session, instrument: str | None = None) -> list[EventRow]:
    """What was done to an instrument (to all where None), by the time when it was done.

    That time is the detail ``when``, and where it is missing that of the event.
    """
    condition = "" if instrument is None else "AND subject = ?"
    found = session.arrow(
        f"""SELECT * FROM events WHERE kind = ? {condition}
        ORDER BY coalesce(TRY_CAST(details['when'] AS TIMESTAMPTZ), "at"), event_no""",
        [EventKind.LOG_INSTRUMENT.value, *([] if instrument is None else [instrument])],
    )
    return rows_of("events", found)


def reports_on(session: Session, ids: Sequence[str]) -> pl.DataFrame:
    """Reports that went out on measurements: `measurement_id`, `report`, `customer`, who and when.

    In the order of the chain.
    """
    return session.frame(
        f"""SELECT subject AS measurement_id, details['report'] AS report,
            details['customer'] AS customer, "at", who, why
        FROM events WHERE kind = ? AND {AMONG} ORDER BY event_no""",
        [EventKind.ISSUE_REPORT.value, numbers_of(session, ids)],
    )


def reports(session: Session) -> list[EventRow]:
    """The event of every report that went out, whatever it was on, in the order of the chain."""
    found = session.arrow(
        "SELECT * FROM events WHERE kind = ? AND measurement_no IS NULL ORDER BY event_no",
        [EventKind.ISSUE_REPORT.value],
    )
    return rows_of("events", found)


def _of(
    instrument: str | None, since: datetime | None, until: datetime | None, counting: bool = True
) -> Where:
    """Conditions on measurements ``m``; until is outside the span."""
    found = Where()
    if counting:
        found.add(_COUNTS)
    if instrument is not None:
        found.add("m.instrument = ?", instrument)
    if since is not None:
        found.add("m.trusted_at >= ?", since)
    if until is not None:
        found.add("m.trusted_at < ?", until)
    return found
