"""The settings of one archive: `speclake.toml` as a typed model, every key with its default."""

import re
from collections.abc import Mapping
from datetime import date, timedelta, tzinfo
from functools import cached_property
from pathlib import Path
from typing import Annotated, Literal, Self
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import BeforeValidator, Field, field_validator, model_validator

from speclake import tomlfile
from speclake.measurement import ASSIGNABLE, FIELDS, Kind
from speclake.settings.fitness import Fitness
from speclake.settings.table import Table

FILE_NAME = "speclake.toml"


def _known_fields(fields: Mapping[str, str]) -> Mapping[str, str]:
    unknown = sorted(set(fields) - set(ASSIGNABLE))
    if unknown:
        raise ValueError(f"fields among {', '.join(sorted(ASSIGNABLE))}; {unknown[0]!r} is none")
    return fields


Seconds = Annotated[float, Field(ge=0)]
FieldTexts = Annotated[dict[str, str], BeforeValidator(_known_fields)]

_PLACEHOLDER = re.compile(r"\{(\w+)(?::(digits))?\}")


class Pattern(Table):
    """How names of folders and files carry fields: ``{product}/{lot}/{serial}_s{site}.txt``.

    A placeholder stands for one or more characters other than ``/``, as few as fit; with
    ``:digits``, as in ``{site:digits}``, for digits alone; ``*`` for any text within one name. The
    whole path below the watched folder must fit.
    """

    name: str
    path: str

    @field_validator("path")
    @classmethod
    def _check(cls, path: str) -> str:
        names = [name for name, _ in _PLACEHOLDER.findall(path)]
        for name in names:
            if name not in FIELDS:
                raise ValueError(f"placeholders among {', '.join(sorted(FIELDS))}; not {name!r}")
        if len(set(names)) != len(names) or not names:
            raise ValueError("a path with placeholders, each once")
        return path

    @cached_property
    def _expression(self) -> re.Pattern[str]:
        parts = re.split(r"(\{\w+(?::digits)?\}|\*)", self.path)
        pieces = []
        for part in parts:
            if found := _PLACEHOLDER.fullmatch(part):
                stands_for = r"\d+" if found[2] else "[^/]+?"
                pieces.append(f"(?P<{found[1]}>{stands_for})")
            else:
                pieces.append(r"[^/]*" if part == "*" else re.escape(part))
        return re.compile("".join(pieces))

    def fields(self, path: str) -> dict[str, str] | None:
        """Fields that a path below the watched folder carries, None where it does not fit."""
        match = self._expression.fullmatch(path)
        return match.groupdict() if match else None


class KindRule(Table):
    """What a scan is, told from one of its fields or from its file: ``*`` stands for any text."""

    kind: Kind
    field: str
    matches: str

    @field_validator("field")
    @classmethod
    def _check(cls, field: str) -> str:
        if field != "file" and field not in FIELDS:
            raise ValueError(f"'file' or one of {', '.join(sorted(FIELDS))}")
        return field

    @cached_property
    def _expression(self) -> re.Pattern[str]:
        return re.compile(re.escape(self.matches).replace(r"\*", ".*"), re.IGNORECASE)

    def applies(self, fields: Mapping[str, str], file: str) -> bool:
        """Whether the rule recognises a scan with these fields in this file."""
        text = file if self.field == "file" else fields.get(self.field, "")
        return self._expression.fullmatch(text) is not None


class SiteMap(Table):
    """Where the named sites of some products lie, in mm from the centre of the part."""

    products: tuple[str, ...]
    sites: dict[str, tuple[float, float]]


class ConfigurationRange(Table):
    """How one stretch of the axis is measured; wavelengths in nm."""

    start_nm: float
    stop_nm: float
    bandwidth_nm: float | None = None
    interval_nm: float | None = None
    response_s: float | None = None
    detector: str | None = None


class Configuration(Table):
    """What an instrument with an accessory is set to, from a date on."""

    instrument: str
    accessory: str | None = None
    quantity: str | None = None
    method: str | None = None
    starting: date
    changeovers_nm: tuple[float, ...] = ()
    ranges: tuple[ConfigurationRange, ...] = ()

    def covers(self, instrument: str | None, accessory: str | None, quantity: str) -> bool:
        """Whether it describes this instrument with this accessory measuring this quantity."""
        return (
            self.instrument == instrument
            and self.accessory in (None, accessory)
            and self.quantity in (None, quantity)
        )


