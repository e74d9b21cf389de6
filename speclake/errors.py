"""What can go wrong, drawn as one tree.

SpeclakeError
├── MalformedFile     a file that an importer must refuse
├── NoImporter        nobody, or more than one, would read a file
├── ImporterFailed    an importer broke its promise: it raised, crashed, hung or returned nonsense
├── BadSettings       a settings, format or specification file that says something impossible
├── UnitError         a conversion that does not exist or lacks a fact
├── NotFound          a name or identifier that the archive does not hold
├── CannotWrite       what was asked for does not fit into a file of that kind
└── ArchiveDamaged    the record on disk is not what was committed

A message names place, what was found, what was expected, and the next step where there is one.
Mistakes of a programmer stay ``ValueError`` and ``TypeError``.
"""

from dataclasses import dataclass


class SpeclakeError(Exception):
    """Every error that a person can do something about."""


class MalformedFile(SpeclakeError, ValueError):
    """An export that cannot be read without guessing.

    Parameters
    ----------
    file : the name of the file.
    place : where in it, in words a person can follow (``line 12``, ``block 2, line 40``).
    found, expected : what stands there and what should.
    """

    def __init__(self, file: str, place: str, found: str, expected: str) -> None:
        super().__init__(file, place, found, expected)
        self.file, self.place, self.found, self.expected = file, place, found, expected

    def __str__(self) -> str:
        where = f"{self.file}, {self.place}" if self.place else self.file
        return f"{where}: found {self.found}; expected {self.expected}"


class NoImporter(SpeclakeError, LookupError):
    """No importer, or no single one, claims a file."""


class ImporterFailed(SpeclakeError):
    """An importer broke its contract on a file; the file is refused and the importer is named.

    `importer` is empty where it cannot be told whose code failed.
    """

    def __init__(self, importer: str, file: str, what_happened: str) -> None:
        super().__init__(importer, file, what_happened)
        self.importer, self.file, self.what_happened = importer, file, what_happened

    def __str__(self) -> str:
        who = f"importer {self.importer!r}" if self.importer else "reading it"
        return f"{self.file}: {who} {self.what_happened}"


@dataclass(frozen=True)
class SettingsProblem:
    """One thing wrong in a TOML file: where, what stands there, what may stand there."""

    file: str
    line: int | None
    key: str
    found: str
    allowed: str

    def __str__(self) -> str:
        line = f", line {self.line}" if self.line else ""
        return f"{self.file}{line}, {self.key}: found {self.found}; allowed is {self.allowed}"


class BadSettings(SpeclakeError, ValueError):
    """A settings, format or specification file with one or more problems."""

    def __init__(self, problems: tuple[SettingsProblem, ...]) -> None:
        super().__init__(problems)
        self.problems = problems

    def __str__(self) -> str:
        return "\n".join(str(problem) for problem in self.problems)


class UnitError(SpeclakeError, ValueError):
    """A conversion that does not exist, or that lacks a fact such as the medium."""


class NotFound(SpeclakeError, LookupError):
    """A name or identifier that the archive does not hold."""


class CannotWrite(SpeclakeError, ValueError):
    """What was asked for does not fit into a file of that kind, or not without a change."""


class ArchiveDamaged(SpeclakeError):
    """What is on disk is not what was committed; reading on would hide a loss."""
