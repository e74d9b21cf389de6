"""Measurements, spectra and axes by their identifiers and contents."""

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pyarrow as pa

from speclake.archive.batches import read_rows, read_table
from speclake.archive.catalog.layout import TABLES, columns, path_text
from speclake.archive.catalog.numbers import AMONG, by_key, named, numbers_of
from speclake.archive.catalog.session import Session
from speclake.archive.chain import Chain, Commit
from speclake.archive.places import Place
from speclake.archive.rows import PART_IS_TOLD_BY, EventKind, EventRow, before
from speclake.archive.schemas import COMMIT_NUMBER, SCHEMAS, from_table
from speclake.errors import NotFound
from speclake.measurement import Kind, LinkKind, Measurement

_ASKED = "(SELECT unnest(?::VARCHAR[]))"


def rows_of(table: str, found: Any, more: Mapping[str, Any] | None = None) -> list[Any]:
    """Dataclass rows from a result that has their columns; `more` adds columns left out."""
    arrays = []
    for field in SCHEMAS[table]:
        column = (more or {}).get(field.name)
        if column is None:
            column = found.column(field.name).cast(field.type)
        arrays.append(column)
    return from_table(table, pa.Table.from_arrays(arrays, schema=SCHEMAS[table]))


def _measurements(session: Session, condition: str, parameters: Sequence[object]) -> Any:
    names = ", ".join(f'"{name}"' for name in TABLES["measurements"].taken)
    return session.arrow(
        f"SELECT measurement_no, {names} FROM measurements WHERE {condition} "
        "ORDER BY measurement_no",
        parameters,
    )


def _without_header(found: Any) -> list[Measurement]:
    type_ = SCHEMAS["measurements"].field("header").type
    return rows_of("measurements", found, {"header": pa.array([{}] * len(found), type_)})


def briefly(session: Session, condition: str, parameters: Sequence[object]) -> list[Measurement]:
    """Effective measurements of which a condition holds, in the order of taking in; no headers."""
    return _without_header(_measurements(session, condition, parameters))


def measurements(session: Session, root: Path, ids: Sequence[str]) -> list[Measurement]:
    """Effective measurements in the order asked for, with their headers from the batches.

    Raises
    ------
    speclake.errors.NotFound
        One is not in the archive.
    FileNotFoundError
        A batch was replaced and cleaned away since the last refresh.
    """
    found = _measurements(session, AMONG, [numbers_of(session, ids)])
    headers = _headers(root, places(session, "spectra", ids))
    type_ = SCHEMAS["measurements"].field("header").type
    named = [headers.get(each) for each in found.column("measurement_id").to_pylist()]
    rows = rows_of("measurements", found, {"header": pa.array(named, type_)})
    by_id = {row.measurement_id: row for row in rows}
    missing = [each for each in ids if each not in by_id]
    if missing:
        raise NotFound(f"{missing[0]}: found no such measurement in the archive")
    return [by_id[each] for each in ids]


def _headers(root: Path, found: Mapping[str, Place]) -> dict[str, list[tuple[str, str]]]:
    """Header of each measurement, from the batch that holds it now."""
    chain = Chain(root)
    batches: dict[int, list[Place]] = {}
    for place in found.values():
        batches.setdefault(place.batch, []).append(place)
    headers: dict[str, list[tuple[str, str]]] = {}
    for number, held in batches.items():
        commit = chain.read(number)
        rows = read_rows(
            root,
            commit,
            "measurements",
            _positions(root, commit, held),
            ("measurement_id", "header"),
        )
        names = rows.column("measurement_id").to_pylist()
        headers |= zip(names, rows.column("header").to_pylist(), strict=True)
    return headers


def _positions(root: Path, commit: Commit, held: Sequence[Place]) -> Any:
    rows = np.array([place.row for place in held], np.int64)
    if all(place.commit == commit.number for place in held):
        return rows
    numbers = read_table(root, commit, "measurements", ()).column(COMMIT_NUMBER).to_numpy()
    return np.searchsorted(numbers, [place.commit for place in held]) + rows


def row(session: Session, measurement_id: str) -> dict[str, Any]:
    """Everything that the catalogue knows of one measurement, column to value.

    Raises
    ------
    speclake.errors.NotFound
        It is not in the archive.
    """
    numbers = numbers_of(session, [measurement_id])
    found = session.frame(f"SELECT * FROM measurements WHERE {AMONG}", [numbers])
    if found.is_empty():
        raise NotFound(f"{measurement_id}: found no such measurement in the archive")
    return found.row(0, named=True)


