"""One file read, in a worker process: bytes, hash, spectra, measurements; or why it is refused."""

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path
from typing import Any

from speclake.archive.encoding import encode
from speclake.archive.rows import FileOutcome, StoredSpectrum, file_id
from speclake.errors import ImporterFailed, MalformedFile, NoImporter
from speclake.importing import Source
from speclake.importing.formatfiles import FormatFile, load_formats
from speclake.importing.guard import read_checked
from speclake.importing.registry import (
    Broken,
    Choice,
    Importers,
    choose,
    in_folder,
    installed,
    load,
)
from speclake.intake.containers import Export, container_of, what_is_expected
from speclake.intake.resolving import FileFacts, Reader, measurement_of
from speclake.intake.runsheets import RunSheet
from speclake.intake.units import LARGEST_MB, packed
from speclake.intake.wanted import is_unit
from speclake.measurement import Measurement
from speclake.settings import Folder, Settings
from speclake.spectrum import Axis, Spectrum


@dataclass(frozen=True)
class FileTask:
    """A settled file to be read.

    `content` is given when the bytes come from the archive (a refused file tried again); `sheets`
    hold only the rows that may speak of this file; `importer` and `format` are named by a person
    for this file and go before those of its folder.
    """

    folder: str
    root: Path
    path: str
    size: int
    modified_ns: int
    arrived_at: datetime
    sheets: tuple[RunSheet, ...] = ()
    content: bytes | None = None
    backfill: bool = False
    with_verdicts: bool = True
    importer: str | None = None
    format: str | None = None
    again: str = ""
    """Set when a person asks for another try although no reader has changed."""


@dataclass(frozen=True)
class FileReading:
    """What came of reading one file.

    `changed` means: it cannot be taken in for now, since it was still being written, cannot be
    opened or is too large; `note` says which, and it is to be looked at again. Otherwise `note`
    tells why it was refused, or what was passed over in it.
    """

    task: FileTask
    file_id: str = ""
    sha256: str = ""
    content: bytes = b""
    outcome: FileOutcome = FileOutcome.TAKEN
    note: str = ""
    place: str = ""
    found: str = ""
    expected: str = ""
    importer: str = ""
    importer_version: str = ""
    format: str = ""
    changed: bool = False
    measurements: tuple[Measurement, ...] = ()
    spectra: tuple[StoredSpectrum, ...] = ()
    axes: tuple[Axis, ...] = ()


@dataclass(frozen=True)
class ReaderFiles:
    """An archive's own formats and importers as they were when all of them were read at once.

    Every worker is given these, so that one that starts later reads files as the others do, even
    if somebody is editing a format meanwhile.
    """

    formats: dict[str, FormatFile]
    plugins: dict[str, bytes]
    fingerprint: str
    """Of all importers and formats, and of the settings that decide what can be read."""

    @classmethod
    def of(cls, archive: Path | None, settings: Settings) -> "ReaderFiles":
        """What an archive's folder holds now; no importer's code is run.

        Raises
        ------
        speclake.errors.BadSettings
            A format file says something impossible.
        """
        formats = load_formats(archive / "formats") if archive else {}
        files = archive.glob("plugins/*.py") if archive else ()
        plugins = {path.name: path.read_bytes() for path in files}
        told = [f"{each.name} {each.origin}" for each in installed()]
        told += [f"{f.name}: {f.importer}, {f.format}" for f in settings.folder]
        told += [f"{f.name}: {f.include}, {f.exclude}, {f.run_sheets}" for f in settings.folder]
        told.append(f"largest_file_mb {settings.limits.largest_file_mb}")
        told += [f"{name} {each.version}" for name, each in formats.items()]
        told += [f"{name} {hashlib.sha256(code).hexdigest()}" for name, code in plugins.items()]
        fingerprint = hashlib.sha256("\n".join(sorted(told)).encode()).hexdigest()[:16]
        return cls(formats, plugins, fingerprint)


