"""Verdicts, what charts and lots are made of, and the specifications that were used."""

from collections.abc import Sequence
from datetime import datetime

import polars as pl

from speclake.archive.catalog.layout import TABLES
from speclake.archive.catalog.lookups import rows_of
from speclake.archive.catalog.numbers import AMONG, numbers_of
from speclake.archive.catalog.query import LISTED, Where, match
from speclake.archive.catalog.session import Session
from speclake.archive.rows import EventKind, SpecificationRow
from speclake.measurement import Kind
from speclake.specs.verdicts import Outcome

_VERDICT = ", ".join(f'v."{name}"' for name in TABLES["verdicts"].taken)
_PARTS = f"kind IN ('{Kind.PART}', '{Kind.WITNESS}')"
_COUNTS = "NOT withdrawn AND superseded_by IS NULL"


def verdicts(
    session: Session,
    ids: Sequence[str] | None = None,
    *,
    spec: str | None = None,
    requirement: str | None = None,
    product: str | None = None,
    current: bool = True,
) -> pl.DataFrame:
    """Verdicts in the order of the chain, with `commit_number` and `current`.

    Parameters
    ----------
    ids : of measurements; None for all.
    spec, requirement : whole names.
    product : only of measurements of this product, ``*`` for any text.
    current : False gives the past and lapsed ones too.
    """
    found = Where()
    if ids is not None:
        found.add(f"v.{AMONG}", numbers_of(session, ids))
    if spec is not None:
        found.add("v.spec = ?", spec)
    if requirement is not None:
        found.add("v.requirement = ?", requirement)
    if product is not None:
        inner = Where()
        match(inner, "product", product)
        found.add(
            f"v.measurement_no IN (SELECT measurement_no FROM measurements {inner.sql})",
            *inner.parameters,
        )
    if current:
        found.add("v.current AND v.outcome <> ?", Outcome.LAPSED.value)
    return session.frame(
        f"""SELECT {_VERDICT}, v.commit_number, v.current FROM verdicts AS v {found.sql}
        ORDER BY v.verdict_no""",
        found.parameters,
    )


def series(
    session: Session,
    product: str,
    spec: str,
    requirement: str,
    *,
    since: datetime | None = None,
    until: datetime | None = None,
    kind: Kind | str = Kind.PART,
) -> pl.DataFrame:
    """Current values of one requirement over time, oldest first: what a control chart takes.

    Withdrawn and superseded measurements are left out. Until is outside the span.
    """
    found = Where()
    found.add("m.product = ? AND m.kind = ?", product, str(kind))
    found.add("NOT m.withdrawn AND m.superseded_by IS NULL")
    found.add("v.current AND v.spec = ? AND v.requirement = ?", spec, requirement)
    found.add("v.outcome <> ?", Outcome.LAPSED.value)
    if since is not None:
        found.add("m.trusted_at >= ?", since)
    if until is not None:
        found.add("m.trusted_at < ?", until)
    return session.frame(
        f"""SELECT m.measurement_id, m.trusted_at, v.value, v.low, v.high, v.margin, v.uncertainty,
            v.unit, v.at, v.outcome, v.spec_version, m.sample, m.serial, m.lot, m.coating_run,
            m.order_number, m.site, m.side, m.stage, m.segment, m.x_mm, m.y_mm, m.instrument,
            m.operator, m.fixture_position, m.backfill
        FROM measurements AS m JOIN verdicts AS v USING (measurement_no) {found.sql}
        ORDER BY m.trusted_at, m.measurement_no""",
        found.parameters,
    )


def charted(session: Session) -> pl.DataFrame:
    """Requirements with values to draw, by product, specification and requirement."""
    return session.frame(
        f"""SELECT m.product, v.spec, v.requirement,
            arg_max(v.description, v.verdict_no) AS description
        FROM measurements AS m JOIN verdicts AS v USING (measurement_no)
        WHERE v.current AND v.value IS NOT NULL AND m.product IS NOT NULL
        AND m.kind = '{Kind.PART}' AND NOT m.withdrawn AND m.superseded_by IS NULL
        GROUP BY ALL ORDER BY m.product, v.spec, v.requirement"""
    )


def lots(
    session: Session, product: str | None = None, limit: int | None = 100, offset: int = 0
) -> pl.DataFrame:
    """Lots, the latest first: how many measurements and parts, and how they came out.

    A part is counted by its serial, else its sample. The outcomes are of measurements; what they
    mean for a part or a lot is for the specification to say.
    """
    found = Where()
    found.add(f"lot IS NOT NULL AND {_PARTS} AND {_COUNTS}")
    match(found, "product", product)
    most = "" if limit is None else f"LIMIT {int(limit)}"
    return session.frame(
        f"""SELECT lot, product, count(*) AS measurements,
            count(DISTINCT coalesce(serial, sample)) AS parts,
            count(*) FILTER (WHERE outcome = 'pass') AS passed,
            count(*) FILTER (WHERE outcome = 'fail') AS failed,
            count(*) FILTER (WHERE outcome = 'undecided') AS undecided,
            count(*) FILTER (WHERE outcome = 'not measurable') AS not_measurable,
            count(*) FILTER (WHERE outcome IS NULL) AS not_judged,
            min(trusted_at) AS first_at, max(trusted_at) AS last_at
        FROM measurements {found.sql} GROUP BY lot, product
        ORDER BY last_at DESC, lot {most} OFFSET {int(offset)}""",
        found.parameters,
    )