def known_ids(session: Session, ids: Sequence[str]) -> set[str]:
    """Those of the identifiers that are taken."""
    return set(named(session, "measurements", "id_key", "measurement_id", ids).values())


def ids_beginning(session: Session, texts: Sequence[str]) -> dict[str, list[str]]:
    """Identifiers of measurements that begin with each text, in the order of taking in."""
    found = {}
    for text in dict.fromkeys(texts):
        rows = session.rows(
            """SELECT measurement_id FROM measurements WHERE starts_with(measurement_id, ?)
            ORDER BY measurement_no""",
            [text],
        )
        found[text] = [name for (name,) in rows]
    return found


def set_aside(session: Session, ids: Sequence[str]) -> set[str]:
    """Those of the measurements that are superseded or withdrawn."""
    if not ids:
        return set()
    found = session.rows(
        f"""SELECT measurement_id FROM measurements
        WHERE {AMONG} AND (withdrawn OR superseded_by IS NOT NULL)""",
        [numbers_of(session, ids)],
    )
    return {name for (name,) in found}


def same_values(session: Session, values_sha256s: Sequence[str]) -> list[Measurement]:
    """Measurements with the same values, in the order of taking in; their headers left out."""
    found = named(session, "measurements", "values_key", "values_sha256", values_sha256s)
    return _without_header(_measurements(session, AMONG, [list(found)])) if found else []


def from_path(session: Session, folder: str, paths: Sequence[str]) -> list[Measurement]:
    """Measurements read earlier from files of these names; their headers left out."""
    files = files_named(session, folder, paths)
    if not files:
        return []
    condition = "file_no IN (SELECT unnest(?::INTEGER[]))"
    return _without_header(_measurements(session, condition, [files]))


def files_named(session: Session, folder: str, paths: Iterable[str]) -> list[int]:
    """Numbers of the ledger's lines on files of these names, in their order."""
    asked = {(folder, path) for path in paths}
    numbers = by_key(session, "files", "path_key", [path_text(*each) for each in asked])
    found = session.rows(
        """SELECT file_no, folder, path FROM files
        WHERE file_no IN (SELECT unnest(?::INTEGER[])) ORDER BY file_no""",
        [numbers],
    )
    return [number for number, *name in found if tuple(name) in asked]


def scans_named(
    session: Session, folder: str, files: Sequence[str], runs: Sequence[str]
) -> list[Measurement]:
    """Measurements of a watched folder by file (its path or bare name) or by run number.

    Those withdrawn are left out, and so are the headers.
    """
    return _without_header(
        _measurements(
            session,
            f"""folder = ? AND NOT withdrawn AND (
                file IN {_ASKED} OR split_part(file, '/', -1) IN {_ASKED} OR run IN {_ASKED})""",
            [folder, list(files), list(files), list(runs)],
        )
    )


def noted(session: Session, subjects: Sequence[str]) -> set[str]:
    """Those of the subjects that a note speaks of."""
    found = session.rows(
        f"SELECT DISTINCT subject FROM events WHERE kind = ? AND subject IN {_ASKED}",
        [EventKind.NOTE.value, list(subjects)],
    )
    return {subject for (subject,) in found}


def axes_known(session: Session, ids: Sequence[str]) -> set[str]:
    """Those of the axes that are in the archive."""
    found = session.rows(f"SELECT axis_id FROM axes WHERE axis_id IN {_ASKED}", [list(ids)])
    return {name for (name,) in found}


_KEYED = {
    "spectra": ("measurements", "id_key", "measurement_id"),
    "originals": ("files", "bytes_key", "sha256"),
}
_SMALL = {"derived": "derived_id", "axes": "axis_id"}


