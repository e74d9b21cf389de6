"""Measurements that may belong together, and what hangs on which."""

from collections.abc import Sequence
from datetime import datetime

from speclake.archive.catalog.lookups import briefly
from speclake.archive.catalog.numbers import AMONG, numbers_of
from speclake.archive.catalog.session import Session
from speclake.measurement import Kind, LinkKind, Measurement
from speclake.specs.verdicts import Outcome

_ASKED = "(SELECT unnest(?::VARCHAR[]))"
_COUNTS = "NOT withdrawn AND superseded_by IS NULL"
_OF_A_PART = f"kind IN ('{Kind.PART}', '{Kind.WITNESS}')"


def brief(session: Session, ids: Sequence[str]) -> list[Measurement]:
    """Measurements in the order of taking in, headers left out."""
    return briefly(session, AMONG, [numbers_of(session, ids)]) if ids else []


def of_parts(session: Session, names: Sequence[str], sites: Sequence[str]) -> list[Measurement]:
    """Measurements that count, of parts and witness pieces with these serials or else samples.

    Parameters
    ----------
    sites : only these, in small letters without outer space; an unknown one is empty.
    """
    if not names:
        return []
    condition = f"""coalesce(nullif(serial, ''), sample) IN {_ASKED}
        AND lower(trim(coalesce(site, ''))) IN {_ASKED} AND {_OF_A_PART} AND {_COUNTS}"""
    return briefly(session, condition, [list(names), list(sites)])


def blanks_of(
    session: Session, instruments: Sequence[str], since: datetime, until: datetime
) -> list[Measurement]:
    """Blanks that count, of some instruments, within a span of time; both ends are in it."""
    if not instruments:
        return []
    condition = f"""instrument IN {_ASKED} AND kind = '{Kind.BLANK}' AND {_COUNTS}
        AND trusted_at BETWEEN ? AND ?"""
    return briefly(session, condition, [list(instruments), since, until])


def blanks_named(
    session: Session, instruments: Sequence[str], names: Sequence[str]
) -> list[Measurement]:
    """Blanks that count, of some instruments, with a file, run or sample of one of these names."""
    if not instruments or not names:
        return []
    bare = "parse_filename(file, {}, 'forward_slash')".format
    either = " OR ".join(
        f"{each} IN {_ASKED}" for each in ("file", bare("false"), bare("true"), "run", "sample")
    )
    condition = f"instrument IN {_ASKED} AND kind = '{Kind.BLANK}' AND {_COUNTS} AND ({either})"
    return briefly(session, condition, [list(instruments), *[list(names)] * 5])


def parts_naming(session: Session, names: Sequence[str]) -> list[Measurement]:
    """Measurements of parts that count and say by name that they were measured against these."""
    if not names:
        return []
    condition = f"""{_OF_A_PART} AND {_COUNTS} AND measurement_no IN (
        SELECT measurement_no FROM links
        WHERE kind = '{LinkKind.MEASURED_AGAINST}' AND by_name AND target IN {_ASKED})"""
    return briefly(session, condition, [list(names)])


def measured_on(
    session: Session, instruments: Sequence[str], since: datetime, until: datetime
) -> list[Measurement]:
    """Measurements of parts that count, of some instruments, within a span of time."""
    if not instruments:
        return []
    condition = f"""instrument IN {_ASKED} AND {_OF_A_PART} AND {_COUNTS}
        AND trusted_at BETWEEN ? AND ?"""
    return briefly(session, condition, [list(instruments), since, until])


def drawing_on(session: Session, ids: Sequence[str]) -> set[str]:
    """Measurements with a current verdict that draws on any of these."""
    if not ids:
        return set()
    found = session.rows(
        """SELECT DISTINCT measurement_id FROM verdicts
        WHERE current AND outcome <> ? AND list_has_any(drawn_from, ?::VARCHAR[])""",
        [Outcome.LAPSED.value, list(ids)],
    )
    return {name for (name,) in found}


def claims_on(session: Session, ids: Sequence[str]) -> list[tuple[str, str]]:
    """Measurements that others in conflict claim the values of, each with the one that does."""
    return _linking_to(session, ids, LinkKind.SAME_VALUES_AS, "m.conflict IS NOT NULL")


def superseding(session: Session, ids: Sequence[str]) -> list[tuple[str, str]]:
    """Measurements that others supersede which are not withdrawn, each with one that does."""
    return _linking_to(session, ids, LinkKind.SUPERSEDES, "true")


def _linking_to(
    session: Session, ids: Sequence[str], kind: LinkKind, condition: str
) -> list[tuple[str, str]]:
    """Measurements that others link to which are not withdrawn, each with one that does."""
    if not ids:
        return []
    return session.rows(
        f"""SELECT DISTINCT l.target, m.measurement_id FROM links AS l
        JOIN measurements AS m USING (measurement_no)
        WHERE l.kind = '{kind}' AND l.target IN {_ASKED}
        AND {condition} AND NOT m.withdrawn ORDER BY ALL""",
        [list(ids)],
    )


def not_withdrawn(session: Session, ids: Sequence[str]) -> set[str]:
    """Those of the measurements that nobody has withdrawn."""
    if not ids:
        return set()
    found = session.rows(
        f"SELECT measurement_id FROM measurements WHERE {AMONG} AND NOT withdrawn",
        [numbers_of(session, ids)],
    )
    return {name for (name,) in found}


def versions_used(session: Session) -> list[str]:
    """Versions of specifications that were used."""
    return [name for (name,) in session.rows("SELECT spec_version FROM specifications ORDER BY 1")]


def versions_of(session: Session, ids: Sequence[str]) -> list[tuple[str, str]]:
    """Measurements with the versions of specifications that their current verdicts are by."""
    if not ids:
        return []
    return session.rows(
        f"""SELECT DISTINCT measurement_id, spec_version FROM verdicts
        WHERE {AMONG} AND current AND outcome <> ? ORDER BY ALL""",
        [numbers_of(session, ids), Outcome.LAPSED.value],
    )
