"""The long-running process: watches the folders, takes in and judges, and serves the pages."""

import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from datetime import UTC, date, datetime
from importlib.metadata import entry_points
from pathlib import Path
from types import FrameType
from typing import Any, Protocol

from speclake.api import Archive
from speclake.api.taking import ingest_of, refused_tasks
from speclake.errors import BadSettings, NotFound
from speclake.intake.ingest import Tally
from speclake.intake.readpool import ReadPool
from speclake.intake.verdicts import judge_left_over
from speclake.intake.watcher import Watcher
from speclake.intake.workshop import ReaderFiles

PAGES_GROUP = "speclake.pages"
LOOK_FOR_CHANGES_S = 5.0
PAUSE_S = 0.1
"""How long the watcher rests when no file is ripe."""


class Pages(Protocol):
    """The served pages."""

    url: str

    def stop(self) -> None:
        """End the server."""


class Service:
    """Watcher and pages of one archive, started and stopped together.

    Parameters
    ----------
    say : where words for the person at the terminal go.
    today : the day in UTC; past days are sealed.
    """

    def __init__(
        self,
        archive: Archive,
        say: Callable[[str], None] = lambda _: None,
        today: Callable[[], date] = lambda: datetime.now(UTC).date(),
    ) -> None:
        self.archive, self._say, self._today = archive, say, today
        self._sealed_before: date | None = None
        self.stop = threading.Event()
        self.is_at_rest = threading.Event()
        """Set while no file is ripe and nothing is on its way."""
        self.tally = Tally()
        self.trouble = ""
        self._slips: tuple[str, ...] = ()
        self._thread = threading.Thread(target=self._watch, name="watcher")
        self._failure: BaseException | None = None
        self._pages: Pages | None = None
        self._changes = _Changes(archive.root)
        self._readers: ReaderFiles | None = None

    def start(self, *, with_pages: bool = True, port: int | None = None) -> None:
        """Clean what a crash left, judge what was left unjudged, then watch and serve.

        Where that fails, as on a port that is taken, everything is ended before the error is told.
        """
        # a mistake in one of these is told now, not while files arrive
        self.archive.specifications()
        self.archive.judge_step.standards.current()
        self._changes = _Changes(self.archive.root)
        self._readers = ReaderFiles.of(self.archive.root, self.archive.settings)
        self.archive.clean()
        if self.stop.is_set():
            return
        left = judge_left_over(self.archive.store, self.archive.judge_step, self.stop.is_set)
        if left:
            self._say(f"judged {sum(left.values())} requirements left over from before")
        if self.stop.is_set():
            return
        self._thread.start()
        try:
            if with_pages:
                self.show_pages(port)
        except BaseException:
            self.close()
            raise

    def show_pages(self, port: int | None = None) -> None:
        """Serve the pages until the service is closed."""
        self._pages = serve_pages(self.archive, port)
        self._say(f"pages at {self._pages.url}")

    def wait(self) -> None:
        """Until somebody asks to stop, or the watcher fails.

        Raises
        ------
        BaseException
            What ended the watcher.
        """
        while not self.stop.wait(0.5):
            if not self._thread.is_alive():
                break
        self.close()

    def close(self) -> None:
        """Stop watching after what is being read is committed; end the pages."""
        self.stop.set()
        if self._thread.is_alive():
            self._thread.join()
        if self._pages is not None:
            self._pages.stop()
            self._pages = None
        if self._failure is not None:
            failure, self._failure = self._failure, None
            raise failure

    def _watch(self) -> None:
        try:
            while not self.stop.is_set():
                self._watch_with_these_readers()
        except BaseException as error:  # noqa: BLE001 - handed to the thread that waits
            self._failure = error
            self.stop.set()

    def _watch_with_these_readers(self) -> None:
        """Watch until told to stop, or until an importer or a format of the archive changes."""
        archive = self.archive
        with closing(ReadPool(archive.root, archive.settings, self._readers)) as pool:
            step = ingest_of(archive, pool)
            watcher = Watcher(
                archive.root, archive.settings, archive.store, pool, step, archive.judge_step
            )
            archive.watch_states = watcher.states
            for name, how in pool.shut_out.items():
                self._say(f"importer {name!r} is left out: it {how}")
            tasks = refused_tasks(archive, pool.readers, False)
            step.take(pool.read(tasks, self.stop), self.tally)
            with closing(watcher):
                while not self.stop.is_set() and not self._have_new_readers():
                    self.is_at_rest.clear()
                    busy = watcher.turn(self.stop, self.tally)
                    self._tell_slips()
                    if not busy:
                        self._seal_past_days()
                        self.is_at_rest.set()
                        self.stop.wait(PAUSE_S)

    def _seal_past_days(self) -> None:
        """Once a day, when nothing waits, gather the small batches of the days before."""
        today = self._today()
        if today != self._sealed_before:
            sealed = self.archive.seal(today, who="service", why="the nightly sealing")
            if sealed:
                self._say(f"sealed {sealed} commits of days before {today}")
            self._sealed_before = today

    def _tell_slips(self) -> None:
        """Say once what is wrong in the folders of which the last good state is still in use."""
        found = self.archive.judge_step.slips
        for each in found:
            if each not in self._slips:
                self._say(each)
        self._slips = found

    def _have_new_readers(self) -> bool:
        """Whether formats or importers changed and can be used; wrong ones leave the old ones."""
        if not self._changes.seen():
            return False
        try:
            self._readers = ReaderFiles.of(self.archive.root, self.archive.settings)
        except (BadSettings, OSError) as error:
            self.trouble = str(error)
            self._say(self.trouble)
            return False
        self.trouble = ""
        return True


class _Changes:
    """Whether importers or formats of an archive differ from when this was made."""

    def __init__(self, root: Path) -> None:
        self._root = root
        self._before = self._state()
        self._next_s = time.monotonic() + LOOK_FOR_CHANGES_S

    def _state(self) -> list[tuple[str, int, int]]:
        files = [*self._root.glob("formats/*.toml"), *self._root.glob("plugins/*.py")]
        state = []
        for file in sorted(files):
            with suppress(OSError):  # it went away just now, or is a link to nowhere
                stat = file.stat()
                state.append((str(file), stat.st_size, stat.st_mtime_ns))
        return state

    def seen(self) -> bool:
        """Whether something changed since the last time that this said so."""
        if time.monotonic() < self._next_s:
            return False
        self._next_s = time.monotonic() + LOOK_FOR_CHANGES_S
        state = self._state()
        is_new, self._before = state != self._before, state
        return is_new


def serve_pages(archive: Archive, port: int | None = None) -> Pages:
    """Pages of an archive, started by whoever declares the entry point.

    Raises
    ------
    speclake.errors.NotFound
        No installed package serves pages.
    """
    points = list(entry_points(group=PAGES_GROUP))
    if not points:
        raise NotFound(f"found no package that declares {PAGES_GROUP!r}; expected speclake's own")
    serve: Any = points[0].load()
    pages = archive.settings.pages
    handle: Pages = serve(archive, address=pages.address, port=pages.port if port is None else port)
    return handle


@contextmanager
def ended_by_signals(stop: threading.Event) -> Iterator[None]:
    """Ctrl+C and SIGTERM set `stop` instead of ending the process in the middle of its work."""

    def on_signal(number: int, frame: FrameType | None) -> None:
        del number, frame
        stop.set()

    before = {n: signal.signal(n, on_signal) for n in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
