"""One intake unit that holds several exports, a zip or a folder packed as one: what is in it.

Members are read as if they lay in the folder themselves. A measurement is of the file
``run7.zip/lot-7/s3.txt``; naming patterns see it as it would lie once unpacked where the zip lies,
``lot-7/s3.txt``, unless they name the zip. Members that nobody wants are passed over and named;
anything else that cannot be read refuses the whole.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from mmap import mmap

from speclake.errors import MalformedFile
from speclake.importing import Confidence, Source
from speclake.importing.registry import Importers, rank
from speclake.intake import runsheets, zips
from speclake.intake.runsheets import RunSheet
from speclake.intake.unpacking import unpacked
from speclake.intake.wanted import is_run_sheet, is_unit, is_wanted, may_hold_many
from speclake.intake.zips import Member
from speclake.settings import Folder

PACKED_SHEET = "packed run sheet"
MOST_NAMED = 5
"""How many of the members passed over are named."""


@dataclass(frozen=True)
class Export:
    """One file to be read by one importer.

    Parameters
    ----------
    file : its path below the watched folder, with the zip that it lies in.
    unpacked : the same path, were the zip unpacked where it lies.
    member : its path in the zip; empty for a file that lies in the folder itself.
    saved_at : when it was saved; None where only the zip tells a time.
    """

    file: str
    unpacked: str
    content: bytes | mmap
    member: str = ""
    saved_at: datetime | None = None

    def place(self, within: str) -> str:
        """Words for a place in this export, as seen from the file of the ledger."""
        if not self.member:
            return within
        return f"member {self.member!r}" + (f", {within}" if within else "")


@dataclass(frozen=True)
class Container:
    """A zip whose members have been checked, and what a folder's settings make of them.

    Parameters
    ----------
    file : path of the zip below the watched folder, or of the unit with its slash.
    sheets : run sheets in it. They speak of its own members.
    note : what was passed over, or tolerated, in words.
    """

    file: str
    content: bytes | mmap
    wanted: tuple[Member, ...]
    sheets: tuple[RunSheet, ...]
    note: str
    most_mb: int

    def exports(self) -> Iterator[Export]:
        """Exports one after another, each unpacked only when it is asked for.

        Raises
        ------
        speclake.errors.MalformedFile
            One does not unpack, is a zip itself, or all together are too large.
        """
        left = self.most_mb * 2**20
        for member in self.wanted:
            limit = f"at most {self.most_mb} MB in all members together (largest_file_mb)"
            content = _unpacked(self.file, self.content, member, left, limit)
            left -= len(content)
            yield Export(
                path_in(self.file, member.name),
                _beside(self.file, member.name),
                content,
                member.name,
                member.saved_at,
            )


def container_of(
    source: Source, importers: Importers, folder: Folder, most_mb: int
) -> Container | None:
    """The unit or zip of exports that a file is; None for a file that importers read themselves.

    Raises
    ------
    speclake.errors.MalformedFile
        It cannot be trusted, nothing in it is wanted, or a run sheet in it is not one.
    """
    if not may_hold_many(source.name):
        return None
    if not is_unit(source.name) and (
        not zips.may_be_zip(source.held) or _is_claimed(source, importers)
    ):
        return None
    members = zips.members_of(source.name, source.held)
    if zips.is_document(members):
        return None
    return _sorted(source.name, source.held, members, folder, most_mb)


def _is_claimed(source: Source, importers: Importers) -> bool:
    """Whether an importer would read a zip itself, by its content.

    Importers are shown no formats: one of these may recognise every file of a folder by its name.
    """
    bare = replace(source, formats={}, format=None)
    return any(each.confidence >= Confidence.LIKELY for each in rank(importers, bare))


def _sorted(
    file: str, content: bytes | mmap, members: Sequence[Member], folder: Folder, most_mb: int
) -> Container:
    """Container with its run sheets read, its members wanted or passed over."""
    sheets: list[RunSheet] = []
    wanted: list[Member] = []
    passed_over: list[str] = []
    for member in (each for each in members if not each.is_folder):
        path = _beside(file, member.name)
        if _is_of_the_system(member.name):
            passed_over.append(member.name)
        elif is_run_sheet(path, folder):
            sheets.append(_sheet(file, content, member))
        elif is_wanted(path, folder):
            wanted.append(member)
        else:
            passed_over.append(member.name)
    if not wanted:
        found = f"no export among its {len(members)} members"
        raise MalformedFile(file, "", found, "one that include and exclude let through")
    notes = [each.note for each in members if each.note]
    if passed_over:
        notes.append(f"passed over: {_named(passed_over)}")
    return Container(file, content, tuple(wanted), tuple(sheets), "; ".join(notes), most_mb)


def _named(members: Sequence[str]) -> str:
    more = len(members) - MOST_NAMED
    return ", ".join(members[:MOST_NAMED]) + (f" and {more} more" if more > 0 else "")


def path_in(file: str, member: str) -> str:
    """Path of a member below the watched folder, with the zip or unit that it lies in."""
    return file + member if is_unit(file) else f"{file}/{member}"


def what_is_expected(export: Export) -> str:
    """What a file that nobody can read should be, and how a member is left out."""
    expected = "a file that exactly one importer can read"
    if not export.member:
        return expected
    name = export.member.rsplit("/", 1)[-1]
    ending = name.rpartition(".")[2]
    pattern = f"*.{ending}" if ending != name else name
    return (
        f'{expected}; if it is a run sheet: run_sheets = ["{pattern}"]; '
        f'to leave such members out: exclude = ["{pattern}"]'
    )


def _beside(file: str, member: str) -> str:
    """Path of a member, were its zip unpacked where it lies; a unit is a folder already."""
    return file[: file.rfind("/") + 1] + member


def _is_of_the_system(member: str) -> bool:
    """Whether a member lies in a hidden folder, or in the one for forks that a Mac adds."""
    folders = member.split("/")[:-1]
    return any(each.startswith(".") or each == "__MACOSX" for each in folders)


def _unpacked(
    file: str, content: bytes | mmap, member: Member, most_bytes: int, limit: str
) -> bytes:
    found = unpacked(file, content, member, most_bytes, limit)
    if not found:
        raise MalformedFile(file, member.place, "an empty file", "a header and data")
    if found.startswith(zips.SIGNATURES) and not _is_document(found):
        raise MalformedFile(file, member.place, "a zip in the zip", "exports, or a workbook")
    return found


def _is_document(content: bytes) -> bool:
    try:
        return zips.is_document(zips.members_of("", content))
    except MalformedFile:
        return False


def _sheet(file: str, content: bytes | mmap, member: Member) -> RunSheet:
    """Run sheet of a container; the paths in that of a zip count from the zip itself."""
    limit = f"a run sheet of {runsheets.LARGEST_MB} MB"
    found = _unpacked(file, content, member, runsheets.LARGEST_MB * 2**20, limit)
    try:
        sheet = runsheets.read(path_in(file, member.name), found)
    except MalformedFile as error:
        place = f"{member.place}, {error.place}" if error.place else member.place
        raise MalformedFile(file, place, error.found, error.expected) from error
    rows = tuple((line, row if is_unit(file) else _in_zip(file, row)) for line, row in sheet.rows)
    return replace(sheet, rows=rows, called=PACKED_SHEET)


def _in_zip(file: str, row: Mapping[str, str]) -> Mapping[str, str]:
    named = row.get("file", "")
    return {**row, "file": path_in(file, named)} if "/" in named else row
