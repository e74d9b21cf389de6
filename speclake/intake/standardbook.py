"""Certificates and qualification programmes as they stand in the folders of an archive."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import cached_property
from itertools import chain
from pathlib import Path
from typing import TypeVar

from speclake.archive.rows import StandardRow
from speclake.errors import BadSettings, SettingsProblem
from speclake.intake.lastgood import LastGood
from speclake.standards.certificates import Certificate
from speclake.standards.programmes import OfStandard, Programme

STANDARDS = "standards"
"""Folder of the certificates, in an archive."""
QUALIFICATION = "qualification"
"""Folder of the programmes, in an archive."""

SAME_LIGHT: Mapping[str, str] = {
    "absorbance": "transmittance",
    "log inverse reflectance": "reflectance",
}
"""Quantities that are logarithms, with that which the instrument measures."""


def same_light(quantity: str) -> str:
    """Quantity that the instrument measures for one that may be a logarithm of it."""
    return SAME_LIGHT.get(quantity, quantity)


EntryT = TypeVar("EntryT", Certificate, Programme)


@dataclass(frozen=True)
class Standards:
    """Certificates of standards, and programmes that qualify instruments with them."""

    certificates: tuple[Certificate, ...] = ()
    programmes: tuple[Programme, ...] = ()

    def certificate(self, name: str | None, day: date) -> Certificate | None:
        """Certificate of a name that was the last one issued by a day, valid or not.

        Before the first was issued that is the first; None where there is none of the name.
        """
        found = self._by_name.get(name or "", [])
        issued = [each for each in found if each.issued_on <= day]
        return issued[-1] if issued else found[0] if found else None

    @cached_property
    def _by_name(self) -> dict[str, list[Certificate]]:
        found: dict[str, list[Certificate]] = {}
        for each in sorted(self.certificates, key=lambda each: each.issued_on):
            found.setdefault(each.name, []).append(each)
        return found

    @cached_property
    def instruments(self) -> frozenset[str]:
        """Instruments that a programme speaks of."""
        return frozenset(each.instrument for each in self.programmes)

    @cached_property
    def names(self) -> tuple[str, ...]:
        """Names of all programmes, in their order."""
        return tuple(sorted(each.name for each in self.programmes))

    def programmes_of(
        self, instrument: str | None, accessory: str | None, quantity: str
    ) -> list[Programme]:
        """Programmes that speak of a configuration; absorbance is the light of transmittance."""
        return [
            each
            for each in self.programmes_about(instrument, accessory, quantity)
            if each.accessory in (None, accessory)
        ]

    def programmes_about(
        self, instrument: str | None, accessory: str | None, quantity: str
    ) -> list[Programme]:
        """Programmes whose state holds for a scan: those of every accessory if it is unknown."""
        if instrument not in self.instruments:
            return []
        light = same_light(quantity)
        return [
            each
            for each in self.programmes
            if each.instrument == instrument
            and same_light(each.quantity) == light
            and (accessory is None or each.accessory in (None, accessory))
        ]


class StandardBook:
    """Certificates and programmes written in two folders; read again when a file has changed.

    A standard that was certified anew has one certificate for each date of issue, under one name.

    Once they have been read, a mistake made in a folder later leaves them as they were, and
    `trouble` says what is wrong: a slip of a person must not stop the intake.
    """

    def __init__(self, archive: Path) -> None:
        folders = (archive / STANDARDS, archive / QUALIFICATION)

        def files() -> list[list[Path]]:
            return [sorted(folder.glob("*.toml")) for folder in folders]

        self._written = LastGood(lambda: chain.from_iterable(files()), lambda: _read(*files()))
        self.kept: Standards | None = None
        """What of it is on record for certain."""

    @property
    def trouble(self) -> str:
        """What is wrong in the folders, so that what was read before still stands."""
        return self._written.trouble

    def current(self) -> Standards:
        """Certificates and programmes as they stand in the folders now.

        Raises
        ------
        speclake.errors.BadSettings
            A file says something impossible, two say the same name, or a programme names a
            standard that there is not, when they are first read.
        """
        return self._written.current()


def standard_row(entry: Certificate | Programme) -> StandardRow:
    """Certificate or programme as the archive keeps it, so that a run can be looked at again."""
    return StandardRow(
        standard_version=entry.version,
        sort="certificate" if isinstance(entry, Certificate) else "programme",
        name=entry.name,
        content=entry.model_dump_json(),
        first_used_at=datetime.now(UTC),
    )


def _read(certificates: Sequence[Path], programmes: Sequence[Path]) -> Standards:
    problems: list[SettingsProblem] = []
    known = _each(certificates, Certificate, problems)
    asked = _each(programmes, Programme, problems)
    problems += _twice([(path, (c.name, str(c.issued_on))) for path, c in known])
    problems += _twice([(path, (p.name,)) for path, p in asked])
    names = {each.name for _, each in known}
    allowed = f"a certificate in {STANDARDS}/: {', '.join(sorted(names)) or 'there is none yet'}"
    problems += [
        SettingsProblem(
            path.name, None, f"standard of check {check.id}", str(check.standard), allowed
        )
        for path, programme in asked
        for check in programme.check
        if isinstance(check, OfStandard) and check.standard not in (None, *names)
    ]
    if problems:
        raise BadSettings(tuple(problems))
    return Standards(tuple(each for _, each in known), tuple(each for _, each in asked))


def _each(
    paths: Iterable[Path], model: type[EntryT], problems: list[SettingsProblem]
) -> list[tuple[Path, EntryT]]:
    """What the files hold; what is wrong with one is added to the problems."""
    found: list[tuple[Path, EntryT]] = []
    for path in paths:
        try:
            found.append((path, model.from_toml(path)))
        except BadSettings as error:
            problems += error.problems
    return found


def _twice(named: Sequence[tuple[Path, tuple[str, ...]]]) -> list[SettingsProblem]:
    seen: dict[tuple[str, ...], Path] = {}
    problems = []
    for path, name in named:
        if name in seen:
            allowed = f"another name or date of issue; {seen[name].name} has it"
            problems.append(SettingsProblem(path.name, None, "name", ", ".join(name), allowed))
        seen.setdefault(name, path)
    return problems
