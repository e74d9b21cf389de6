"""Whether code reached beyond its input: network, files, other programs, the clock, memory."""

import os
import sys
import sysconfig
import threading
import time
import tracemalloc
import zoneinfo
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date
from functools import cache
from pathlib import Path
from types import FrameType
from typing import Any

_OUTSIDE = (
    "ftplib.", "glob.", "http.", "imaplib.", "os.", "pathlib.", "poplib.", "pty.", "shutil.",
    "smtplib.", "socket.", "sqlite3.", "subprocess.", "tempfile.", "urllib.", "webbrowser.",
)  # fmt: skip
"""How the audit events of the standard library begin that concern the world outside."""
_CLOCKS = frozenset({"time", "time_ns", "localtime", "now", "utcnow", "today"})
_WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT
_FINDS_MODULES = "<frozen importlib._bootstrap"
_SHOWS_SOURCE = "linecache.py"

_here = threading.local()


class ReachedOutside(PermissionError):
    """Raised where code under watch reaches outside, so that it has no effect there."""


@contextmanager
def reach_watched() -> Iterator[list[str]]:
    """What this thread reaches outside while the context lasts, in words; no more than a try.

    Imports, the tables of time zones, and files of the installed packages are within bounds.
    """
    _install_hook()
    reached: list[str] = []
    _here.reached = reached
    try:
        yield reached
    finally:
        _here.reached = None


@cache
def _install_hook() -> None:
    # it can never be taken out again, and does nothing for a thread that is not watched
    sys.addaudithook(_hook)


def _hook(event: str, args: tuple[Any, ...]) -> None:
    reached = getattr(_here, "reached", None)
    if reached is None or not (event == "open" or event.startswith(_OUTSIDE)):
        return
    _here.reached = None  # what follows may be audited itself
    try:
        what = _opened(*args) if event == "open" else f"{event}{args!r}"[:200]
        if what and not _is_pythons_own(sys._getframe(1)):
            reached.append(what)
            raise ReachedOutside(f"an importer reads the bytes it is given, nothing else: {what}")
    finally:
        _here.reached = reached


def _opened(path: object, mode: str | None, flags: int) -> str:
    if isinstance(path, int):
        return ""
    file = os.fsdecode(path) if isinstance(path, str | bytes | os.PathLike) else repr(path)
    if set(mode or "") & set("wax+") or flags & _WRITING:
        return f"open({file!r}) for writing"
    is_installed = any(os.path.realpath(file).startswith(each) for each in _installed())
    return "" if is_installed else f"open({file!r})"


@cache
def _installed() -> tuple[str, ...]:
    paths = sysconfig.get_paths()
    folders = {paths[key] for key in ("stdlib", "platstdlib", "purelib", "platlib")}
    folders.add(str(Path(__file__).parents[1]))  # speclake itself, where it is worked on
    return tuple(f"{os.path.realpath(each)}{os.sep}" for each in {*folders, *zoneinfo.TZPATH})


def _is_pythons_own(frame: FrameType | None) -> bool:
    while frame is not None:
        file = frame.f_code.co_filename
        if file.startswith(_FINDS_MODULES) or Path(file).name == _SHOWS_SOURCE:
            return True
        frame = frame.f_back
    return False


@contextmanager
def clock_watched() -> Iterator[list[str]]:
    """Which functions of the clock this thread calls while the context lasts; slow.

    It watches calls and replaces nothing: what was imported by name is seen too.
    """
    asked: list[str] = []

    def profile(frame: FrameType, event: str, called: Any) -> None:
        if event == "c_call" and called.__name__ in _CLOCKS:
            owner = called.__self__
            is_date = isinstance(owner, type) and issubclass(owner, date)
            if (owner is time or is_date) and not _is_pythons_own(frame):
                asked.append(f"{owner.__name__}.{called.__name__}")

    before = sys.getprofile()
    sys.setprofile(profile)
    try:
        yield asked
    finally:
        sys.setprofile(before)


@contextmanager
def zone_of_machine(zone: str) -> Iterator[None]:
    """Context in which the machine's zone is another, for the whole process, where it can be."""
    before = os.environ.get("TZ")
    set_zone: Callable[[], None] = getattr(time, "tzset", lambda: None)
    os.environ["TZ"] = zone
    set_zone()
    try:
        yield
    finally:
        if before is None:
            del os.environ["TZ"]
        else:
            os.environ["TZ"] = before
        set_zone()


@contextmanager
def memory_watched() -> Iterator[Callable[[], int]]:
    """Function that gives the bytes which Python took at most since the context began; slow."""
    is_running = tracemalloc.is_tracing()
    if not is_running:
        tracemalloc.start()
    tracemalloc.reset_peak()
    before, _ = tracemalloc.get_traced_memory()
    try:
        yield lambda: tracemalloc.get_traced_memory()[1] - before
    finally:
        if not is_running:
            tracemalloc.stop()
