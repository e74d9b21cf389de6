"""The ledger: what was found in the watched folders and what became of it."""

from collections.abc import Iterable, Sequence

import polars as pl

from speclake.archive.catalog.layout import TABLES
from speclake.archive.catalog.lookups import files_named, rows_of
from speclake.archive.catalog.numbers import named
from speclake.archive.catalog.query import Where
from speclake.archive.catalog.session import Session
from speclake.archive.rows import FileOutcome, FileRow
from speclake.errors import NotFound

Listing = Sequence[tuple[str, int, int]]
"""Path below the watched folder, size and modification time in ns of each file found."""

_NAMES = ", ".join(f'"{name}"' for name in TABLES["files"].taken)


def files(
    session: Session,
    outcome: FileOutcome | str | None = None,
    folder: str | None = None,
    limit: int | None = 100,
    offset: int = 0,
) -> pl.DataFrame:
    """Lines of the ledger, newest first."""
    found = Where()
    if outcome is not None:
        found.add("outcome = ?", str(outcome))
    if folder is not None:
        found.add("folder = ?", folder)
    most = "" if limit is None else f"LIMIT {int(limit)}"
    page = (
        f"SELECT file_no FROM files {found.sql} ORDER BY file_no DESC {most} OFFSET {int(offset)}"
    )
    return session.frame(
        f"SELECT {_NAMES}, commit_number FROM files WHERE file_no IN ({page}) "
        "ORDER BY file_no DESC",
        found.parameters,
    )


def file_states(session: Session, folder: str, path: str) -> list[FileRow]:
    """Every line on one file of a watched folder, oldest first."""
    found = session.arrow(
        f"""SELECT {_NAMES} FROM files WHERE file_no IN (SELECT unnest(?::INTEGER[]))
        ORDER BY file_no""",
        [files_named(session, folder, [path])],
    )
    return rows_of("files", found)


def file_line(session: Session, file_id: str) -> FileRow:
    """The line of this identifier.

    Raises
    ------
    speclake.errors.NotFound
        The ledger has none.
    """
    found = session.arrow(
        f"SELECT {_NAMES} FROM files WHERE file_no IN (SELECT unnest(?::INTEGER[]))",
        [list(named(session, "files", "id_key", "file_id", [file_id]))],
    )
    rows: list[FileRow] = rows_of("files", found)
    if not rows:
        raise NotFound(f"{file_id}: found no such line in the ledger")
    return rows[0]


def read_with(session: Session, format: str) -> dict[str, int]:
    """Number of measurements that each version of a format has read, by version."""
    return dict(
        session.rows(
            """SELECT split_part(format, '@', -1) AS version, count(*) FROM measurements
            WHERE format LIKE '%@%' AND left(format, -17) = ? GROUP BY version ORDER BY version""",
            [format],
        )
    )


def unseen(session: Session, folder: str, listing: Listing) -> list[tuple[str, int, int]]:
    """Files of a listing whose path, size and time are not in the ledger, in their order.

    Only the lines whose time lies between the first and the last of the listing are compared:
    a folder is written in one stretch of time, and so was its part of the ledger.
    """
    if not listing:
        return []
    paths, sizes, times = (list(column) for column in zip(*listing, strict=True))
    seen = session.rows(
        """SELECT DISTINCT position FROM (
            SELECT unnest(?::VARCHAR[]) AS path, unnest(?::BIGINT[]) AS size,
                   unnest(?::BIGINT[]) AS modified_ns, unnest(range(len(?::BIGINT[]))) AS position
        ) AS given JOIN (
            SELECT path, size, modified_ns FROM files
            WHERE modified_ns BETWEEN ? AND ? AND folder = ?
        ) AS held USING (path, size, modified_ns)""",
        [paths, sizes, times, times, min(times), max(times), folder],
    )
    known = {position for (position,) in seen}
    return [entry for i, entry in enumerate(listing) if i not in known]


def refused(
    session: Session, folder: str | None = None, readers: str | None = None
) -> list[FileRow]:
    """Refusals that stand: no later line speaks of the same state of the same file.

    Parameters
    ----------
    folder : name of a watched folder; all where None.
    readers : fingerprint of the readers there are now; refusals by these very readers are left
        out, since they would say the same again. None gives all.
    """
    found = Where()
    found.add("outcome = ?", FileOutcome.REFUSED.value)
    if folder is not None:
        found.add("folder = ?", folder)
    if readers is not None:
        found.add("readers <> ?", readers)
    rows = session.arrow(
        f"""WITH candidates AS (SELECT * FROM files {found.sql})
        SELECT {_NAMES} FROM candidates AS c WHERE NOT EXISTS (
            SELECT 1 FROM files AS later
            WHERE later.path_key = c.path_key AND later.sha256 = c.sha256
            AND later.folder = c.folder AND later.path = c.path AND later.file_no > c.file_no
        ) ORDER BY file_no""",
        found.parameters,
    )
    return rows_of("files", rows)


def taken_by(session: Session, importer: str, after: int = 0) -> list[FileRow]:
    """Latest line of each file that an importer has taken, in the order of the chain.

    Parameters
    ----------
    after : only lines of later commits than the one of this number.
    """
    found = session.arrow(
        f"""SELECT {_NAMES} FROM files WHERE commit_number > ? AND importer = ? AND outcome = ?
        QUALIFY row_number() OVER (PARTITION BY folder, path ORDER BY file_no DESC) = 1
        ORDER BY file_no""",
        [after, importer, FileOutcome.TAKEN.value],
    )
    return rows_of("files", found)


def known_file_ids(session: Session, ids: Iterable[str]) -> set[str]:
    """Those of the identifiers that have a line in the ledger."""
    return set(named(session, "files", "id_key", "file_id", ids).values())


def has_original(session: Session, sha256s: Iterable[str]) -> set[str]:
    """Those of the hashes whose bytes the archive holds."""
    numbers = named(session, "files", "bytes_key", "sha256", sha256s)
    if not numbers:
        return set()
    found = session.rows(
        """SELECT file_no FROM files
        WHERE file_no IN (SELECT unnest(?::INTEGER[])) AND holds_original""",
        [list(numbers)],
    )
    return {numbers[number] for (number,) in found}
