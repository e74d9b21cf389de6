"""What people write in files of an archive: read again when a file has changed."""

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Generic, TypeVar

from speclake.errors import BadSettings

Content = TypeVar("Content")


class LastGood(Generic[Content]):
    """What some files say, as they were when they last could be read.

    Once they have been read, a mistake made in one later leaves the content as it was, and
    `trouble` says what is wrong: a slip of a person must not stop the intake.

    Parameters
    ----------
    files : those whose change matters, as they are now.
    read : what they say; it raises `speclake.errors.BadSettings`.
    """

    def __init__(self, files: Callable[[], Iterable[Path]], read: Callable[[], Content]) -> None:
        self._files, self._read = files, read
        self._state: tuple[tuple[str, int, int], ...] | None = None
        self._content: Content
        self.trouble = ""

    def current(self) -> Content:
        """What the files say now.

        Raises
        ------
        speclake.errors.BadSettings
            They cannot be understood when they are first read.
        """
        stats = [(path, path.stat()) for path in self._files()]
        state = tuple((str(path), stat.st_size, stat.st_mtime_ns) for path, stat in stats)
        if state != self._state:
            try:
                self._content = self._read()
            except BadSettings as error:
                if self._state is None:
                    raise
                self.trouble = str(error)
            else:
                self.trouble = ""
            self._state = state
        return self._content