class Folder(Table):
    """A watched folder. `path` is absolute, or relative to the archive."""

    name: str
    path: str
    include: tuple[str, ...] = ("*",)
    exclude: tuple[str, ...] = ()
    importer: str | None = None
    format: str | None = None
    patterns: tuple[str, ...] = ()
    run_sheets: tuple[str, ...] = ()
    units: tuple[str, ...] = ()
    fields: FieldTexts = {}  # noqa: RUF012  # a frozen model, which copies its defaults
    observer: Literal["events", "rescan"] = "events"
    settle_s: Seconds = 2.0
    rescan_s: Annotated[float, Field(gt=0)] = 10.0


LARGEST_FILE_MB = 4095
"""A file of 4 GiB has no place in the zip of originals."""


class Limits(Table):
    """What one importer may use, and how the backlog is worked off."""

    workers: Annotated[int, Field(ge=1, le=64)] = 2
    importer_time_s: Annotated[float, Field(gt=0)] = 20.0
    importer_memory_mb: Annotated[int, Field(ge=64)] = 1024
    largest_file_mb: Annotated[int, Field(ge=1, le=LARGEST_FILE_MB)] = 2048
    spectra_per_file: Annotated[int, Field(ge=1)] = 100_000
    files_per_commit: Annotated[int, Field(ge=1, le=5000)] = 500
    seconds_per_commit: Annotated[float, Field(gt=0)] = 1.0


class Pages(Table):
    """Where the pages are served. Anything but this machine needs a login in front of it."""

    address: str = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65535)] = 5117


class Settings(Table):
    """Everything that a lab decides about its archive."""

    name: str
    invented: bool = False
    time_zone: str | None = None
    clock_skew_s: Seconds = 120.0
    part_needs: tuple[str, ...] = ("product", "lot", "sample or serial")
    folder: tuple[Folder, ...] = ()
    pattern: tuple[Pattern, ...] = ()
    kind: tuple[KindRule, ...] = ()
    site_map: tuple[SiteMap, ...] = ()
    configuration: tuple[Configuration, ...] = ()
    limits: Limits = Limits()
    fitness: Fitness = Fitness()
    pages: Pages = Pages()

    @field_validator("time_zone")
    @classmethod
    def _zone(cls, name: str | None) -> str | None:
        if name is not None:
            try:
                ZoneInfo(name)
            except (ZoneInfoNotFoundError, ValueError) as error:
                raise ValueError("a time zone such as 'Europe/Lisbon' or 'UTC'") from error
        return name

    @field_validator("part_needs")
    @classmethod
    def _needs(cls, needs: tuple[str, ...]) -> tuple[str, ...]:
        for name in (name for need in needs for name in need.split(" or ")):
            if name not in ASSIGNABLE:
                raise ValueError(
                    f"fields among {', '.join(sorted(ASSIGNABLE))}, or two with ' or ' between"
                )
        return needs

    @model_validator(mode="after")
    def _names(self) -> Self:
        for what, names in (
            ("folder", [f.name for f in self.folder]),
            ("pattern", [p.name for p in self.pattern]),
        ):
            if len(set(names)) != len(names):
                raise ValueError(f"every {what} with a name of its own; {names} repeats one")
        known = {p.name for p in self.pattern}
        for folder in self.folder:
            for name in folder.patterns:
                if name not in known:
                    raise ValueError(
                        f"patterns among {sorted(known)}; folder {folder.name!r} names {name!r}"
                    )
        return self

    @property
    def zone(self) -> tzinfo | None:
        """Time zone of header times that carry none."""
        return ZoneInfo(self.time_zone) if self.time_zone else None

    @property
    def clock_skew(self) -> timedelta:
        """How far the clocks of instrument, share and archive may disagree unremarked."""
        return timedelta(seconds=self.clock_skew_s)

    def folder_named(self, name: str) -> Folder | None:
        """Watched folder of that name."""
        return next((folder for folder in self.folder if folder.name == name), None)

    def patterns_of(self, folder: Folder) -> tuple[Pattern, ...]:
        """Patterns that a folder uses, in its order; all of them where it names none."""
        if not folder.patterns:
            return self.pattern
        by_name = {p.name: p for p in self.pattern}
        return tuple(by_name[name] for name in folder.patterns)


def load(archive: Path) -> Settings:
    """Settings of the archive in a folder.

    Raises
    ------
    speclake.errors.BadSettings
        The file says something impossible.
    """
    return tomlfile.load(archive / FILE_NAME, Settings)
