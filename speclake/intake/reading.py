"""One file read, in a worker process: bytes, hash, spectra, measurements; or why it is refused."""

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from mmap import mmap

from speclake.errors import ImporterFailed, MalformedFile, NoImporter
from speclake.importing import Source
from speclake.importing.guard import Progress, read_each, tell_progress
from speclake.importing.registry import (
    Choice,
    choose,
)
from speclake.importing.worker import memory_for_mapping
from speclake.intake.bringing import brought, key_of, too_large, with_bytes
from speclake.intake.containers import Export, container_of, what_is_expected
from speclake.intake.resolving import FileFacts, Reader, measurement_of
from speclake.intake.runsheets import RunSheet
from speclake.intake.spool import HeldFile, ScanCollector, SpooledScans, mapped
from speclake.intake.tasks import FileReading, FileTask, refused
from speclake.intake.workshop import Workshop
from speclake.spectrum import Spectrum


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


def read_content(workshop: Workshop, task: FileTask, content: bytes) -> FileReading:
    """Reading of the bytes of a file, or of every export in a zip or unit: all of them or none."""
    return _read(workshop, with_bytes(task, content, workshop.readers), content)


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
