"""What a figure usually is on an instrument, by its last scans; asked at every commit.

The last scans are looked for among those that were taken in last, where they nearly always are,
and among all only if some may be elsewhere: 5 ms instead of 100 on 1,000,000 measurements.
"""

from collections.abc import Iterable, Sequence
from datetime import datetime

import polars as pl

from speclake.archive.catalog.layout import TAIL
from speclake.archive.catalog.session import Session
from speclake.checks import Severity

Configuration = tuple[str, str | None]
"""Instrument and accessory."""

_NEAR = 5_000
"""Measurements that were taken in last."""

_LOOKED_AT = 6
"""For each scan that a median is wanted of, so many of the configuration are looked through."""

_COUNTS = "NOT withdrawn AND superseded_by IS NULL AND NOT in_review"
_ASKED = "instrument IN (SELECT unnest($1::VARCHAR[]))"


def usual_figures(
    session: Session,
    configurations: Sequence[Configuration],
    scans: int,
    name: str = "noise",
    before: datetime | None = None,
) -> pl.DataFrame:
    """What a figure usually is: median and spread over the last scans without a doubt.

    Columns: `instrument`, `accessory`, `unit`, `start`, `stop` (in nm), `median`, `spread` (1.4826
    times the median of the absolute deviations) and `scans`, how many it was taken of. Scans that
    are withdrawn, superseded, under review or in doubt do not count. The latest scans of each
    configuration are looked through, 6 for each that is wanted, so a stretch that is measured
    less often has none.

    Parameters
    ----------
    scans : the most that each median is taken of.
    before : only scans of earlier times.
    """
    asked = list(dict.fromkeys(configurations))
    found: dict[Configuration, list[int]] = {}
    most = scans * _LOOKED_AT
    if asked:
        found = _near(session, asked, most, before)
    for configuration in asked:
        if configuration not in found:
            found[configuration] = _anywhere(session, configuration, most, before)
    ranked = [
        (number, configuration, rank)
        for configuration, numbers in found.items()
        for rank, number in enumerate(numbers)
    ]
    numbers = [number for number, *_ in ranked]
    return session.frame(
        f"""WITH latest AS MATERIALIZED (
            SELECT unnest(?::INTEGER[]) AS measurement_no, unnest(?::VARCHAR[]) AS instrument,
                unnest(?::VARCHAR[]) AS accessory, unnest(?::INTEGER[]) AS rank
        ), doubted AS MATERIALIZED (
            SELECT measurement_no FROM findings WHERE severity = '{Severity.DOUBT}'
            AND measurement_no IN (SELECT measurement_no FROM latest)
        ), taken AS MATERIALIZED (
            SELECT measurement_no, unit, "start", "stop", "value" FROM figures
            WHERE measurement_no BETWEEN ? AND ? AND name = ?
            AND measurement_no IN (SELECT measurement_no FROM latest)
        ), ranked AS (
            SELECT l.instrument, l.accessory, t.* EXCLUDE (measurement_no)
            FROM taken AS t JOIN latest AS l USING (measurement_no)
            ANTI JOIN doubted USING (measurement_no)
            QUALIFY row_number() OVER (
                PARTITION BY l.instrument, l.accessory, t.unit, t."start", t."stop"
                ORDER BY l.rank) <= ?
        )
        SELECT instrument, accessory, unit, "start", "stop", median("value") AS median,
            1.4826 * mad("value") AS spread, count(*) AS scans
        FROM ranked GROUP BY ALL ORDER BY ALL""",
        [
            numbers, [c[0] for _, c, _ in ranked], [c[1] for _, c, _ in ranked],
            [rank for *_, rank in ranked], min(numbers, default=0), max(numbers, default=0), name,
            int(scans),
        ],
    )  # fmt: skip


def _near(
    session: Session, asked: Sequence[Configuration], most: int, before: datetime | None
) -> dict[Configuration, list[int]]:
    """The latest `most` scans of each configuration that has so many among those taken in last.

    Left out are all, where a scan that was taken in earlier may be among the latest.
    """
    given = int(session.rows(f"SELECT measurements FROM {TAIL}.about")[0][0])
    first = given - _NEAR
    rows = session.rows(
        f"""SELECT instrument, accessory, measurement_no, epoch_us(trusted_at) AS moment
        FROM measurements WHERE measurement_no >= {first} AND {_COUNTS} AND {_ASKED}
        {_until(before)}
        QUALIFY row_number() OVER (PARTITION BY instrument, accessory ORDER BY moment DESC,
            measurement_no DESC) <= {int(most)}
        ORDER BY moment DESC, measurement_no DESC""",
        _named(asked, before),
    )
    found: dict[Configuration, list[int]] = {each: [] for each in asked}
    oldest: dict[Configuration, int] = {}
    for instrument, accessory, number, at in rows:
        found.setdefault((instrument, accessory), []).append(number)
        oldest[instrument, accessory] = at
    found = {each: found[each] for each in asked if first <= 0 or len(found[each]) == most}
    if first <= 0:
        return found
    if found and _has_later(session, first, found, min(oldest[each] for each in found), before):
        return {}
    return found


def _has_later(
    session: Session,
    first: int,
    asked: Iterable[Configuration],
    since: int,
    before: datetime | None,
) -> bool:
    rows = session.rows(
        f"""SELECT 1 FROM measurements WHERE measurement_no < {first}
        AND trusted_at >= make_timestamptz({since}::BIGINT) AND {_COUNTS} AND {_ASKED}
        {_until(before)} LIMIT 1""",
        _named(asked, before),
    )
    return bool(rows)


def _anywhere(
    session: Session, configuration: Configuration, most: int, before: datetime | None
) -> list[int]:
    """The latest scans of a configuration, the newest first."""
    rows = session.rows(
        f"""SELECT measurement_no FROM measurements WHERE {_COUNTS}
        AND instrument = ? AND accessory IS NOT DISTINCT FROM ?
        {"" if before is None else "AND trusted_at < ?"}
        ORDER BY trusted_at DESC, measurement_no DESC LIMIT {int(most)}""",
        [*configuration, *([] if before is None else [before])],
    )
    return [number for (number,) in rows]


def _named(asked: Iterable[Configuration], before: datetime | None) -> list[object]:
    """Values for `_ASKED` and `_until`."""
    instruments = sorted({instrument for instrument, _ in asked})
    return [instruments] if before is None else [instruments, before]


def _until(before: datetime | None) -> str:
    return "" if before is None else "AND trusted_at < $2"
