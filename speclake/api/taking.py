"""Files taken in by hand, and refused files tried again."""

from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from threading import Event
from typing import TYPE_CHECKING

from speclake.archive.lake import Lake
from speclake.errors import NotFound
from speclake.intake.disks import Listed, LocalDisk
from speclake.intake.folders import FolderState
from speclake.intake.ingest import Ingest, Tally, absolute_root
from speclake.intake.keptstandards import keep_standards
from speclake.intake.readpool import ReadPool
from speclake.intake.sheetbook import READER, RULES, SheetBook
from speclake.intake.spool import LONG_FILE_BYTES
from speclake.intake.tasks import FileReading, FileTask, KeptOriginal
from speclake.intake.units import in_units
from speclake.intake.verdicts import judge_taken
from speclake.intake.wanted import is_run_sheet, is_unit, is_wanted, unit_of
from speclake.settings import Folder, Settings

if TYPE_CHECKING:
    from speclake.api.archive import Archive

BY_HAND = "by hand"
CHUNK = 500


def _now() -> datetime:
    return datetime.now(UTC)


def ingest_of(archive: "Archive", pool: ReadPool) -> Ingest:
    """The step that commits readings, with the archive's settings."""
    limits = archive.settings.limits
    return Ingest(
        archive.store,
        archive.judge_step,
        readers=pool.readers,
        files_per_commit=limits.files_per_commit,
        seconds_per_commit=limits.seconds_per_commit,
    )


@dataclass(frozen=True)
class ByHand:
    """How files brought by hand are taken in; `importer` and `format` go before the settings."""

    backfill: bool = False
    with_verdicts: bool = True
    importer: str | None = None
    format: str | None = None

    @property
    def again(self) -> str:
        """Set where a reader is named: then even a file that is known is read again."""
        return f" as {self.importer} {self.format}" if self.importer or self.format else ""


def ingest(
    archive: "Archive",
    paths: Sequence[Path],
    how: ByHand,
    progress: Callable[[Tally], None],
    stop: Event | None = None,
) -> Tally:
    """Take in files and folders now; a folder that the settings watch keeps its settings.

    Once `stop` is set, what was read is committed and the rest left for another time.
    """
    keep_standards(archive.store, archive.judge_step.standards)
    tally = Tally()
    places = [place_of(archive.root, archive.settings, path) for path in paths]
    with closing(ReadPool(archive.root, archive.settings)) as pool:
        step = ingest_of(archive, pool)
        sheets = SheetBook(archive.store, _now)
        for folder, root, below in places:
            if stop is not None and stop.is_set():
                break
            disk = LocalDisk()
            listings = _chunks(disk, root, below, folder)
            tasks = _tasks(archive.store, folder, root, listings, sheets, how, tally)
            readings = _shown(pool, pool.read(tasks, stop), tally, progress)
            step.take(readings, tally, lambda _: progress(tally))
            for path, why in disk.passed_over.items():
                tally.leave_out(path, why)
        told = sheets.apply_due()
        if how.with_verdicts:
            judge_taken(archive.store, archive.judge_step, told, why="a run sheet told which parts")
    return tally


def _shown(
    pool: ReadPool,
    readings: Iterator[FileReading | None],
    tally: Tally,
    progress: Callable[[Tally], None],
) -> Iterator[FileReading | None]:
    """The readings; how far files have come that take long is shown meanwhile."""
    for reading in readings:
        under_way = {path: how for (_, path), how in pool.under_way.items()}
        if under_way != tally.under_way:
            tally.under_way = under_way
            progress(tally)
        yield reading
    tally.under_way = {}


def place_of(archive: Path, settings: Settings, path: Path) -> tuple[Folder, Path, str]:
    """Settings that hold for a path, the root its names count from, and the path below it.

    Raises
    ------
    speclake.errors.NotFound
        There is no such file or folder.
    """
    absolute = path.expanduser().resolve()
    if not absolute.exists():
        raise NotFound(f"{path}: found no such file or folder")
    for folder in settings.folder:
        root = absolute_root(archive, folder.path)
        if absolute == root or root in absolute.parents:
            below = absolute.relative_to(root).as_posix()
            return folder, root, "" if below == "." else below
    root = absolute if absolute.is_dir() else absolute.parent
    folder = Folder(name=f"{BY_HAND}: {root}", path=str(root))
    return folder, root, "" if absolute.is_dir() else absolute.name