@dataclass(frozen=True)
class Workshop:
    """Everything a worker needs to read files: made once in each process."""

    settings: Settings
    importers: Importers
    formats: dict[str, FormatFile]
    readers: str
    """Fingerprint of importers and formats."""

    @classmethod
    def open(
        cls,
        archive: Path | None,
        settings: Settings,
        shut_out: Mapping[str, str] | None = None,
        files: ReaderFiles | None = None,
    ) -> "Workshop":
        """Workshop of an archive folder; without one, of what is installed alone.

        Parameters
        ----------
        shut_out : importers that are not to be loaded, with the reason.
        files : the archive's formats and importers, read before; None reads them now.

        Raises
        ------
        speclake.errors.BadSettings
            A format file says something impossible.
        """
        files = files or ReaderFiles.of(archive, settings)
        plugins = archive / "plugins" if archive else None
        importers = load_without(plugins, shut_out or {}, files.plugins)
        return cls(settings, importers, files.formats, files.fingerprint)

    @cached_property
    def formats_as_data(self) -> Mapping[str, Mapping[str, Any]]:
        """Formats as an importer is shown them."""
        return {name: format.as_data() for name, format in self.formats.items()}

    def folder(self, name: str) -> Folder:
        """Watched folder of that name; one without any settings for files brought by hand."""
        return folder_of(self.settings, name)


def folder_of(settings: Settings, name: str) -> Folder:
    """Watched folder of that name; one without any settings for files brought by hand."""
    return settings.folder_named(name) or Folder(name=name, path=".")


def load_without(
    plugins: Path | None, shut_out: Mapping[str, str], contents: Mapping[str, bytes]
) -> Importers:
    """Importers at hand; the code of those shut out is not run, and they count as broken."""
    if not shut_out:
        return load(plugins, contents=contents)
    declared = [*installed(), *(in_folder(plugins, contents) if plugins else ())]
    names = {each.name for each in declared}
    found = load(plugins, only=names - shut_out.keys(), contents=contents)
    broken = (Broken(d.name, d.origin, shut_out[d.name]) for d in declared if d.name in shut_out)
    return Importers(found.ready, (*found.broken, *broken))


def too_large(size: int, most_mb: int) -> str:
    """Why a file is not read, in words."""
    return f"found {size} bytes; expected at most {most_mb} MB (largest_file_mb)"


def file_id_of(task: FileTask, readers: str, sha256: str) -> str:
    """Identifier of one reading of one state of a file by these readers."""
    return file_id(task.folder, task.path, task.modified_ns, sha256, readers + task.again)


def is_open(workshop: Workshop, _: None) -> bool:
    """Whether a worker has its workshop: asked once, before files are entrusted to it."""
    return bool(workshop.readers)


def read_file(workshop: Workshop, task: FileTask) -> FileReading:
    """Reading of one settled file; every refusal carries file, place, found and expected.

    A file above the limit gets no reading: a line in the record would be one without its bytes,
    and would keep the file from being read once the limit is raised.
    """
    most_mb = workshop.settings.limits.largest_file_mb
    if is_unit(task.path):
        most_mb = min(most_mb, LARGEST_MB)
    if task.content is None and task.size > most_mb * 2**20:
        return FileReading(task, changed=True, note=too_large(task.size, most_mb))
    try:
        content, changed = content_of(task, workshop.folder(task.folder))
    except OSError as error:
        return FileReading(task, changed=True, note=f"cannot be opened: {error.strerror}")
    if changed:
        return FileReading(task, changed=True, note="it changed while it was read")
    return read_content(workshop, task, content)


def content_of(task: FileTask, folder: Folder) -> tuple[bytes, bool]:
    """Bytes of the file, and whether it changed under our eyes. The handle is open but briefly.

    Raises
    ------
    OSError
        It cannot be read.
    """
    if task.content is not None:
        return task.content, False
    if is_unit(task.path):
        content, found = packed(task.root, task.path, folder)
        return content, found != (task.path, task.size, task.modified_ns)
    path = task.root / task.path
    with path.open("rb") as stream:
        content = stream.read(task.size + 1)
    after = path.stat()
    seen = (len(content), after.st_size, after.st_mtime_ns)
    return content, seen != (task.size, task.size, task.modified_ns)


def read_content(workshop: Workshop, task: FileTask, content: bytes) -> FileReading:
    """Reading of the bytes of a file, or of every export in a zip or unit: all of them or none."""
    sha256 = hashlib.sha256(content).hexdigest()
    identifier = file_id_of(task, workshop.readers, sha256)
    base = FileReading(task, identifier, sha256, content)
    if not content:
        return refused(base, "", "an empty file", "a header and data")
    try:
        exports, sheets, note = exports_of(workshop, task, content)
        reads = [read_export(workshop, task, export) for export in exports]
    except MalformedFile as error:
        return refused(base, error.place, error.found, error.expected)
    return _reading_of(workshop, replace(base, note=note), reads, (*task.sheets, *sheets))


