"""The archive on disk as one thing: commit, read, seal, verify, clean."""

import threading
from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Generic, TypeVar

from speclake.archive import cleaning
from speclake.archive.batches import FOLDER as BATCHES
from speclake.archive.batches import EncodedBatch, NewBatch, Written, encoded, write, write_parts
from speclake.archive.chain import FOLDER as CHAIN
from speclake.archive.chain import Chain, Commit, Taken
from speclake.archive.cleaning import Removed
from speclake.archive.damage import Damage
from speclake.archive.locations import LocalDisk
from speclake.archive.places import Catalogue
from speclake.archive.reading import Reader
from speclake.archive.rows import Batch, LongBatch
from speclake.archive.scratch import GRACE
from speclake.archive.sealing import Sealer
from speclake.archive.verify import verify
from speclake.errors import NotFound
from speclake.spectrum import SpectrumSet

Clock = Callable[[], datetime]
CatalogueT = TypeVar("CatalogueT", bound=Catalogue)


def now() -> datetime:
    """Time of the system, in UTC."""
    return datetime.now(UTC)


class Store(Generic[CatalogueT]):
    """An archive's truth and the catalogue derived from it.

    Any number of processes may hold one of the same archive. Within a process any thread may read;
    one commits at a time.

    Raises
    ------
    speclake.errors.NotFound
        The folder is no archive.
    """

    def __init__(
        self,
        root: Path,
        open_catalogue: Callable[[Path, Chain, LocalDisk], CatalogueT],
        *,
        disk: LocalDisk | None = None,
        clock: Clock = now,
    ) -> None:
        for name in (CHAIN, BATCHES):
            if not (root / name).is_dir():
                raise NotFound(f"{root}: found no folder {name}; expected an archive")
        self.root = root
        self._disk = disk or LocalDisk()
        self._clock = clock
        self.chain = Chain(root, self._disk)
        self.catalog = open_catalogue(root, self.chain, self._disk)
        self._reader = Reader(root, self.chain, self.catalog)
        self._writing = threading.Lock()

    def close(self) -> None:
        """Let go of every file."""
        self.catalog.close()

    def head(self) -> Commit | None:
        """Last commit of the archive, None before the first."""
        return self.chain.head(self.catalog.number)

    def refresh(self) -> None:
        """Have the catalogue show everything that is committed now."""
        self.catalog.refresh()

    # --- writing ------------------------------------------------------------------------------

    def commit(
        self,
        prepare: Callable[[CatalogueT], Batch | LongBatch | None],
        *,
        who: str,
        why: str,
        kind: str,
    ) -> Commit | None:
        """Commit that adds what `prepare` gives, durably; None where it gives nothing.

        `prepare` sees the catalogue as of the commit before, whatever other writers do: when one
        of them was faster it is called again, and what it gives then counts.

        Raises
        ------
        ValueError
            The batch cannot be stored as it is (see `batches.encoded`).
        OSError
            The disk failed. The commit may stand nevertheless; the rows' identifiers tell.
        """
        with self._writing:
            writing = _Writing(self.root, self._disk, self._clock)
            try:
                while True:
                    self.catalog.refresh()
                    batch = prepare(self.catalog)
                    if not batch:
                        writing.give_up()
                        return None
                    entries, digests = writing.written(batch)
                    number = self.catalog.number
                    previous = self.chain.read(number) if number else None
                    try:
                        return self.chain.append(
                            previous, at=self._clock(), who=who, why=why, kind=kind,
                            adds=entries, digests=digests,
                        )  # fmt: skip
                    except Taken:
                        continue
            finally:
                writing.release()

    def seal(self, before: date, *, who: str, why: str) -> list[Commit]:
        """Commits that put the batches of past months, and of past days of this one, together.

        Parameters
        ----------
        before : the first day (UTC) that is left alone, mostly today.

        Raises
        ------
        speclake.errors.ArchiveDamaged
            Rows are not as committed; nothing was replaced by them.
        """
        sealer = Sealer(self.root, self.chain, self._disk, self._clock)
        return sealer.seal(before, who=who, why=why)

    # --- reading ------------------------------------------------------------------------------

    def spectra(self, ids: Sequence[str]) -> list[SpectrumSet]:
        """Spectra of measurements, one set for each axis and unit, keys in the order given.

        Raises
        ------
        speclake.errors.NotFound
            A measurement is not in the archive as the catalogue shows it.
        speclake.errors.ArchiveDamaged
            A file is missing or is not what was committed.
        """
        return self._reader.spectra(ids)

    def derived(self, ids: Sequence[str]) -> list[SpectrumSet]:
        """Derived spectra, as `spectra` gives those of measurements."""
        return self._reader.derived(ids)

    def original(self, sha256: str) -> bytes:
        """Bytes of a file that was taken in or refused, checked against their hash.

        Raises
        ------
        speclake.errors.NotFound, speclake.errors.ArchiveDamaged
            As for `spectra`.
        """
        return self._reader.original(sha256)

    def originals_file(self, sha256: str) -> Path:
        """Zip archive that holds the bytes of a file now; sealing may move them later.

        Raises
        ------
        speclake.errors.NotFound, speclake.errors.ArchiveDamaged
            As for `spectra`.
        """
        return self._reader.originals_file(sha256)

    def rebuild(self) -> int | None:
        """Number of the commit that the catalogue, made anew from the chain alone, shows."""
        cleaning.clean_snapshots(self.root, self._disk)
        return self.catalog.rebuild()

    # --- care ---------------------------------------------------------------------------------

    def verify(self, head: str | None = None) -> list[Damage]:
        """Everything that is not as committed, left-overs included; empty where all is well.

        Parameters
        ----------
        head : hash that the chain's head had when it was noted elsewhere, as on a report.
        """
        return verify(self.root, self.chain, head)

    def clean(self, grace: timedelta = GRACE) -> list[Removed]:
        """What was removed: left-overs and replaced batches older than the grace period."""
        return cleaning.clean(self.root, self.chain, self._disk, self._clock(), grace)


