"""An HDF5 file opened for reading: its objects by path, without ever leaving the file."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from speclake_plugins.hdf5.heaps import check_heaps
from speclake_plugins.hdf5.settings import fits, is_pattern, parts_of

from speclake.errors import MalformedFile
from speclake.importing.interface import Source

MOST_LINKS = 16
MOST_MEMBERS = 100_000
_LIBRARY_ERRORS = (
    OSError, RuntimeError, LookupError, ValueError, TypeError, ArithmeticError, AttributeError,
    SystemError,
)  # fmt: skip
"""What the library raises on a damaged file; which one depends on the place of the damage."""


@dataclass(frozen=True)
class Opened:
    """A file of `size` bytes whose root is `root`, an ``h5py.File``."""

    name: str
    size: int
    root: Any

    def refusal(self, place: str, found: str, expected: str) -> MalformedFile:
        """The error that refuses the file."""
        return MalformedFile(self.name, place, found, expected)

    def member(self, group: Any, name: str, links: int = 0) -> Any:
        """Object of this name in a group; None where there is none.

        Raises
        ------
        speclake.errors.MalformedFile
            It is a link to another file, or a link that leads nowhere or in a circle.
        """
        import h5py

        raw = name.encode("utf-8", "surrogateescape")
        if not group.id.links.exists(raw):
            return None
        kind = group.id.links.get_info(raw).type
        if kind == h5py.h5l.TYPE_HARD:
            return group[name]
        place = f"{group.name.rstrip('/')}/{name}"
        if kind != h5py.h5l.TYPE_SOFT:
            raise self.refusal(place, "a link to another file", "an object in this file")
        target = group.id.links.get_val(raw).decode("utf-8", "surrogateescape")
        parts = [part for part in target.split("/") if part not in ("", ".")]
        if links < MOST_LINKS:
            start = self.root if target.startswith("/") else group
            if (found := self._along(start, parts, links + 1)) is not None:
                return found
        raise self.refusal(place, f"a link to {target!r}", "a link that leads to an object")

    def _along(self, start: Any, parts: list[str], links: int) -> Any:
        found = start
        for part in parts:
            found = self.member(found, part, links) if _is_group(found) else None
        return found

    def at(self, path: str) -> Any:
        """Object at a path without patterns; None where there is none."""
        return self._along(self.root, list(parts_of(path)), 0)

    def names_in(self, group: Any) -> list[str]:
        """Names of the members of a group."""
        if len(group) > MOST_MEMBERS:
            expected = f"at most {MOST_MEMBERS}"
            raise self.refusal(group.name, f"a group of {len(group)} members", expected)
        return list(group)

    def matches(self, pattern: str) -> list[tuple[str, tuple[str, ...]]]:
        """Paths that fit a pattern, each with the names that it stands for, part by part."""
        found: list[tuple[Any, tuple[str, ...]]] = [(self.root, ())]
        parts = parts_of(pattern)
        for at, part in enumerate(parts):
            last = at == len(parts) - 1
            found = [
                (member, (*names, name))
                for group, names in found
                for name, member in self._fitting(group, part)
                if last or _is_group(member) or not is_pattern(part)
            ]
            if len(found) > MOST_MEMBERS:
                raise self.refusal(pattern, f"{len(found)} that fit", f"at most {MOST_MEMBERS}")
        return [("/" + "/".join(names), names) for _, names in found]

    def _fitting(self, group: Any, part: str) -> Iterator[tuple[str, Any]]:
        if not _is_group(group):
            return
        if is_pattern(part):
            names = [name for name in self.names_in(group) if fits(name, part)]
            yield from ((name, self.member(group, name)) for name in names)
            return
        if (found := self.member(group, part)) is None:
            place = f"{group.name.rstrip('/')}/{part}"
            expected = "a dataset in every group; narrow a * where a group holds no scan"
            raise self.refusal(place, "nothing of this name", expected)
        yield part, found


def _is_group(found: Any) -> bool:
    import h5py

    return isinstance(found, h5py.Group)


@contextmanager
def opened(source: Source) -> Iterator[Opened]:
    """File opened from its bytes, for reading and without locks.

    Raises
    ------
    speclake.errors.MalformedFile
        The library to read it is not installed, or it fails on the file, now or later.
    MemoryError
        The file is more than the memory allowed holds.
    """
    try:
        import h5py
    except ImportError as error:
        expected = "the package h5py: pip install 'speclake[hdf5]'"
        raise MalformedFile(source.name, "", "an HDF5 file", expected) from error
    check_heaps(source)
    try:
        with h5py.File(source.open(), "r", locking=False) as root:
            yield Opened(source.name, source.size, root)
    except MalformedFile:
        raise
    except _LIBRARY_ERRORS as error:
        if "memory allocation failed" in str(error):
            raise MemoryError(str(error)) from error
        found = f"what the HDF5 library cannot read ({type(error).__name__}: {error})"
        raise MalformedFile(source.name, "", found, "a whole, undamaged HDF5 file") from error
