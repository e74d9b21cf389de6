"""Specifications as they stand in the folder of an archive."""

from collections.abc import Iterable
from pathlib import Path

from speclake.errors import BadSettings, NotFound, SettingsProblem
from speclake.judging.taking import missing_extra
from speclake.specs import Specification
from speclake.specs.floors import FLOORS, with_floors
from speclake.specs.weights import WEIGHTS, with_tables

TABLE_FOLDERS = (WEIGHTS.folder, FLOORS.folder)


class SpecBook:
    """Specifications written in a folder; read again when a file there has changed.

    A table of weights or a floor that one names is read from a folder beside it and becomes part
    of it.

    Once it has been read, a mistake made in the folder later leaves the specifications as they
    were, and `trouble` says what is wrong: a slip of a person must not stop the intake.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._state: tuple[tuple[str, int, int], ...] | None = None
        self._current: tuple[Specification, ...] = ()
        self.trouble = ""

    def current(self) -> tuple[Specification, ...]:
        """Specifications as they stand in the folder now.

        Raises
        ------
        speclake.errors.BadSettings
            A file says something impossible, two have one name, or one needs an extra that is not
            installed, when it is first read.
        """
        paths = sorted(self._folder.glob("*.toml"))
        tables = sorted(
            path for name in TABLE_FOLDERS for path in (self._folder.parent / name).glob("*.csv")
        )
        stats = [(path, path.stat()) for path in (*paths, *tables)]
        state = tuple(
            (f"{path.parent.name}/{path.name}", stat.st_size, stat.st_mtime_ns)
            for path, stat in stats
        )
        if state != self._state:
            try:
                self._current = _each_named_once(paths)
            except BadSettings as error:
                if self._state is None:
                    raise
                self.trouble = str(error)
            else:
                self.trouble = ""
            self._state = state
        return self._current

    def named(self, name: str) -> Specification:
        """Specification of a name.

        Raises
        ------
        speclake.errors.NotFound
            No file defines it.
        """
        for each in self.current():
            if each.name == name:
                return each
        known = ", ".join(each.name for each in self.current()) or "none"
        raise NotFound(f"found no specification {name!r} in {self._folder}; there are: {known}")


def _each_named_once(paths: Iterable[Path]) -> tuple[Specification, ...]:
    problems: list[SettingsProblem] = []
    files: dict[str, Path] = {}
    found: list[Specification] = []
    for path in paths:
        try:
            specification = _with_files(path)
        except BadSettings as error:
            problems += error.problems
            continue
        if (other := files.get(specification.name)) is not None:
            allowed = f"another name; {other.name} has it"
            problems.append(SettingsProblem(path.name, None, "name", specification.name, allowed))
        if (extra := missing_extra(specification.requirements)) is not None:
            allowed = f'it after pip install "speclake[{extra}]"'
            what = f'what = "{extra}"'
            problems.append(SettingsProblem(path.name, None, "requirement", what, allowed))
        files[specification.name] = path
        found.append(specification)
    if problems:
        raise BadSettings(tuple(problems))
    return tuple(found)


def _with_files(path: Path) -> Specification:
    """Specification of a file with the tables that it names put in."""
    beside = path.parent.parent
    plain = Specification.from_toml(path)
    weighted = with_tables(plain, beside / WEIGHTS.folder, path.name)
    return with_floors(weighted, beside / FLOORS.folder, path.name)