class _Writing:
    """The batch of one commit, written once for as long as what is to be written stays the same."""

    def __init__(self, root: Path, disk: LocalDisk, clock: Clock) -> None:
        self._root, self._disk, self._clock = root, disk, clock
        self._new: NewBatch | None = None
        self._batch: EncodedBatch | LongBatch | None = None
        self._written: Written = (), {}

    def written(self, batch: Batch | LongBatch) -> Written:
        """Entries and digests of a batch that is on the medium now."""
        if isinstance(batch, LongBatch):
            self._write_long(batch)
        else:
            self._write(encoded(batch))
        return self._written

    def _write(self, batch: EncodedBatch) -> None:
        if isinstance(self._batch, EncodedBatch) and self._batch.is_same_as(batch):
            return
        self.give_up()
        self._new = NewBatch(self._root, self._clock(), self._disk)
        self._written = write(batch, self._new, self._disk), dict(batch.digests)
        self._batch = batch

    def _write_long(self, batch: LongBatch) -> None:
        if self._batch is batch:
            return
        self.give_up()
        self._new = NewBatch(self._root, self._clock(), self._disk)
        try:
            self._written = write_parts(batch.parts, self._new, self._disk)
        except BaseException:
            self.give_up()
            raise
        self._batch = batch

    def give_up(self) -> None:
        """Remove what was written; no record names it."""
        if self._new is not None:
            self._new.give_up()
        self._new = self._batch = None

    def release(self) -> None:
        """Hold the folder no longer.

        It is not removed: after an error of the disk nobody knows whether the record stands.
        """
        if self._new is not None:
            self._new.release()


def create(root: Path, disk: LocalDisk | None = None) -> None:
    """Make the folders of a new archive; those that are there already are taken as they are."""
    writer = disk or LocalDisk()
    for name in (CHAIN, BATCHES):
        writer.make_folders(root / name)
