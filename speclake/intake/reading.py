"""One file read, in a worker process: bytes, hash, spectra, measurements; or why it is refused."""

import hashlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import cached_property
from mmap import mmap
from pathlib import Path
from typing import Any

from speclake.archive.originals import OriginalsReader
from speclake.archive.rows import FileOutcome, StoredSpectrum, file_id
from speclake.errors import ImporterFailed, MalformedFile, NoImporter
from speclake.importing import Source
from speclake.importing.formatfiles import FormatFile, load_formats
from speclake.importing.guard import Progress, read_each, tell_progress
from speclake.importing.registry import (
    Broken,
    Choice,
    Importers,
    choose,
    in_folder,
    installed,
    load,
)
from speclake.importing.worker import memory_for_mapping
from speclake.intake.containers import Export, container_of, what_is_expected
from speclake.intake.resolving import FileFacts, Reader, measurement_of
from speclake.intake.runsheets import RunSheet
from speclake.intake.spool import (
    COPIED_AT_ONCE,
    HeldFile,
    ScanCollector,
    SpooledScans,
    Spooling,
    copied,
    mapped,
)
from speclake.intake.units import LARGEST_MB, packed
from speclake.intake.wanted import is_unit
from speclake.measurement import Measurement
from speclake.settings import Folder, Settings
from speclake.spectrum import Axis, Spectrum


@dataclass(frozen=True)
class KeptOriginal:
    """Bytes of a long file in the archive: the zip that holds them, and their hash."""

    archive: Path
    sha256: str


