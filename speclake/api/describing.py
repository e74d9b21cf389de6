"""What would take a file, what it reads there, and a drafted format where nobody can."""

from collections.abc import Mapping
from contextlib import closing
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from speclake import settings as settings_module
from speclake.api.taking import place_of
from speclake.errors import ImporterFailed, MalformedFile, NoImporter, NotFound
from speclake.importing import Source
from speclake.importing.drafting import draft
from speclake.importing.guard import read_checked
from speclake.importing.registry import choose, rank
from speclake.intake.containers import Export
from speclake.intake.reading import FileTask, Workshop, exports_of
from speclake.intake.readpool import ReadPool
from speclake.intake.units import packed
from speclake.intake.wanted import unit_of
from speclake.settings import Settings
from speclake.spectrum import Spectrum


@dataclass(frozen=True)
class Description:
    """What `speclake describe` says of a file."""

    file: str
    is_read: bool
    candidates: tuple[str, ...]
    chosen: str
    trouble: str
    spectra: tuple[Mapping[str, Any], ...]
    unsure: tuple[str, ...]
    draft: str
    members: tuple["Description", ...] = ()
    """What it says of every export in a zip or unit; all else is of the whole then."""

    def as_data(self) -> dict[str, Any]:
        """For a program."""
        return asdict(self)

    def as_text(self) -> str:
        """For a person."""
        lines = [self.file]
        if self.candidates:
            lines += ["importers asked:", *(f"  {each}" for each in self.candidates)]
        lines.append(f"would be read by: {self.chosen or 'nobody'}")
        if self.trouble:
            lines.append(f"trouble: {self.trouble}")
        for each in self.spectra:
            lines.append(f"spectrum {each['place'] or '1'}:")
            lines += [f"  {key}: {value}" for key, value in each.items() if key != "place"]
        if self.unsure:
            lines += ["unsure of:", *(f"  - {each}" for each in self.unsure)]
        if self.draft:
            lines += ["a format to start from (save it as formats/NAME.toml):", "", self.draft]
        return "\n\n".join(["\n".join(lines), *(each.as_text() for each in self.members)])


def settings_of(archive: Path) -> tuple[Path | None, Settings]:
    """Archive and its settings; without an archive there, only what is installed counts."""
    if not (archive / settings_module.FILE_NAME).exists():
        return None, Settings(name="no archive")
    return archive, settings_module.load(archive)


def describe(archive: Path, file: Path) -> Description:
    """Description of one file, or of a folder that is taken in as one; nothing is taken in.

    A file in a watched folder is read as the settings of that folder say.

    Raises
    ------
    speclake.errors.NotFound
        There is no such file.
    """
    home, settings = settings_of(archive)
    folder, root, below = place_of(archive, settings, file)
    if (root / below).is_file():
        content = (root / below).read_bytes()
    elif below and (unit := unit_of(f"{below}/", folder)):
        below, (content, _) = unit, packed(root, unit, folder)
    else:
        raise NotFound(f"{file}: found a folder; expected a file, or a folder among the units")
    task = FileTask(
        folder=folder.name, root=root, path=below, size=len(content), modified_ns=0,
        arrived_at=datetime.now(UTC), content=content,
    )  # fmt: skip
    with closing(ReadPool(home, settings)) as pool:
        try:
            return pool.ask(described, task)
        except ImporterFailed as error:
            return Description(below, False, (), error.importer, str(error), (), (), "")


def described(workshop: Workshop, task: FileTask) -> Description:
    """Description of a file from its bytes; runs the importers, so it belongs into a worker."""
    try:
        exports, _, note = exports_of(workshop, task, task.content or b"")
        told = [(each.member, _described_export(workshop, task, each)) for each in exports]
    except MalformedFile as error:
        return Description(task.path, False, (), "", str(error), (), (), "")
    member, first = told[0]
    if not member:
        return first
    readers = dict.fromkeys(each.chosen for _, each in told)
    return Description(
        task.path, all(each.is_read for _, each in told), (),
        ", ".join(filter(None, readers)), "", (), (note,) if note else (), "",
        tuple(each for _, each in told),
    )  # fmt: skip


def _described_export(workshop: Workshop, task: FileTask, export: Export) -> Description:
    """Description of one export, as its folder's settings say."""
    folder = workshop.folder(task.folder)
    name = export.file
    source = Source(name, export.content, workshop.formats_as_data, folder.format)
    candidates = tuple(str(each) for each in rank(workshop.importers, source))
    candidates += tuple(f"broken: {each}" for each in workshop.importers.broken)
    chosen = ""
    try:
        choice = choose(workshop.importers, source, folder.importer)
        format = choice.format or folder.format
        chosen = choice.importer.name + (f", format {format}" if format else "")
        spectra = read_checked(choice.importer, source)
    except (MalformedFile, ImporterFailed) as error:
        return Description(name, False, candidates, chosen, str(error), (), (), "")
    except NoImporter as error:
        drafted = draft(name, source.content)
        return Description(
            name, False, candidates, "", str(error).splitlines()[0], (),
            (*drafted.assumptions, *drafted.unsure), drafted.toml,
        )  # fmt: skip
    told = tuple(_told(s) for s in spectra)
    return Description(name, True, candidates, chosen, "", told, _unsure(spectra), "")


def _told(s: Spectrum) -> dict[str, Any]:
    first, last = s.axis.values[[0, -1]].tolist()
    return {
        "place": s.place,
        "quantity": f"{s.quantity} in {s.unit}",
        "axis": f"{len(s.axis)} points from {first:g} to {last:g} {s.axis.unit}, "
        f"{s.axis.medium or 'medium not stated'}, listed {s.scan_direction}",
        "first and last value": f"{s.values[0]:g}, {s.values[-1]:g}",
        "fields": dict(s.fields),
        "header entries": len(s.header),
        "reading notes": list(s.notes),
    }


def _unsure(spectra: list[Spectrum]) -> tuple[str, ...]:
    """Facts that later steps will miss, told once for the file."""
    unsure = []
    if any("scanned" not in s.fields for s in spectra):
        unsure.append("when it was scanned: no entry is known to be the scan time")
    if any(s.axis.medium is None and s.axis.unit in ("nm", "um") for s in spectra):
        unsure.append("whether the wavelengths are those in air or in vacuum")
    if any(not {"sample", "serial"} & s.fields.keys() for s in spectra):
        unsure.append("which sample it is: the file itself does not say")
    return tuple(unsure)


def importer_rows(archive: Path) -> list[dict[str, Any]]:
    """Importers and formats at hand, and the broken ones, a row each."""
    home, settings = settings_of(archive)
    task = FileTask("", archive, "the importers", 0, 0, datetime.now(UTC), content=b"")
    with closing(ReadPool(home, settings)) as pool:
        return pool.ask(listed, task)


def listed(workshop: Workshop, _: FileTask) -> list[dict[str, Any]]:
    """What `importer_rows` says; loads the importers, so it belongs into a worker."""
    rows: list[dict[str, Any]] = [
        {"importer": i.name, "version": i.version, "state": "ready", "note": ""}
        for i in workshop.importers.ready.values()
    ]
    rows += [
        {"importer": f"format {name}", "version": each.version, "state": "ready",
         "note": each.description}
        for name, each in workshop.formats.items()
    ]  # fmt: skip
    rows += [
        {"importer": each.name, "version": "", "state": "broken", "note": str(each)}
        for each in workshop.importers.broken
    ]
    return rows
