"""What would take a file, what it reads there, and a drafted format where nobody can."""

import tomllib
from collections.abc import Mapping
from contextlib import closing, suppress
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from speclake import settings as settings_module
from speclake import tomlfile
from speclake.api.taking import place_of
from speclake.errors import BadSettings, ImporterFailed, MalformedFile, NoImporter, NotFound
from speclake.importing import Source
from speclake.importing.delimited import read_export
from speclake.importing.drafting import Draft, Question, Value, draft, with_answers
from speclake.importing.formats import Format
from speclake.importing.guard import read_checked
from speclake.importing.registry import choose, rank
from speclake.importing.sheetformat import SheetFormat
from speclake.importing.workbookparts import ZIP_START
from speclake.intake.containers import Export
from speclake.intake.reading import exports_of
from speclake.intake.readpool import ReadPool
from speclake.intake.tasks import FileTask
from speclake.intake.times import is_without_offset
from speclake.intake.units import packed
from speclake.intake.wanted import unit_of
from speclake.intake.workshop import Workshop
from speclake.settings import Settings
from speclake.spectrum import Spectrum

_DRAFT = "the draft"


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
    questions: tuple[Question, ...] = ()
    """What the draft leaves open."""

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
        if self.draft and self.spectra:
            lines.append("as answered, the draft reads:")
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


def describe(archive: Path, file: Path, answers: Mapping[str, Value] | None = None) -> Description:
    """Description of one file, or of a folder that is taken in as one; nothing is taken in.

    A file in a watched folder is read as the settings of that folder say.

    Parameters
    ----------
    answers : key to value, for the questions of a draft; the draft is read with them.

    Raises
    ------
    speclake.errors.BadSettings
        An answer belongs to no key of a format.
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
            return pool.ask(partial(described, answers=answers or {}), task)
        except ImporterFailed as error:
            return Description(below, False, (), error.importer, str(error), (), (), "")


def described(
    workshop: Workshop, task: FileTask, answers: Mapping[str, Value] | None = None
) -> Description:
    """Description of a file from its bytes; runs the importers, so it belongs into a worker."""
    try:
        exports, _, note = exports_of(workshop, task, task.content or b"")
        told = [(each.member, _described_export(workshop, task, each, answers)) for each in exports]
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


def _described_export(
    workshop: Workshop, task: FileTask, export: Export, answers: Mapping[str, Value] | None
) -> Description:
    folder = workshop.folder(task.folder)
    name, content = export.file, export.content
    source = Source(name, content, workshop.formats_as_data, folder.format)
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
        nobody = Description(name, False, candidates, "", str(error).splitlines()[0], (), (), "")
        return _with_draft(nobody, draft_of(name, source.content), answers or {})
    told = tuple(_told(s) for s in spectra)
    unsure = _unsure(spectra, workshop.settings)
    return Description(name, True, candidates, chosen, "", told, unsure, "")


def draft_of(name: str, content: bytes) -> Draft:
    """Draft of the format of an export, a workbook or text."""
    if content.startswith(ZIP_START):
        from speclake_plugins.workbook.drafting import draft_of_workbook

        with suppress(MalformedFile):  # the text's draft says that no table was found
            return draft_of_workbook(name, content)
    return draft(name, content)


def _read_by(toml: str, found: Draft) -> list[Spectrum]:
    """Spectra that the drafted export holds by a format."""
    if "sheets" not in tomllib.loads(toml):
        return list(read_export(found.content, found.file, tomlfile.loads(toml, _DRAFT, Format)))
    from speclake_plugins.workbook import WorkbookImporter

    form = tomlfile.loads(toml, _DRAFT, SheetFormat).as_data()
    source = Source(found.file, found.content, {_DRAFT: form}, _DRAFT)
    return read_checked(WorkbookImporter(), source)


def _with_draft(nobody: Description, found: Draft, answers: Mapping[str, Value]) -> Description:
    """Description of a file that nobody reads, with a draft; and with what it reads, if asked."""
    toml = with_answers(found, answers)
    trouble, told = nobody.trouble, tuple[Mapping[str, Any], ...]()
    if answers:
        try:
            told = tuple(map(_told, _read_by(toml, found)))
        except (BadSettings, MalformedFile) as error:
            trouble = f"{trouble}; as answered, the draft does not read it: {error}"
    left = tuple(each for each in found.questions if each.key not in answers)
    unsure = (*(str(each) for each in left if each.is_needed), *found.doubts)
    return replace(
        nobody, trouble=trouble, spectra=told, draft=toml, questions=left,
        unsure=(*map(str, found.assumptions), *unsure),
    )  # fmt: skip


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


def _unsure(spectra: list[Spectrum], settings: Settings) -> tuple[str, ...]:
    """Facts that later steps will miss, told once for the file."""
    unsure = []
    if any("scanned" not in s.fields for s in spectra):
        unsure.append("when it was scanned: no entry is known to be the scan time")
    times = [s.fields["scanned"] for s in spectra if "scanned" in s.fields]
    if settings.zone is None and any(is_without_offset(each) for each in times):
        unsure.append(
            "in which time zone it was scanned: until the format or time_zone in speclake.toml "
            "says it, the time of the file stands in"
        )
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
