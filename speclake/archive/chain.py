"""The chain of commits: numbered records, each with the hash of the one before.

A record is put in place if its number is free, so two writers cannot both have a number and the
chain cannot fork. The hash of a record is the SHA-256 of its bytes. Inside it stands the SHA-256 of
the rest (``check``), which shows a flipped bit in the last record too, that no other names yet.
``head.json`` says how far the chain was when its last writer had it on the medium: a shorter chain
has lost records. It is a witness and a place to count on from, and never needed.

What is derived from the chain up to a commit must keep that commit's *hash* beside its number and
compare it before use: after a power cut the last record that a reader saw may be gone, and another
may stand under its number.
"""

import contextlib
import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from speclake.archive.locations import TEMPORARY, LocalDisk
from speclake.errors import ArchiveDamaged, NotFound

FOLDER = "chain"
BEFORE_THE_FIRST = "0" * 64
"""What the first record names as the hash of the one before."""

HEAD = "head.json"

_VERSION = 1
_FARTHEST_LOOK = 20


class Taken(Exception):
    """Another writer has this number; read what is new and try again."""


@dataclass(frozen=True, slots=True)
class FileEntry:
    """A file that a commit adds: `path` below the archive's folder, with forward slashes.

    `table` is a name of `speclake.archive.schemas.TABLES`, or ``originals``.
    """

    table: str
    path: str
    rows: int
    size: int
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Commit:
    """One record of the chain.

    Parameters
    ----------
    number : from 1, without a gap.
    previous : hash of the record before.
    at, who, why, kind : when, by whom, why, and what sort of work, in words. `kind` is ``seal``
        for a commit that only moves rows of others into one batch.
    adds : the files of its batch.
    replaces : numbers of the commits whose batches this one stands for from now on.
    digests : for each table, the digest of its rows, whatever their order and file.
    hash : SHA-256 of the record's bytes.
    """

    number: int
    previous: str
    at: datetime
    who: str
    why: str
    kind: str
    adds: tuple[FileEntry, ...] = ()
    replaces: tuple[int, ...] = ()
    digests: Mapping[str, str]
    hash: str = ""

    def entry(self, table: str) -> FileEntry | None:
        """File that holds the rows of a table, None where the commit has none."""
        return next((entry for entry in self.adds if entry.table == table), None)


SEAL = "seal"


@dataclass(frozen=True, slots=True)
class Witness:
    """What ``head.json`` says of the last commit."""

    number: int
    hash: str


def _testimony(witness: Witness) -> dict[str, Any]:
    content: dict[str, Any] = {"number": witness.number, "hash": witness.hash}
    return content | {"check": hashlib.sha256(_canonical(content)).hexdigest()}


def encoded(commit: Commit) -> bytes:
    """Bytes of a record: JSON with sorted keys and no free space, in UTF-8."""
    content = {
        "version": _VERSION,
        "number": commit.number,
        "previous": commit.previous,
        "at": commit.at.astimezone(UTC).isoformat(timespec="microseconds"),
        "who": commit.who,
        "why": commit.why,
        "kind": commit.kind,
        "adds": [
            {"table": e.table, "path": e.path, "rows": e.rows, "size": e.size, "sha256": e.sha256}
            for e in commit.adds
        ],
        "replaces": _spans(commit.replaces),
        "digests": dict(commit.digests),
    }
    return _canonical(content | {"check": hashlib.sha256(_canonical(content)).hexdigest()})


def _canonical(content: Mapping[str, Any]) -> bytes:
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return text.encode()


def decoded(data: bytes, name: str) -> Commit:
    """Commit from the bytes of its record; `name` is the file's, for messages.

    Raises
    ------
    speclake.errors.ArchiveDamaged
        The bytes are not exactly those of a record.
    """
    try:
        content = json.loads(data)
        commit = _commit(content)
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise ArchiveDamaged(
            f"{name}: found {_glimpse(data)} ({error!r}); expected a record of the chain"
        ) from error
    if encoded(commit) != data:
        raise ArchiveDamaged(
            f"{name}: found a record that is not as it was written; expected the bytes that its "
            "check was made of"
        )
    return replace(commit, hash=hashlib.sha256(data).hexdigest())


def _commit(content: Mapping[str, Any]) -> Commit:
    if content["version"] != _VERSION:
        raise ValueError(f"version {content['version']!r}; this program writes {_VERSION}")
    return Commit(
        number=int(content["number"]),
        previous=str(content["previous"]),
        at=datetime.fromisoformat(content["at"]),
        who=content["who"],
        why=content["why"],
        kind=content["kind"],
        adds=tuple(FileEntry(**entry) for entry in content["adds"]),
        replaces=tuple(n for first, last in content["replaces"] for n in range(first, last + 1)),
        digests=content["digests"],
    )


def _glimpse(data: bytes) -> str:
    return f"{len(data)} bytes beginning {data[:40]!r}" if data else "an empty file"


def _spans(numbers: Iterable[int]) -> list[list[int]]:
    """Runs of consecutive numbers as first and last: a seal replaces long runs."""
    spans: list[list[int]] = []
    for number in sorted(numbers):
        if spans and number == spans[-1][1] + 1:
            spans[-1][1] = number
        else:
            spans.append([number, number])
    return spans


