"""What the pool's workers run in the tests: they import it by its name."""

import os
import signal
import time
from pathlib import Path
from typing import Any

from speclake.errors import BadSettings, SettingsProblem
from speclake.importing import Importers, Source, choose, read_checked
from speclake.importing.guard import Progress, tell_progress

SPOILT: list[str] = []
"""Lasts as long as the process."""


def nothing() -> None:
    """Start without anything to prepare."""


def read_one(importers: Importers, path: Path) -> int:
    """Number of spectra in a file, read with the importer that claims it."""
    source = Source(path.name, path.read_bytes())
    return len(read_checked(choose(importers, source).importer, source))


def process_id(_state: object, _item: object) -> int:
    """Number of the process that runs this."""
    return os.getpid()


def remaining_timer_s(_state: object, _item: object) -> float:
    """Seconds after which the system would end this process."""
    return signal.getitimer(signal.ITIMER_REAL)[0]


def of_the_program() -> Any:
    """A function as one that is defined in the program's own file."""

    def own(_state: object, item: object) -> object:
        return item

    own.__module__ = "__main__"
    return own


def double(_state: object, item: Any) -> Any:
    """Twice the item."""
    return item * 2


def slowly_double(_state: object, number: int) -> int:
    """Twice the number, after a moment."""
    time.sleep(0.001)
    return number * 2


def sleep(_state: object, seconds: float) -> float:
    """The seconds, after as many have passed."""
    time.sleep(seconds)
    return seconds


def sleep_and_tell(_state: object, seconds: float) -> int:
    """Number of the process that has slept."""
    time.sleep(seconds)
    return os.getpid()


def wait_for(_state: object, path: Path) -> None:
    """Ends once there is such a path."""
    while not path.exists():
        time.sleep(0.01)


def claim_and_sleep(_state: object, path: Path) -> None:
    """Leave the process's number in a file and sleep."""
    path.write_text(str(os.getpid()), "utf-8")
    time.sleep(3600)


def end_once(_state: object, mark: Path) -> str:
    """Ended by a signal from outside the first time, done the second time."""
    if not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return "done"


def second_of_two(_state: object, item: str) -> str:
    """What a corrupting library does: the first call spoils the process for the call after it."""
    if item == "victim" and SPOILT:
        os._exit(9)
    SPOILT[:] = [item] if item == "spoiler" else []
    return item


class OnlyThere:
    """Something that cannot be pickled."""

    def __reduce__(self) -> str:
        raise TypeError("it stays here")


class OnlyHalf:
    """Something that pickles and does not come out again."""

    def __reduce__(self) -> Any:
        return (int, ("no number",))


def give(_state: object, item: str) -> object:
    """An object that cannot travel, where the item asks for one."""
    return {"there": OnlyThere, "half": OnlyHalf}.get(item, str)()


def refuse(_state: object, item: str) -> None:
    """Raise errors of each kind."""
    if item == "known":
        raise BadSettings((SettingsProblem("a.toml", 3, "x", "1", "2"),))
    raise ValueError("a mistake of the program")


def start_badly(how: str, mark: Path) -> None:
    """Fail in a worker's start."""
    with mark.open("a", encoding="utf-8") as stream:
        stream.write("x")
    if how == "known":
        raise BadSettings((SettingsProblem("a.toml", 3, "x", "1", "2"),))
    if how == "raises":
        raise ValueError("no such thing")
    if how == "exits":
        os._exit(4)
    if how == "hangs":
        time.sleep(3600)
    if how == "chance" and mark.stat().st_size == 1:
        os.kill(os.getpid(), signal.SIGKILL)


def tell_and_sleep(_state: object, signs: int) -> int:
    """Number of signs of life given, a sleep of 0.35 s before each."""
    for number in range(signs):
        time.sleep(0.35)
        tell_progress(Progress(number + 1, 10 * (number + 1), 10 * signs))
    return signs


def tell_and_hang(_state: object, signs: int) -> None:
    """Signs of life, and then none for ever."""
    tell_and_sleep(_state, signs)
    time.sleep(1000)
