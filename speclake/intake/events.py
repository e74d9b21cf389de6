"""File-system events as hints where to look sooner. Losing every one of them loses no file."""

import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

from watchdog.events import FileSystemEvent, FileSystemEventHandler
from watchdog.observers import Observer

REST_S = 30.0
"""How long an observer that could not start is left alone."""


class _Threads(Protocol):
    def start(self) -> None: ...
    def stop(self) -> None: ...
    def join(self, timeout: float | None = None) -> None: ...


class Hints:
    """Events below one root, handed on as paths below it.

    An observer that cannot start, or whose threads have died (a share that vanished takes them
    along), is started anew by a later `keep_alive`; after a failure not before `REST_S` seconds.
    """

    def __init__(
        self,
        root: Path,
        on_hint: Callable[[str], None],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._root = root
        self._handler = _Handler(root, on_hint)
        self._observer: Observer | None = None  # type: ignore[valid-type] # a name made at run time
        self._clock = clock
        self._not_before_s = float("-inf")
        self.trouble = ""

    def keep_alive(self) -> None:
        """Start, or start again what has died; a failure is kept in `trouble`."""
        observer = self._observer
        if observer is not None and all(e.is_alive() for e in observer.emitters):
            return
        self.stop()
        if self._clock() < self._not_before_s or not self._root.is_dir():
            return
        observer = Observer()
        try:
            observer.schedule(self._handler, str(self._root), recursive=True)
            observer.start()
        except OSError as error:
            observer.stop()  # what it had started by then
            self._not_before_s = self._clock() + REST_S
            self.trouble = f"no events from {self._root}: {error.strerror}; rescans find the files"
            return
        self._observer, self.trouble = observer, ""

    def stop(self) -> None:
        """End the threads of the observer."""
        observer, self._observer = self._observer, None
        if observer is not None:
            observer.stop()
            observer.join(timeout=5)


class _Handler(FileSystemEventHandler):
    def __init__(self, root: Path, on_hint: Callable[[str], None]) -> None:
        self._root, self._on_hint = root, on_hint

    def on_any_event(self, event: FileSystemEvent) -> None:
        if event.is_directory or event.event_type in ("opened", "closed_no_write", "deleted"):
            return
        for path in (event.src_path, event.dest_path):
            if path:
                relative = os.path.relpath(os.fsdecode(path), self._root)
                if not relative.startswith(".."):
                    self._on_hint(Path(relative).as_posix())