def exports_of(
    workshop: Workshop, task: FileTask, content: bytes
) -> tuple[Iterable[Export], Sequence[RunSheet], str]:
    """Exports in a file, mostly the one that it is; run sheets beside them; what was passed over.

    Raises
    ------
    speclake.errors.MalformedFile
        It is a zip that cannot be trusted. While the exports are gone through: so is one of them.
    """
    source = Source(task.path, content)
    folder, most_mb = workshop.folder(task.folder), workshop.settings.limits.largest_file_mb
    container = container_of(source, workshop.importers, folder, most_mb)
    if container is None:
        return [Export(task.path, task.path, content)], (), ""
    return container.exports(), container.sheets, container.note


@dataclass(frozen=True)
class ExportReading:
    """What one importer read from one export."""

    export: Export
    reader: Reader
    spectra: list[Spectrum]


def read_export(workshop: Workshop, task: FileTask, export: Export) -> ExportReading:
    """Spectra of one export, read by the importer that the settings or the file itself call for.

    Raises
    ------
    speclake.errors.MalformedFile
        Nobody can read it, or its importer refuses it or fails on it.
    """
    folder = workshop.folder(task.folder)
    format = task.format or folder.format
    source = Source(export.file, export.content, workshop.formats_as_data, format)
    try:
        choice = choose(workshop.importers, source, task.importer or folder.importer)
        spectra = read_checked(choice.importer, source)
    except MalformedFile as error:
        place = export.place(error.place)
        raise MalformedFile(task.path, place, error.found, error.expected) from error
    except (NoImporter, ImporterFailed) as error:
        expected = what_is_expected(export)
        raise MalformedFile(task.path, export.place(""), str(error), expected) from error
    # no bytes are kept: those of one member are gone when the next is unpacked
    return ExportReading(replace(export, content=b""), _reader(workshop, choice, format), spectra)


def _reading_of(
    workshop: Workshop,
    base: FileReading,
    reads: Sequence[ExportReading],
    sheets: Sequence[RunSheet],
) -> FileReading:
    """Reading of a file from those of its exports."""
    task, folder = base.task, workshop.folder(base.task.folder)
    saved = datetime.fromtimestamp(task.modified_ns / 1e9, UTC) if task.modified_ns else None
    measurements: list[Measurement] = []
    spectra = [spectrum for each in reads for spectrum in each.spectra]
    for each in reads:
        facts = FileFacts(
            base.file_id, each.export.file, each.export.saved_at or saved, task.arrived_at,
            each.export.unpacked,
        )  # fmt: skip
        measurements += [
            measurement_of(s, facts, each.reader, folder, workshop.settings, sheets)
            for s in each.spectra
        ]
    readers = dict.fromkeys(each.reader for each in reads)
    return replace(
        base,
        importer=_joined(each.importer for each in readers),
        importer_version=_joined(each.version for each in readers),
        format=_joined(each.format or "" for each in readers),
        measurements=tuple(measurements),
        spectra=tuple(
            StoredSpectrum(m.measurement_id, s.axis.id, encode(s.values))
            for m, s in zip(measurements, spectra, strict=True)
        ),
        axes=tuple({s.axis.id: s.axis for s in spectra}.values()),
    )


def _joined(names: Iterable[str]) -> str:
    """Names told once for the whole file; each measurement has its own."""
    return ", ".join(dict.fromkeys(name for name in names if name))


def _reader(workshop: Workshop, choice: Choice, named: str | None) -> Reader:
    name = choice.format or named
    format = workshop.formats.get(name) if name else None
    described = f"{name}@{format.version}" if format else None
    return Reader(choice.importer.name, choice.importer.version, described)


def refused(base: FileReading, place: str, found: str, expected: str) -> FileReading:
    """The reading as a refusal that says where, what was found and what was expected."""
    note = str(MalformedFile(base.task.path, place, found, expected))
    return replace(
        base, outcome=FileOutcome.REFUSED, note=note, place=place, found=found, expected=expected
    )