class Chain:
    """The records below ``chain/``.

    Parameters
    ----------
    root : folder of the archive.
    disk : through which records are written.
    """

    def __init__(self, root: Path, disk: LocalDisk | None = None) -> None:
        self.root = root
        self.folder = root / FOLDER
        self._disk = disk or LocalDisk()

    def path(self, number: int) -> Path:
        """File of a record."""
        return self.folder / f"{number:010d}.json"

    def read(self, number: int) -> Commit:
        """Commit of a number.

        Raises
        ------
        speclake.errors.NotFound
            There is no such record.
        speclake.errors.ArchiveDamaged
            The record is not what a writer would have put there.
        """
        path = self.path(number)
        name = f"{FOLDER}/{path.name}"
        try:
            data = path.read_bytes()
        except FileNotFoundError as error:
            raise NotFound(f"{name}: found no record of commit {number}") from error
        commit = decoded(data, name)
        if commit.number != number:
            raise ArchiveDamaged(f"{name}: found commit {commit.number}; expected {number}")
        return commit

    def head(self, known: int = 0) -> Commit | None:
        """Last commit, None where there is none; found by counting on from a known number.

        Raises
        ------
        speclake.errors.ArchiveDamaged
            A record is missing though a later one is there.
        """
        number = self._last(max(known, self._known_from_witness()))
        while self._is_passed(number):
            number = self._last(number)
        return self.read(number) if number else None

    def after(self, number: int) -> Iterator[Commit]:
        """Commits after a number, in order, each checked against the hash of the one before.

        Raises
        ------
        speclake.errors.ArchiveDamaged
            A record is damaged or does not follow the one before.
        """
        if not self._exists(number + 1):
            return
        before = self.read(number).hash if number else BEFORE_THE_FIRST
        while True:
            number += 1
            try:
                commit = self.read(number)
            except NotFound:
                return
            if commit.previous != before:
                raise ArchiveDamaged(
                    f"{FOLDER}/{self.path(number).name}: found the hash {commit.previous} for the "
                    f"record before; expected {before}"
                )
            yield commit
            before = commit.hash

    def append(
        self,
        previous: Commit | None,
        *,
        at: datetime,
        who: str,
        why: str,
        kind: str,
        adds: Sequence[FileEntry] = (),
        replaces: Iterable[int] = (),
        digests: Mapping[str, str] | None = None,
    ) -> Commit:
        """Commit that now follows `previous`, durably.

        Raises
        ------
        Taken
            Another commit follows `previous` already.
        speclake.errors.ArchiveDamaged
            The next record is missing though a later one is there.
        """
        commit = Commit(
            number=previous.number + 1 if previous else 1,
            previous=previous.hash if previous else BEFORE_THE_FIRST,
            at=at.astimezone(UTC),
            who=who,
            why=why,
            kind=kind,
            adds=tuple(adds),
            replaces=tuple(sorted(replaces)),
            digests=dict(digests or {}),
        )
        witness = self.witness()  # read first: the record of what it says is there by then
        if self._is_passed(commit.number - 1):
            raise Taken(commit.number)
        if witness and witness.number >= commit.number and not self._exists(commit.number):
            raise ArchiveDamaged(
                f"{FOLDER}/{self.path(commit.number).name}: found no record, though {HEAD} says "
                f"that commit {witness.number} was made; expected it; restore what is lost"
            )
        data = encoded(commit)
        try:
            self._disk.put_if_absent(self.path(commit.number), data)
        except FileExistsError as error:
            raise Taken(commit.number) from error
        commit = replace(commit, hash=hashlib.sha256(data).hexdigest())
        self.leave_witness(commit)
        return commit

    def witness(self) -> Witness | None:
        """Last commit as ``head.json`` has it, None where that is not there or not whole."""
        try:
            content = json.loads((self.folder / HEAD).read_bytes())
            found = Witness(content["number"], content["hash"])
        except (OSError, ValueError, KeyError, TypeError):  # nobody depends on it
            return None
        return found if content == _testimony(found) else None

    def leave_witness(self, commit: Commit) -> None:
        """Say how far the chain is, once that record is on the medium; without a wait for this."""
        temporary = self.folder / f".{HEAD}.{self._disk.token()}{TEMPORARY}"
        content = _canonical(_testimony(Witness(commit.number, commit.hash)))
        with contextlib.suppress(OSError):  # the commit stands, with this file or without
            handle = self._disk.open_new(temporary)
            try:
                self._disk.write(handle, memoryview(content))
            finally:
                self._disk.close(handle)
            self._disk.rename(temporary, self.folder / HEAD)

    def _known_from_witness(self) -> int:
        witness = self.witness()
        return witness.number if witness and self._exists(witness.number) else 0

    def _exists(self, number: int) -> bool:
        try:
            self.path(number).stat()
        except FileNotFoundError:
            return False
        return True

    def _last(self, known: int) -> int:
        """Number before the first free one, by steps that double and then halve."""
        if not self._exists(known + 1):
            return known
        low, step = known + 1, 1
        while self._exists(low + step):
            low, step = low + step, step * 2
        high = low + step
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (middle, high) if self._exists(middle) else (low, middle)
        return low

    def _is_passed(self, number: int) -> bool:
        """Whether later records are there; looks past the next one, which may be lost.

        To write under the number of a lost record would fork the chain.
        """
        for power in range(_FARTHEST_LOOK):
            beyond = number + 1 + 2**power
            if self._exists(beyond):
                if self._exists(number + 1):
                    return True
                raise ArchiveDamaged(
                    f"{FOLDER}/{self.path(number + 1).name}: found no record, though "
                    f"{self.path(beyond).name} is there; expected records without a gap; "
                    "run verify and restore the file"
                )
        return False
