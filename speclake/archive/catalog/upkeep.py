"""Which snapshot a process reads, when it looks again, and when a new one is made.

Opening takes the newest usable snapshot and reads what was committed since. A snapshot that is
damaged, foreign or of another version is passed over, an older one or the chain itself takes its
place, and the notes say so.
"""

import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import duckdb

from speclake.archive.catalog import snapshots
from speclake.archive.catalog.session import Resources, Session, UnusableSnapshot, is_damage
from speclake.archive.catalog.source import Source
from speclake.archive.chain import Chain
from speclake.archive.locations import LocalDisk
from speclake.errors import ArchiveDamaged

MOST_TAIL_ROWS = 5_000
MOST_TAIL_SHARE = 0.1
MOST_TAIL_COMMITS = 200
"""A commit costs its reader 4 ms, however small: a tail of more would be felt at every start."""

_TAIL_COMMITS_BEFORE_LOOKING = 50

Answer = TypeVar("Answer")


class Upkeep:
    """The session of one process, and its changes.

    Parameters
    ----------
    root : folder of the archive.
    disk : through which snapshots are put in place.
    resources : memory and threads for the database.
    """

    def __init__(self, root: Path, disk: LocalDisk, resources: Resources) -> None:
        self._root, self._disk, self._resources = root, disk, resources
        self._chain = Chain(root, disk)
        self._lock = threading.RLock()
        self._publishing = threading.Lock()
        self._passed_over: set[Path] = set()
        self.notes: list[str] = []
        self.session = self._opened(is_strict=False)

    def ask(self, question: Callable[..., Answer], *given: Any, **named: Any) -> Answer:
        """Answer of the session; of the next one, where its snapshot turns out to be damaged."""
        session = self.session
        try:
            return question(session, *given, **named)
        except duckdb.Error as error:
            if session.snapshot is None or not is_damage(error):
                raise
            with self._lock:
                if self.session is session:
                    self._pass_over(session.snapshot, error)
                    self.session = self._opened(is_strict=False)
        return question(self.session, *given, **named)

    def refresh(self) -> None:
        """Show everything that is committed now.

        Raises
        ------
        speclake.errors.ArchiveDamaged
            What was committed cannot be read; what was shown before is still shown.
        """
        with self._lock:
            session = self.session
            if not snapshots.is_of(self._chain, session):
                self.notes.append(
                    f"commit {session.number} is no longer the one that was read; the catalogue "
                    "is read again from what the chain holds now"
                )
            elif not self._has_newer_base(session) and self._catch_up(session):
                return
            self.session = self._opened(is_strict=True)

    def is_due(self) -> bool:
        """Whether the tail has grown long enough for a new snapshot."""
        session = self.session
        most_rows = max(MOST_TAIL_ROWS, int(session.base_rows * MOST_TAIL_SHARE))
        return session.tail_commits > MOST_TAIL_COMMITS or session.tail_rows() > most_rows

    def publish(self) -> int | None:
        """Number of a new snapshot, built on the newest usable one; None where that is new."""
        with self._publishing:
            for base in self._bases():
                try:
                    return self._publish(base)
                except (UnusableSnapshot, FileNotFoundError) as error:
                    self._pass_over(base, error)
            return self._publish(None)

    def rebuild(self) -> int | None:
        """Number of a new snapshot made from the chain alone; None for an empty chain."""
        with self._publishing:
            return self._publish(None)

    def close(self) -> None:
        """Let go of every file."""
        with self._lock:
            self.session.close()

    def _publish(self, base: Path | None) -> int | None:
        built = snapshots.build(self._root, base, self._resources, self._disk)
        if built is None:
            return None
        number, path = built
        snapshots.remove_old(self._root, self._disk)
        with self._lock:
            self._passed_over.discard(path)
            self.session = self._opened(is_strict=True)
        return number

    def _bases(self) -> list[Path]:
        """Snapshots to read or build on, newest first."""
        found = [snapshots.path_of(self._root, n) for n in snapshots.numbers(self._root)]
        return [path for path in found if path not in self._passed_over]

    def _has_newer_base(self, session: Session) -> bool:
        """Whether another process has published what spares this one a long tail."""
        if session.tail_commits < _TAIL_COMMITS_BEFORE_LOOKING:
            return False
        bases = self._bases()
        return bool(bases) and bases[0] > snapshots.path_of(self._root, session.base)

    def _opened(self, is_strict: bool) -> Session:
        """Session that shows everything committed now.

        Where that is damaged, one that is not strict shows what comes before the damage.
        """
        tried: set[Path] = set()
        while left := [path for path in self._bases() if path not in tried]:
            tried.add(left[0])
            session = self._usable(left[0])
            if session is not None and self._catch_up(session, is_strict):
                return session
        path_or_none = self._built_from_the_chain()
        session = Session(self._resources, snapshot=path_or_none)
        self._catch_up(session, is_strict)
        return session

    def _built_from_the_chain(self) -> Path | None:
        """First snapshot of a chain too long to be read at every start, None for a short one."""
        try:
            if not self._is_long():
                return None
            built = snapshots.build(self._root, None, self._resources, self._disk)
        except (ArchiveDamaged, OSError, duckdb.IOException) as error:
            self.notes.append(f"no snapshot was made: {error}")
            return None
        return built[1] if built else None

    def _is_long(self) -> bool:
        """Whether the chain alone would be too long a tail."""
        rows = 0
        for commit in self._chain.after(0):
            rows += sum(e.rows for e in commit.adds if e.table in ("measurements", "files"))
            if commit.number > MOST_TAIL_COMMITS or rows > MOST_TAIL_ROWS:
                return True
        return False

    def _usable(self, path: Path) -> Session | None:
        """Session on a snapshot, None where that is not of this chain or not whole."""
        try:
            return snapshots.opened(path, self._chain, self._resources)
        except (UnusableSnapshot, ArchiveDamaged) as error:
            self._pass_over(path, error)
            return None

    def _catch_up(self, session: Session, is_strict: bool = True) -> bool:
        """Whether the session's snapshot served; the session shows everything then."""
        try:
            for chunk in Source(self._root, self._chain).after(session.number):
                session.load(chunk)
        except duckdb.Error as error:
            if session.snapshot is None or not is_damage(error):
                raise
            self._pass_over(session.snapshot, error)
            return False
        except ArchiveDamaged as error:
            if is_strict:
                raise
            self.notes.append(f"nothing after commit {session.number} is shown: {error}")
        return True

    def _pass_over(self, path: Path, error: Exception) -> None:
        if not path.exists():
            return  # another process has published a newer one, and removed this
        self._passed_over.add(path)
        reason = str(error).splitlines()[0]
        self.notes.append(f"the snapshot {path.name} is not used: {reason}")
