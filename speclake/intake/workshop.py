"""What a worker reads files with: importers, formats and settings, made once in each process."""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

from speclake.importing.formatfiles import FormatFile, load_formats
from speclake.importing.registry import Broken, Importers, in_folder, installed, load
from speclake.intake.spool import Spooling
from speclake.settings import Folder, Settings


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


def is_open(workshop: Workshop, _: None) -> bool:
    """Whether a worker has its workshop: asked once, before files are entrusted to it."""
    return bool(workshop.readers)