def places(session: Session, table: str, ids: Sequence[str]) -> dict[str, Place]:
    """Place of each row that is known, by its identifier.

    Parameters
    ----------
    table : ``spectra``, ``derived``, ``axes`` or ``originals`` (by sha256).
    """
    if table in _KEYED:
        source, column, name = _KEYED[table]
        found = named(session, source, column, name, ids)
        condition = f"{columns(source)[0]} IN (SELECT unnest(?::INTEGER[]))"
        asked: list[Any] = list(found)
    else:
        source, name = table, _SMALL[table]
        condition, asked = f"{name} IN {_ASKED}", list(ids)
    if not asked:
        return {}
    if table == "originals":
        condition += " AND holds_original"
    rows = session.rows(
        f"""WITH found AS MATERIALIZED (
            SELECT {name} AS name, commit_number, row_in_commit FROM {source} WHERE {condition}
        ), moved AS (
            SELECT commit_number, max(batch) AS batch FROM moves
            WHERE commit_number IN (SELECT commit_number FROM found) GROUP BY commit_number
        )
        SELECT name, commit_number, row_in_commit, coalesce(batch, commit_number)
        FROM found LEFT JOIN moved USING (commit_number)
        ORDER BY commit_number DESC, row_in_commit DESC""",
        [asked],
    )
    return {name: Place(*place) for name, *place in rows}


def events(session: Session, subject: str | None = None) -> list[EventRow]:
    """Events on a measurement, order or lot (all where None), in the order of the chain."""
    condition = "" if subject is None else "WHERE subject = ?"
    found = session.arrow(
        f"SELECT * FROM events {condition} ORDER BY event_no", [subject] if subject else []
    )
    return rows_of("events", found)


def events_among(
    session: Session, kind: EventKind, subjects: Sequence[str] | None = None
) -> list[EventRow]:
    """Events of one kind on any of the subjects (on all where None), in the order of the chain."""
    condition = "" if subjects is None else f"AND subject IN {_ASKED}"
    found = session.arrow(
        f"SELECT * FROM events WHERE kind = ? {condition} ORDER BY event_no",
        [kind.value, *([] if subjects is None else [list(subjects)])],
    )
    return rows_of("events", found)


def assigned_from(session: Session, names: Sequence[str]) -> pl.DataFrame:
    """Assignments to measurements of parts that had one of the names, in the order of the chain.

    Beside who, why and when, each row has what tells the part: as it stands now, and in columns
    that end in ``_before`` as the event keeps it; there an empty text stands for what was unknown.
    """
    former = {name: f"e.details['{before(name)}']" for name in PART_IS_TOLD_BY}
    told = ", ".join(f"m.{name}, {sql} AS {name}_before" for name, sql in former.items())
    return session.frame(
        f"""SELECT m.measurement_id, e.who, e.why, e.at, e.commit_number, {told}
        FROM events AS e JOIN measurements AS m USING (measurement_no)
        WHERE e.kind = ? AND {former["kind"]} = ?
        AND coalesce(nullif({former["serial"]}, ''), {former["sample"]}) IN {_ASKED}
        ORDER BY e.event_no""",
        [EventKind.ASSIGN.value, Kind.PART.value, list(names)],
    )


def linked_to(session: Session, kind: LinkKind, targets: Sequence[str]) -> list[tuple[str, str]]:
    """Measurements with a link of one kind to any of the targets, each with its target.

    A target is an identifier, or a name where the link gives one.
    """
    return session.rows(
        f"""SELECT DISTINCT m.measurement_id, l.target FROM links AS l
        JOIN measurements AS m USING (measurement_no)
        WHERE l.kind = ? AND l.target IN {_ASKED} ORDER BY ALL""",
        [kind.value, list(targets)],
    )


def totals(session: Session) -> dict[str, int]:
    """How much the archive holds, and how much of it waits for a person."""
    found = session.frame(
        """SELECT count(*) AS measurements,
            count(*) FILTER (WHERE withdrawn) AS withdrawn,
            count(*) FILTER (WHERE superseded_by IS NOT NULL) AS superseded,
            count(*) FILTER (WHERE unassigned AND NOT withdrawn) AS unassigned,
            count(*) FILTER (WHERE in_conflict AND NOT withdrawn) AS in_conflict,
            count(*) FILTER (WHERE in_review AND NOT withdrawn) AS in_review,
            count(*) FILTER (WHERE outcome IS NULL AND NOT withdrawn) AS not_judged,
            (SELECT count(*) FROM files) AS files,
            (SELECT count(*) FROM files WHERE outcome = 'refused') AS refused,
            (SELECT count(*) FROM verdicts) AS verdicts,
            (SELECT count(*) FROM events) AS events,
            (SELECT coalesce(max(number), 0) FROM commits) AS commits
        FROM measurements"""
    )
    return {name: int(value) for name, value in found.row(0, named=True).items()}
