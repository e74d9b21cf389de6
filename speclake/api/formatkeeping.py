"""Formats of an archive, written and replaced by people, each with a record in the chain."""

import hashlib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from speclake.api import events
from speclake.api.events import NotAllowed
from speclake.archive.locations import LocalDisk
from speclake.archive.rows import EventKind
from speclake.errors import BadSettings, NotFound
from speclake.importing.formatfiles import FormatFile, load_format, loads_format

if TYPE_CHECKING:
    from speclake.api.archive import Archive

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,63}")


@dataclass(frozen=True)
class SavedFormat:
    """A format that was written.

    Parameters
    ----------
    version : by content; two texts that say the same have the same.
    replaces : version of the one that was there, empty where there was none.
    read_before : number of measurements that each earlier version has read, by version.
    """

    name: str
    version: str
    replaces: str
    read_before: Mapping[str, int]


def save_format(
    archive: "Archive", name: str, text: str, *, who: str, why: str, replace: bool = False
) -> SavedFormat:
    """Write a format into the archive's folder, and who, why and what into the record.

    Measurements keep what they were read with: an earlier version stays named there, and its text
    stays in the record.

    Parameters
    ----------
    name : of the file, without ``.toml``.
    replace : whether a format of this name may be replaced.

    Raises
    ------
    speclake.errors.BadSettings
        The text is no format.
    speclake.api.events.NotAllowed
        The name cannot be one, or is taken; or nobody, or no reason, is named.
    """
    form = loads_format(name, text)
    folder = archive.root / "formats"
    place = _free_place(archive, folder, name, may_replace=replace)
    before = place.read_bytes() if place.exists() else b""
    content = text.replace("\r\n", "\n").encode()
    replaces = _version_at(place) if before else ""
    details = {
        "version": form.version,
        "sha256": hashlib.sha256(content).hexdigest(),
        "text": content.decode(),
    }
    if before:
        # one that was edited by hand is in no record yet
        details |= {"replaces": replaces, "replaced text": before.decode("utf-8", "replace")}
    disk = LocalDisk()
    disk.make_folders(folder)
    beside = folder / f".{name}.{disk.token()}.part"
    try:
        with disk.create(beside) as sink:
            sink.write(content)
        events.record(archive.store, EventKind.SAVE_FORMAT, [name], details, who=who, why=why)
        disk.rename(beside, place)
    finally:
        beside.unlink(missing_ok=True)
    disk.sync_folder(folder)
    read = dict(archive.store.catalog.read_with(name))
    read.pop(form.version, None)
    return SavedFormat(name, form.version, replaces, read)


def _free_place(archive: "Archive", folder: Path, name: str, *, may_replace: bool) -> Path:
    """File for a format of this name.

    Raises
    ------
    speclake.api.events.NotAllowed
        The name cannot be one, or is taken.
    """
    place = folder / f"{name}.toml"
    held = {each.stem for each in folder.glob("*.toml")}
    if name not in held and not _NAME.fullmatch(name):
        raise NotAllowed(
            f"found the name {name!r}; expected letters, digits, '-' and '_', a letter or digit "
            "first, at most 64"
        )
    alike = next((each for each in held if each != name and each.lower() == name.lower()), None)
    if alike is not None:
        raise NotAllowed(
            f"found the format {alike!r}, which differs from {name!r} in capitals only"
        )
    if name in held and not may_replace:
        count = sum(archive.store.catalog.read_with(name).values())
        spectra = "1 measurement was" if count == 1 else f"{count:,} measurements were"
        raise NotAllowed(
            f"the name {name!r} is taken, and {spectra} read with that format; "
            "choose another name, or say that it is to be replaced"
        )
    return place


def _version_at(place: Path) -> str:
    try:
        return load_format(place).version
    except BadSettings:
        return "one that could not be read"


def format_text(archive: Path, name: str) -> str:
    """Text of a format of an archive, whether it is right or wrong.

    Raises
    ------
    speclake.errors.NotFound
        There is none of this name.
    """
    held = {each.stem: each for each in (archive / "formats").glob("*.toml")}
    if name not in held:
        known = ", ".join(sorted(held)) or "none at all"
        raise NotFound(f"found no format {name!r}; there is {known}")
    return held[name].read_text("utf-8", "backslashreplace")


def formats_at_hand(archive: Path) -> tuple[dict[str, FormatFile], dict[str, str]]:
    """Formats of an archive by name, and those that are wrong with what is wrong in them."""
    found: dict[str, FormatFile] = {}
    broken: dict[str, str] = {}
    for path in sorted((archive / "formats").glob("*.toml")):
        try:
            found[path.stem] = load_format(path)
        except BadSettings as error:
            broken[path.stem] = str(error)
    return found, broken