def _tasks(
    store: Lake,
    folder: Folder,
    root: Path,
    listings: Iterator[list[Listed]],
    sheets: SheetBook,
    how: ByHand,
    tally: Tally,
) -> Iterator[FileTask]:
    """Tasks for what the ledger does not hold yet; run sheets first, since they tell of others."""
    for listing in listings:
        sheet_paths = [each for each in listing if is_run_sheet(each[0], folder)]
        for each in store.catalog.unseen(folder.name, sheet_paths):
            try:
                content = (root / each[0]).read_bytes()
            except OSError as error:
                tally.leave_out(each[0], f"cannot be opened: {error.strerror}")
            else:
                sheets.take(folder.name, each, content)
        rest = (each for each in listing if each not in sheet_paths)
        wanted = [each for each in rest if is_unit(each[0]) or is_wanted(each[0], folder)]
        new = wanted if how.again else store.catalog.unseen(folder.name, wanted)
        tally.known += len(wanted) - len(new)
        for path, size, modified_ns in new:
            yield FileTask(
                folder=folder.name,
                root=root,
                path=path,
                size=size,
                modified_ns=modified_ns,
                arrived_at=_now(),
                sheets=sheets.about(folder.name, path),
                backfill=how.backfill,
                with_verdicts=how.with_verdicts,
                importer=how.importer,
                format=how.format,
                again=how.again,
            )


def _chunks(disk: LocalDisk, root: Path, below: str, folder: Folder) -> Iterator[list[Listed]]:
    """Listing below a path in chunks; what lies in a unit stands for the whole of it."""
    below = unit_of(f"{below}/", folder).removesuffix("/") or below
    if below and not (root / below).is_dir():
        if (one := disk.look(root, below)) is not None:
            yield [one]
        else:
            disk.passed_over.setdefault(below, "it is no file that can be read")
        return
    chunk: list[Listed] = []
    for listed in in_units(disk.walk(root, below), folder):
        chunk.append(listed)
        if len(chunk) == CHUNK:
            yield chunk
            chunk = []
    if chunk:
        yield chunk


def retry(
    archive: "Archive",
    *,
    on_demand: bool,
    files: Collection[str] | None = None,
    progress: Callable[[Tally], None] = lambda _: None,
    stop: Event | None = None,
) -> Tally:
    """Read refused files again: all of them on demand, else those that other readers refused.

    Parameters
    ----------
    files : identifiers of the lines of the ledger on the only files to read.
    """
    tally = Tally()
    with closing(ReadPool(archive.root, archive.settings)) as pool:
        step = ingest_of(archive, pool)
        tasks = refused_tasks(archive, pool.readers, on_demand, files=files)
        readings = _shown(pool, pool.read(tasks, stop), tally, progress)
        step.take(readings, tally, lambda _: progress(tally))
    return tally


def refused_tasks(
    archive: "Archive",
    readers: str,
    on_demand: bool,
    long_file_bytes: int = LONG_FILE_BYTES,
    *,
    files: Collection[str] | None = None,
) -> Iterator[FileTask]:
    """Tasks that read refused files from the bytes the archive keeps.

    Run sheets are read first, here, since they tell of the others. `files` are identifiers of the
    lines of the ledger on the only files to read; None reads all.
    """
    store: Lake = archive.store
    sheets = SheetBook(store, _now)
    head = store.head()
    again = f" again {head.number}" if on_demand and head else ""
    rows = store.catalog.refused(readers=None if on_demand else readers)
    if files is not None:
        rows = [row for row in rows if row.file_id in files]
    for row in rows:
        if row.importer == READER and (on_demand or row.readers != RULES):
            sheets.take_again(row, again)
    told = sheets.apply_due()
    judge_taken(store, archive.judge_step, told, why="a run sheet told which parts")
    for row in (row for row in rows if row.importer != READER):
        is_long = row.size > long_file_bytes and not is_unit(row.path)
        yield FileTask(
            folder=row.folder,
            root=archive.root,
            path=row.path,
            size=row.size,
            modified_ns=row.modified_ns,
            arrived_at=row.arrived_at,
            sheets=sheets.about(row.folder, row.path),
            content=None if is_long else store.original(row.sha256),
            kept=KeptOriginal(store.originals_file(row.sha256), row.sha256) if is_long else None,
            backfill=row.backfill,
            with_verdicts=not row.backfill,
            again=again,
        )


def unwatched_states(archive: "Archive") -> list[FolderState]:
    """Folders of the settings when no watcher runs in this process: looked at just now."""
    return [_state(archive.root, folder) for folder in archive.settings.folder]


def _state(root: Path, folder: Folder) -> FolderState:
    place = absolute_root(root, folder.path)
    state = FolderState(folder.name, str(place), is_reachable=place.is_dir())
    if not state.is_reachable:
        state.trouble = f"{place} cannot be reached"
    return state