@dataclass(frozen=True)
class FileTask:
    """A settled file to be read.

    `content`, or `kept` for a long file, is given when the bytes come from the archive (a refused
    file tried again); `sheets`
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
    kept: "KeptOriginal | None" = None
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
    copy: Path | None = None
    """Where the bytes of a long file are; `content` is empty then."""
    spooled: SpooledScans | None = None
    """Scans that are too much to be held; the three fields before are empty then."""

    @property
    def original(self) -> bytes | Path:
        """Bytes of the file, or the place of a copy of them."""
        return self.content if self.copy is None else self.copy

    def release(self) -> None:
        """Remove what is on disk of a long file, once nobody needs it any more."""
        for path in (self.copy, self.spooled.path if self.spooled else None):
            if path is not None:
                path.unlink(missing_ok=True)


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
    def of(
        cls,
        archive: Path | None,
        settings: Settings,
        formats: dict[str, FormatFile] | None = None,
    ) -> "ReaderFiles":
        """What an archive's folder holds now; no importer's code is run.

        Parameters
        ----------
        formats : what to read with in place of the formats of the folder.

        Raises
        ------
        speclake.errors.BadSettings
            A format file says something impossible.
        """
        if formats is None:
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
    spooling: Spooling = field(default_factory=Spooling)

    @classmethod
    def open(
        cls,
        archive: Path | None,
        settings: Settings,
        shut_out: Mapping[str, str] | None = None,
        files: ReaderFiles | None = None,
        spooling: Spooling | None = None,
    ) -> "Workshop":
        """Workshop of an archive folder; without one, of what is installed alone.

        Parameters
        ----------
        shut_out : importers that are not to be loaded, with the reason.
        files : the archive's formats and importers, read before; None reads them now.
        spooling : where long files are copied to; None holds everything in memory.

        Raises
        ------
        speclake.errors.BadSettings
            A format file says something impossible.
        """
        files = files or ReaderFiles.of(archive, settings)
        plugins = archive / "plugins" if archive else None
        importers = load_without(plugins, shut_out or {}, files.plugins)
        return cls(settings, importers, files.formats, files.fingerprint, spooling or Spooling())

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


def too_large(task: FileTask, most_mb: int) -> str:
    """Why a file is not read, in words; empty for one that is not too large."""
    limit = "largest_file_mb"
    if is_unit(task.path) and most_mb > LARGEST_MB:
        most_mb, limit = LARGEST_MB, "the most that a unit holds"
    if task.size <= most_mb * 2**20:
        return ""
    return f"found {task.size} bytes; expected at most {most_mb} MB ({limit})"


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
    problem = too_large(task, workshop.settings.limits.largest_file_mb)
    is_in_archive = task.content is not None or task.kept is not None
    if not is_in_archive and problem:
        return FileReading(task, changed=True, note=problem)
    base = brought(task, workshop.folder(task.folder), workshop.spooling, workshop.readers)
    if base.changed:
        return base
    try:
        if base.copy is None:
            return _read(workshop, base, base.content)
        with memory_for_mapping(task.size), mapped(base.copy) as held:
            return _read(workshop, base, held)
    except OSError as error:  # of the scratch folder: those of an importer are its own
        base.release()
        return FileReading(task, changed=True, note=f"cannot be read for now: {error.strerror}")


def brought(task: FileTask, folder: Folder, spooling: Spooling, readers: str) -> FileReading:
    """Reading that has the bytes of a file and their hash, and nothing else yet.

    It is `changed` where they cannot be had for now.
    """
    try:
        if spooling.is_long(task.size) and task.content is None and not is_unit(task.path):
            return _copy_of(task, spooling, readers)
        content, changed = content_of(task, folder)
    except OSError as error:
        return FileReading(task, changed=True, note=f"cannot be opened: {error.strerror}")
    if changed:
        return FileReading(task, changed=True, note="it changed while it was read")
    return _with_bytes(task, content, readers)


def _with_bytes(task: FileTask, content: bytes, readers: str) -> FileReading:
    sha256 = hashlib.sha256(content).hexdigest()
    return FileReading(task, file_id_of(task, readers, sha256), sha256, content)


def _copy_of(task: FileTask, spooling: Spooling, readers: str) -> FileReading:
    """Reading with a copy of a long file. The handle is open for no longer than that takes."""
    copy = spooling.path(key_of(task), "copy")
    assert copy is not None
    try:
        if task.kept is not None:
            with OriginalsReader(task.kept.archive, task.kept.archive.name) as originals:
                sha256, _ = copied(originals.parts(task.kept.sha256), copy, task.size)
            is_same = True
        else:
            path = task.root / task.path
            with path.open("rb") as stream:
                sha256, size = copied(
                    iter(lambda: stream.read(COPIED_AT_ONCE), b""), copy, task.size
                )
            after = path.stat()
            seen = (size, after.st_size, after.st_mtime_ns)
            is_same = seen == (task.size, task.size, task.modified_ns)
    except OSError:
        copy.unlink(missing_ok=True)
        raise
    if not is_same:
        copy.unlink(missing_ok=True)
        return FileReading(task, changed=True, note="it changed while it was read")
    return FileReading(task, file_id_of(task, readers, sha256), sha256, copy=copy)


def key_of(task: FileTask) -> str:
    """Name that what is on disk of a task has, the same for whoever reads it again."""
    kept = task.kept.sha256 if task.kept else ""
    text = f"{task.folder}|{task.path}|{task.size}|{task.modified_ns}|{kept}"
    return hashlib.sha256(text.encode()).hexdigest()[:32]


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
    return _read(workshop, _with_bytes(task, content, workshop.readers), content)


def _read(workshop: Workshop, base: FileReading, held: bytes | mmap) -> FileReading:
    """The reading with what importers found in the bytes, or as a refusal."""
    if not len(held):
        return refused(base, "", "an empty file", "a header and data")
    task, spooling = base.task, workshop.spooling
    collector = ScanCollector(spooling.path(key_of(task), "scans"), spooling.scans_bytes)
    readers: dict[Reader, None] = {}
    try:
        exports, sheets, note = exports_of(workshop, task, held)
        for export in exports:
            reader, spectra = read_export(workshop, task, export)
            readers[reader] = None
            _collect(workshop, base, export, reader, spectra, (*task.sheets, *sheets), collector)
    except MalformedFile as error:
        collector.discard()
        return refused(base, error.place, error.found, error.expected)
    except OSError:
        collector.discard()
        raise
    told = replace(
        base,
        note=note,
        importer=_joined(each.importer for each in readers),
        importer_version=_joined(each.version for each in readers),
        format=_joined(each.format or "" for each in readers),
    )
    scans = collector.finish(task.path)
    if isinstance(scans, SpooledScans):
        return replace(told, spooled=scans)
    return replace(told, measurements=scans.measurements, spectra=scans.spectra, axes=scans.axes)


def exports_of(
    workshop: Workshop, task: FileTask, content: bytes | mmap
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


def read_export(
    workshop: Workshop, task: FileTask, export: Export
) -> tuple[Reader, Iterator[Spectrum]]:
    """Who reads an export, as the settings or the file itself call for, and its spectra in turn.

    Raises
    ------
    speclake.errors.MalformedFile
        Nobody can read it. While the spectra are gone through: its importer refuses it, or fails.
    """
    folder = workshop.folder(task.folder)
    format = task.format or folder.format
    source = Source(export.file, export.content, workshop.formats_as_data, format)
    with _as_refusals(task, export):
        choice = choose(workshop.importers, source, task.importer or folder.importer)
    most = workshop.settings.limits.spectra_per_file

    def spectra() -> Iterator[Spectrum]:
        with _as_refusals(task, export):
            yield from read_each(choice.importer, source, at_most=most)

    return _reader(workshop, choice, format), spectra()


@contextmanager
def _as_refusals(task: FileTask, export: Export) -> Iterator[None]:
    """Context in which every way not to read an export becomes the refusal of its file."""
    try:
        yield
    except MalformedFile as error:
        place = export.place(error.place)
        raise MalformedFile(task.path, place, error.found, error.expected) from error
    except (NoImporter, ImporterFailed) as error:
        expected = what_is_expected(export)
        raise MalformedFile(task.path, export.place(""), str(error), expected) from error


def _collect(
    workshop: Workshop,
    base: FileReading,
    export: Export,
    reader: Reader,
    spectra: Iterator[Spectrum],
    sheets: Sequence[RunSheet],
    collector: ScanCollector,
) -> None:
    """Collect the scans of one export, with a sign of life after each."""
    task, folder = base.task, workshop.folder(base.task.folder)
    saved = datetime.fromtimestamp(task.modified_ns / 1e9, UTC) if task.modified_ns else None
    facts = FileFacts(
        base.file_id, export.file, export.saved_at or saved, task.arrived_at, export.unpacked
    )
    for spectrum in spectra:
        measurement = measurement_of(spectrum, facts, reader, folder, workshop.settings, sheets)
        collector.add(measurement, spectrum)
        reached = export.content.reached if isinstance(export.content, HeldFile) else 0
        tell_progress(Progress(collector.count, reached, task.size))


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
