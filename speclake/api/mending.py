"""Refused files looked into: their lines, a format for them, and what a format would read there.

Nothing here takes anything in. Whatever runs an importer or goes through a whole file does so in
a guarded worker.
"""

import re
from collections.abc import Iterable, Mapping
from contextlib import closing
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

from speclake.api.describing import draft_of
from speclake.api.events import NotAllowed
from speclake.api.formatkeeping import format_text, formats_at_hand
from speclake.archive.rows import FileOutcome, FileRow
from speclake.errors import ImporterFailed, MalformedFile, NoImporter, SpeclakeError
from speclake.importing import Source
from speclake.importing.drafting import Assumption, Question, Value, with_answers
from speclake.importing.drafting.encodings import find_encoding
from speclake.importing.drafting.sheet import one_line
from speclake.importing.formatfiles import FormatFile, loads_format
from speclake.importing.formats import ImporterSettings
from speclake.importing.guard import Progress, tell_progress
from speclake.importing.lineends import as_lines
from speclake.importing.registry import choose
from speclake.importing.sheetformat import SheetFormat
from speclake.importing.text import byte_order_mark
from speclake.intake.containers import Export
from speclake.intake.reading import exports_of, read_export
from speclake.intake.readpool import ReadPool
from speclake.intake.sheetbook import READER
from speclake.intake.spool import LONG_FILE_BYTES
from speclake.intake.tasks import FileTask
from speclake.intake.workshop import ReaderFiles, Workshop
from speclake.spectrum import Spectrum, SpectrumSet

if TYPE_CHECKING:
    from speclake.api.archive import Archive

FIRST_LINES, LINES_AROUND, LONGEST_LINE = 30, 4, 240
MOST_SPECTRA = 8
"""Spectra of a preview that are shown; all are read and counted."""
MOST_FILES = 200
"""Files of each kind that are asked whether a format takes them, the newest."""
MOST_ASKED_BYTES = 4 * 2**20
TEXT_BYTES = 2**20
"""How much of a file its encoding is looked for in."""
NAMELESS = "not-saved-yet"


@dataclass(frozen=True)
class Line:
    """One line of a file, as it may be shown; control characters are written out."""

    number: int
    text: str
    is_refused: bool = False


@dataclass(frozen=True)
class Study:
    """What there is to know about a refused file before its format is written.

    Parameters
    ----------
    file : name of the export, with the zip that it lies in.
    shown_as : in what encoding the lines are shown, or why there are none.
    reader : who would read it today, in words; empty where nobody would.
    format : name of the format whose `text` it is; empty for a draft or where none is needed.
    since : what became of the file since, None where the refusal stands.
    """

    row: FileRow
    file: str
    lines: tuple[Line, ...]
    shown_as: str
    reader: str
    format: str = ""
    text: str = ""
    assumptions: tuple[Assumption, ...] = ()
    questions: tuple[Question, ...] = ()
    doubts: tuple[str, ...] = ()
    formats: tuple[str, ...] = ()
    broken: tuple[str, ...] = ()
    """Formats of the archive that are wrong; while one is, no file can be read."""
    since: FileRow | None = None


@dataclass(frozen=True)
class Reach:
    """Which files a format would take once it is saved, of those looked at."""

    refused: tuple[FileRow, ...]
    refused_asked: int
    caught: tuple[FileRow, ...]
    """Files that others have read and that it recognises as well."""
    taken_asked: int


@dataclass(frozen=True)
class Preview:
    """What a format reads in a file.

    Parameters
    ----------
    spectra : the first of them; `count` is the number of all.
    trouble : why it reads nothing; empty where it does.
    lines : those of the file, the one that it refuses marked.
    goes_to : who would get this file at intake once the format is saved, in words.
    is_recognised : whether that is this format.
    """

    spectra: tuple[Spectrum, ...]
    count: int
    trouble: str
    lines: tuple[Line, ...]
    goes_to: str
    is_recognised: bool
    reach: Reach

    @property
    def sets(self) -> list[SpectrumSet]:
        """The spectra by axis and unit, each with its number as its key."""
        groups: dict[tuple[str, str], list[tuple[int, Spectrum]]] = {}
        for number, each in enumerate(self.spectra, 1):
            groups.setdefault((each.axis.id, each.unit), []).append((number, each))
        return [
            SpectrumSet.of([s for _, s in held], [str(n) for n, _ in held])
            for held in groups.values()
        ]