def part_rows(
    session: Session,
    *,
    lot: str | None = None,
    order_number: str | None = None,
    product: str | None = None,
    serial: str | None = None,
    sample: str | None = None,
) -> pl.DataFrame:
    """Measurements of parts and witness pieces that count, oldest first.

    Withdrawn and superseded ones are left out. The columns are those of a search.

    Raises
    ------
    ValueError
        Nothing says which parts.
    """
    given = {
        "lot": lot, "order_number": order_number, "product": product, "serial": serial,
        "sample": sample,
    }  # fmt: skip
    found = Where()
    for name, text in given.items():
        match(found, name, text)
    if not found.conditions:
        raise ValueError(f"found no condition; expected one of {', '.join(given)}")
    found.add(f"{_PARTS} AND {_COUNTS}")
    listed = ", ".join(f'"{name}"' for name in LISTED)
    return session.frame(
        f"SELECT {listed} FROM measurements {found.sql} ORDER BY trusted_at, measurement_no",
        found.parameters,
    )


def unjudged(session: Session, limit: int = 500, after: str | None = None) -> pl.DataFrame:
    """Parts and witness pieces without a current verdict, in the order of taking in.

    What was taken in as backfill, withdrawn or superseded is left out.

    Parameters
    ----------
    after : last measurement_id of the page before, to go on from.
    """
    start = numbers_of(session, [after]) if after is not None else []
    listed = ", ".join(f'"{name}"' for name in LISTED)
    return session.frame(
        f"""SELECT {listed} FROM measurements
        WHERE outcome IS NULL AND NOT backfill AND {_PARTS} AND {_COUNTS}
        AND measurement_no > ? ORDER BY measurement_no LIMIT {int(limit)}""",
        [start[0] if start else -1],
    )


def backfilled(session: Session, ids: Sequence[str]) -> set[str]:
    """Those of the measurements that were taken in as backfill."""
    found = session.rows(
        f"SELECT measurement_id FROM measurements WHERE {AMONG} AND backfill",
        [numbers_of(session, ids)],
    )
    return {name for (name,) in found}


def pinned_versions(session: Session, order_keys: Sequence[str]) -> dict[tuple[str, str], str]:
    """Version by which each order is judged, by specification and order; none where not used yet.

    The one adopted last by an event (details ``spec`` and ``spec_version``), else the first that
    judged a measurement of the order; of the lot, where a measurement has no order.
    """
    asked = list(order_keys)
    used = session.rows(
        """SELECT v.spec, m.order_key, arg_min(v.spec_version, v.verdict_no) FROM (
            SELECT measurement_no, coalesce(order_number, lot) AS order_key FROM measurements
            WHERE coalesce(order_number, lot) IN (SELECT unnest(?::VARCHAR[]))
        ) AS m JOIN verdicts AS v USING (measurement_no) GROUP BY ALL""",
        [asked],
    )
    adopted = session.rows(
        """SELECT details['spec'], subject, arg_max(details['spec_version'], event_no) FROM events
        WHERE kind = ? AND subject IN (SELECT unnest(?::VARCHAR[])) GROUP BY ALL""",
        [EventKind.ADOPT_REVISION.value, asked],
    )
    return {(spec, key): version for spec, key, version in (*used, *adopted)}


def specification(session: Session, version: str) -> SpecificationRow | None:
    """A specification as it was resolved, None where no such version was used."""
    found = session.arrow("SELECT * FROM specifications WHERE spec_version = ?", [version])
    rows = rows_of("specifications", found)
    return rows[0] if rows else None


def specifications(session: Session) -> pl.DataFrame:
    """Every version of every specification that was used, oldest first."""
    return session.frame(
        "SELECT spec, revision, spec_version, first_used_at FROM specifications "
        "ORDER BY first_used_at, spec"
    )


def judged_by_version(session: Session) -> dict[str, int]:
    """Number of measurements with a current verdict by each version of a specification."""
    found = session.rows(
        """SELECT spec_version, count(DISTINCT measurement_no) FROM verdicts
        WHERE current AND outcome <> ? AND measurement_no IS NOT NULL GROUP BY ALL""",
        [Outcome.LAPSED.value],
    )
    return dict(found)
