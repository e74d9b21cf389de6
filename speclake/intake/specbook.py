"""Specifications as they stand in the folder of an archive."""

from collections.abc import Iterable
from datetime import UTC, date, datetime
from pathlib import Path

from speclake.errors import BadSettings, NotFound, SettingsProblem
from speclake.intake.lastgood import LastGood
from speclake.judging.taking import missing_extra
from speclake.specs import Specification, in_effect
from speclake.specs.budgets import BUDGETS, with_budgets
from speclake.specs.floors import FLOORS, with_floors
from speclake.specs.weights import WEIGHTS, with_tables

TABLES = (f"{WEIGHTS.folder}/*.csv", f"{FLOORS.folder}/*.csv", f"{BUDGETS}/*.toml")
"""Files that are read with the specifications that name them."""


class SpecBook:
    """Specifications written in a folder; read again when a file there has changed.

    A table of weights, a floor or a budget that one names is read from a folder beside it and
    becomes part of it. Several may have one name if no two of them are in effect on one day.

    Once it has been read, a mistake made in the folder later leaves the specifications as they
    were, and `trouble` says what is wrong: a slip of a person must not stop the intake.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._written = LastGood(self._files, lambda: _one_a_day(sorted(folder.glob("*.toml"))))

    @property
    def trouble(self) -> str:
        """What is wrong in the folder, so that what was read before still stands."""
        return self._written.trouble

    def _files(self) -> list[Path]:
        tables = sorted(path for each in TABLES for path in self._folder.parent.glob(each))
        return [*sorted(self._folder.glob("*.toml")), *tables]

    def current(self) -> tuple[Specification, ...]:
        """Specifications as they stand in the folder now.

        Raises
        ------
        speclake.errors.BadSettings
            A file says something impossible, two have one name on one day, or one needs an extra
            that is not installed, when it is first read.
        """
        return self._written.current()

    def named(self, name: str) -> Specification:
        """Specification of a name: of several the one in effect today, else the one written last.

        Raises
        ------
        speclake.errors.NotFound
            No file defines it.
        """
        today = datetime.now(UTC).date()
        found = [each for each in self.current() if each.name == name]
        for each in found:
            if in_effect(each, today):
                return each
        if found:
            return max(found, key=lambda each: each.effective_from or date.min)
        known = ", ".join(sorted({each.name for each in self.current()})) or "none"
        raise NotFound(f"found no specification {name!r} in {self._folder}; there are: {known}")

    def read(self, path: Path) -> Specification:
        """Specification of a file anywhere, with the tables of this archive.

        Raises
        ------
        speclake.errors.BadSettings
            The file says something impossible, or needs an extra that is not installed.
        """
        found = _with_files(path, self._folder.parent)
        if problem := _lacks_extra(found, path):
            raise BadSettings((problem,))
        return found


def _one_a_day(paths: Iterable[Path]) -> tuple[Specification, ...]:
    problems: list[SettingsProblem] = []
    found: dict[Path, Specification] = {}
    for path in paths:
        try:
            specification = _with_files(path, path.parent.parent)
        except BadSettings as error:
            problems += error.problems
            continue
        for other, its in found.items():
            if its.name == specification.name and _share_a_day(its, specification):
                allowed = f"another name, or other days in effect; {other.name} has it"
                problems.append(
                    SettingsProblem(path.name, None, "name", specification.name, allowed)
                )
        if problem := _lacks_extra(specification, path):
            problems.append(problem)
        found[path] = specification
    if problems:
        raise BadSettings(tuple(problems))
    return tuple(found.values())


def _share_a_day(one: Specification, other: Specification) -> bool:
    begin = max(each.effective_from or date.min for each in (one, other))
    return begin <= min(each.effective_until or date.max for each in (one, other))


def _lacks_extra(specification: Specification, path: Path) -> SettingsProblem | None:
    """What stands in the way of judging by it here; None if nothing does."""
    extra = missing_extra(specification.requirements)
    if extra is None:
        return None
    allowed = f'it after pip install "speclake[{extra}]"'
    return SettingsProblem(path.name, None, "requirement", f'what = "{extra}"', allowed)


def _with_files(path: Path, beside: Path) -> Specification:
    """Specification of a file with the tables that it names put in from folders of an archive."""
    plain = Specification.from_toml(path)
    weighted = with_tables(plain, beside / WEIGHTS.folder, path.name)
    floored = with_floors(weighted, beside / FLOORS.folder, path.name)
    return with_budgets(floored, beside / BUDGETS, path.name)