def study(
    archive: "Archive",
    file_id: str,
    format: str | None = None,
    answers: Mapping[str, Value] | None = None,
) -> Study:
    """What there is to know about a refused file.

    Parameters
    ----------
    file_id : identifier of its line in the ledger.
    format : name of the format to begin with; None takes the one that recognises the file, or
        else drafts one.
    answers : key to value, for the questions of a draft.

    Raises
    ------
    speclake.errors.NotFound
        The ledger has no such line, or there is no such format.
    speclake.api.events.NotAllowed
        The file was not refused, is a run sheet, or is too long for this.
    speclake.errors.BadSettings
        An answer belongs to no key of a format.
    """
    row = refused_row(archive, file_id)
    formats, broken = formats_at_hand(archive.root)
    chosen = format_text(archive.root, format) if format else None
    with closing(_pool(archive, formats)) as pool:
        ask = partial(studied, is_drafted=chosen is None, answers=answers or {}, place=row.place)
        found = pool.ask(ask, _task(archive, row))
    name = format or found.format
    text = chosen if chosen is not None else found.text
    if name and chosen is None and name in formats:
        text = format_text(archive.root, name)
    latest = archive.store.catalog.file_states(row.folder, row.path)[-1]
    return replace(
        found, row=row, format=name, text=text, formats=tuple(sorted({*formats, *broken})),
        broken=tuple(broken.values()), since=None if latest.file_id == file_id else latest,
    )  # fmt: skip


def refused_row(archive: "Archive", file_id: str) -> FileRow:
    """Line of the ledger on a refused file for which a format may be written.

    Raises
    ------
    speclake.errors.NotFound, speclake.api.events.NotAllowed
        As for `study`.
    """
    archive.refresh()
    row = archive.store.catalog.file_line(file_id)
    if row.outcome is not FileOutcome.REFUSED:
        raise NotAllowed(f"{row.path}: found a file that is {row.outcome}; expected a refused one")
    if row.importer == READER:
        raise NotAllowed(f"{row.path}: found a run sheet, which no format reads; mend the sheet")
    if row.size > LONG_FILE_BYTES:
        raise NotAllowed(
            f"{row.path}: found {row.size} bytes; expected at most {LONG_FILE_BYTES} for a "
            "preview; try the format on a shorter file of this kind, or with `speclake describe`"
        )
    return row


def preview(archive: "Archive", file_id: str, name: str, text: str) -> Preview:
    """What a format, as this text says it, reads in a refused file, and which files it would take.

    Parameters
    ----------
    name : under which it is to be saved; empty where nobody knows yet.

    Raises
    ------
    speclake.errors.BadSettings
        The text is no format.
    speclake.errors.NotFound, speclake.api.events.NotAllowed
        As for `study`.
    """
    row = refused_row(archive, file_id)
    name = name or NAMELESS
    form = loads_format(name, text)
    formats, _ = formats_at_hand(archive.root)
    with closing(_pool(archive, {**formats, name: form})) as pool:
        task = _task(archive, row)
        try:
            named = replace(task, importer=importer_of(form), format=name)
            found = pool.ask(partial(previewed, place=row.place), named)
        except ImporterFailed as error:
            found = _Read((), 0, str(error), ())
        importer, format, reason = _asked(pool, task)
        is_recognised = importer != "" and format == name
        goes_to = f"importer {importer}: {reason}" if importer else f"nobody: {reason}"
        reach = _reach(archive, pool, name)
    return Preview(
        found.spectra, found.count, found.trouble, found.lines, goes_to, is_recognised, reach
    )


def importer_of(form: FormatFile) -> str:
    """Name of the importer that reads by a format."""
    if isinstance(form, ImporterSettings):
        return form.importer
    return "workbook" if isinstance(form, SheetFormat) else "columns"


def _pool(archive: "Archive", formats: Mapping[str, FormatFile]) -> ReadPool:
    files = ReaderFiles.of(archive.root, archive.settings, dict(formats))
    return ReadPool(archive.root, archive.settings, files)


def _task(archive: "Archive", row: FileRow) -> FileTask:
    return FileTask(
        folder=row.folder, root=archive.root, path=row.path, size=row.size,
        modified_ns=row.modified_ns, arrived_at=row.arrived_at,
        content=archive.original(row.sha256),
    )  # fmt: skip


def _asked(pool: ReadPool, task: FileTask) -> tuple[str, str, str]:
    try:
        return pool.ask(given_to, task)
    except SpeclakeError as error:
        return "", "", str(error)


def _reach(archive: "Archive", pool: ReadPool, name: str) -> Reach:
    refused = _short(reversed(archive.store.catalog.refused()))
    taken = archive.files(outcome=FileOutcome.TAKEN, limit=MOST_FILES).drop("commit_number")
    held = _short(FileRow(**row) for row in taken.iter_rows(named=True))
    caught = []
    for row in held:
        if row.format.partition("@")[0] == name:
            continue
        _, format, reason = _asked(pool, _task(archive, row))
        if format == name or repr(name) in reason:
            caught.append(row)
    mended = [row for row in refused if _asked(pool, _task(archive, row))[1] == name]
    return Reach(tuple(mended), len(refused), tuple(caught), len(held))


def _short(rows: Iterable[FileRow]) -> list[FileRow]:
    found = [row for row in rows if row.size <= MOST_ASKED_BYTES and row.importer != READER]
    return found[:MOST_FILES]


# in a worker


@dataclass(frozen=True)
class _Read:
    spectra: tuple[Spectrum, ...]
    count: int
    trouble: str
    lines: tuple[Line, ...]


def studied(
    workshop: Workshop,
    task: FileTask,
    *,
    is_drafted: bool,
    answers: Mapping[str, Value],
    place: str,
) -> Study:
    """What `study` says, as far as the bytes and the importers tell."""
    export = _export_at(workshop, task, place)
    lines, shown_as = lines_of(export.content[:], place)
    row = FileRow(
        file_id="", folder=task.folder, path=task.path, size=task.size, modified_ns=0, sha256="",
        outcome=FileOutcome.REFUSED, note="", arrived_at=task.arrived_at,
    )  # fmt: skip
    importer, format, reason = given_to(workshop, task, place)
    reader = f"importer {importer}: {reason}" if importer else ""
    found = Study(row, export.file, lines, shown_as, reader, format)
    if importer or not is_drafted:
        return found
    draft = draft_of(export.file, export.content[:])
    return replace(
        found, text=with_answers(draft, answers), assumptions=draft.assumptions,
        questions=draft.questions, doubts=draft.doubts,
    )  # fmt: skip


def previewed(workshop: Workshop, task: FileTask, *, place: str) -> _Read:
    """The spectra that the reader named in the task finds."""
    export = _export_at(workshop, task, place)
    shown: list[Spectrum] = []
    count = 0
    try:
        _, spectra = read_export(workshop, task, export)
        for count, spectrum in enumerate(spectra, 1):
            if count <= MOST_SPECTRA:
                shown.append(spectrum)
            tell_progress(Progress(count, 0, task.size))
    except MalformedFile as error:
        lines, _ = lines_of(export.content[:], error.place)
        return _Read((), 0, str(error), lines)
    lines, _ = lines_of(export.content[:], "")
    return _Read(tuple(shown), count, "", lines)


def given_to(workshop: Workshop, task: FileTask, place: str = "") -> tuple[str, str, str]:
    """Importer and format that intake would choose for a file, and why; two empty for nobody."""
    export = _export_at(workshop, task, place)
    folder = workshop.folder(task.folder)
    source = Source(export.file, export.content, workshop.formats_as_data, folder.format)
    try:
        choice = choose(workshop.importers, source, folder.importer)
    except NoImporter as error:
        return "", "", str(error).splitlines()[0]
    return choice.importer.name, choice.format or folder.format or "", choice.reason


def _export_at(workshop: Workshop, task: FileTask, place: str) -> Export:
    """The export in a file in which a place lies, else its first; the file itself if it has none.

    A zip that cannot be trusted is looked at as what it is.
    """
    whole = Export(task.path, task.path, task.content or b"")
    try:
        exports = list(exports_of(workshop, task, whole.content)[0])
    except MalformedFile:
        return whole
    at = (each for each in exports if each.member and place.startswith(each.place("")))
    return next(at, exports[0] if exports else whole)


def lines_of(content: bytes, place: str) -> tuple[tuple[Line, ...], str]:
    r"""First lines of a file and those around the place of a refusal; how they are shown.

    Bytes that are no text in a proven encoding are written out as ``\xNN``.
    """
    head = content[:TEXT_BYTES]
    if len(content) > TEXT_BYTES:
        end = head.rfind(b"\n") + 1 or head.rfind(b"\r") + 1
        # in UTF-16 a zero byte belongs to the newline
        head = head[: end + (head[end : end + 1] == b"\x00")]
    encoding = find_encoding(head)
    if b"\x00" in head and not encoding.name.startswith("utf-16"):
        return (), "It is no text: it holds zero bytes."
    name = encoding.name if encoding.is_proven else "utf-8"
    mark, _ = byte_order_mark(content[:4])
    texts = as_lines(content[mark:].decode(name, "backslashreplace"))
    if texts[-1] == "":
        texts.pop()
    how = f"Shown as {name}."
    if not encoding.is_proven:
        how = r"Its bytes are no UTF-8: those that are no ASCII are shown as \xNN."
    found = re.search(r"\bline (\d+)", place)
    refused = int(found[1]) if found else 0
    shown = set(range(1, min(FIRST_LINES, len(texts)) + 1))
    if refused:
        shown |= set(range(max(1, refused - LINES_AROUND), refused + LINES_AROUND + 1))
    return tuple(
        Line(number, _shown(texts[number - 1]), number == refused)
        for number in sorted(shown)
        if number <= len(texts)
    ), f"{how} It has {len(texts):,} lines; → is a tab."


def _shown(text: str) -> str:
    shown = "→".join(one_line(part) for part in text.split("\t"))
    return shown if len(shown) <= LONGEST_LINE else f"{shown[:LONGEST_LINE]} …"
