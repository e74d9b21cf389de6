"""The importer of JCAMP-DX files: which of their blocks are spectra of ours, and in which order."""

from collections.abc import Iterator, Sequence

from speclake_plugins.jcamp.content import Content
from speclake_plugins.jcamp.curve import MOST_POINTS
from speclake_plugins.jcamp.header import Header, entries_around
from speclake_plugins.jcamp.meaning import BadDeclaration, Declared, declared, other_technique
from speclake_plugins.jcamp.records import Block, Document
from speclake_plugins.jcamp.spectra import spectra_of

from speclake.errors import MalformedFile
from speclake.importing.interface import Confidence, Guess, Source
from speclake.importing.recognising import is_for, meant_format
from speclake.spectrum import Spectrum
from speclake.writing.texts import compared

POINTS_A_BYTE = 64
"""Points that a byte may stand for in all: a flat line counted in DUP form needs far fewer."""

_MOST_NAMED = 20
"""Blocks of other techniques that the notes of each spectrum name one by one."""


class JcampImporter:
    """Reads the spectra of JCAMP-DX files (IUPAC, versions 4.24 to 6) on optical axes.

    Every compression (AFFN, PAC, SQZ, DIF, DUP in any mix) of (X++(Y..Y)) and (XY..XY), compound
    files and NTUPLES; each value is the float64 nearest to the product of what is written.
    """

    name = "jcamp"
    version = "2"

    def sniff(self, head: Source) -> Guess:
        """Opinion by the first record, which must be ``##TITLE=``, and ``##JCAMP-DX=``."""
        text = head.content.removeprefix(b"\xef\xbb\xbf").decode("latin-1")
        lines = (line.strip() for line in text.replace("\r", "\n").split("\n"))
        labels = [_label(line) for line in lines if line and not line.startswith("$$")]
        if not labels or labels[0] != "TITLE":
            return Guess(Confidence.NO, "it does not begin with the record ##TITLE=")
        try:
            named = _format(head)
        except MalformedFile:
            named = None  # `read` says which formats contend
        if "JCAMPDX" in labels:
            reason = "it begins with ##TITLE= and says ##JCAMP-DX="
            return Guess(Confidence.CERTAIN, reason, named)
        if len([label for label in labels if label]) > 1:
            reason = "it begins with ##TITLE= and other records follow"
            return Guess(Confidence.LIKELY, reason, named)
        return Guess(Confidence.POSSIBLE, "it begins with ##TITLE=", named)

    def read(self, source: Source) -> Iterator[Spectrum]:
        """Spectra of the file in file order; blocks of other techniques beside them are noted.

        Raises
        ------
        speclake.errors.MalformedFile
            The file cannot be read without guessing, or holds no spectrum of ours.
        """
        says = _declared(source)
        content = Content(source.open(), source.size)
        document = Document(source.name, content, _foreign, says.encoding)
        _check_links(document)
        blocks = document.leaves()
        if all(block.meaning for block in blocks):
            raise document.refusal(
                blocks[0].line,
                blocks[0].meaning or "",
                "a spectrum against wavelength, wavenumber or photon energy, which is what "
                "speclake archives",
            )
        notes = [*document.notes, *_notes_on_others(blocks)]
        parent, around, points = None, dict[str, str](), 0
        most = max(MOST_POINTS, POINTS_A_BYTE * source.size)
        for place, block in enumerate(blocks, start=1):
            if block.meaning:
                continue
            if block.parent is not parent:
                parent, around = block.parent, entries_around(document, block)
            whole = document.read(block)
            for spectrum in spectra_of(document, whole, around, f"block {place}", says, notes):
                points += len(spectrum.axis)
                if points > most:
                    found = f"{points} points up to block {place}, in {source.size} bytes"
                    raise document.refusal(block.line, found, f"at most {most} in such a file")
                yield spectrum


def _notes_on_others(blocks: Sequence[Block]) -> list[str]:
    others = [
        f"block {place} is {block.meaning}; it is not read"
        for place, block in enumerate(blocks, start=1)
        if block.meaning
    ]
    more = len(others) - _MOST_NAMED
    return others if more <= 0 else [*others[:_MOST_NAMED], f"nor are {more} further blocks"]


def _label(line: str) -> str:
    return compared(line[2:].partition("=")[0]) if line.startswith("##") and "=" in line else ""


def _format(source: Source) -> str | None:
    """Name of the format for this importer that is meant: the named one, else the one that fits.

    A format that the settings name for files of another kind says nothing of these.
    """
    if source.format is not None and not is_for(
        source.formats.get(source.format, {}), JcampImporter.name
    ):
        return None
    return meant_format(source, JcampImporter.name)


def _declared(source: Source) -> Declared:
    name = _format(source)
    if name is None:
        return Declared()
    try:
        return declared(source.formats[name].get("settings", {}))
    except BadDeclaration as error:
        place = f"format {name!r}, key {error.key}"
        raise MalformedFile(source.name, place, error.found, error.expected) from error


def _check_links(document: Document) -> None:
    waiting = list(document.blocks)
    if len(waiting) > 1:
        document.notes.append("several blocks stand side by side without a LINK block around them")
    while waiting:
        block = waiting.pop()
        waiting += block.children
        if block.is_link:
            _check_link(document, block)


def _check_link(document: Document, block: Block) -> None:
    header = Header(document, block.records)
    stated = header.count("BLOCKS")
    held = len(block.children)
    if not held or stated not in (None, held):
        raise document.refusal(
            header.line("BLOCKS"), f"{held} blocks in the LINK block", f"{stated or 'some'}"
        )
    if not block.is_closed:
        if stated is None:
            raise document.refusal(
                None, "neither ##BLOCKS= nor ##END= of the LINK block", "one, to know it is whole"
            )
        document.notes.append("##END= of the LINK block is missing; all its blocks are there")


def _foreign(document: Document, block: Block) -> str | None:
    """What a block is, in words, where it holds no spectrum of ours."""
    header = Header(document, block.records)
    keys = {record.key for record in block.records}
    if "JCAMPCS" in keys:
        return "a chemical structure (JCAMP-CS)"
    technique = other_technique(header.value("DATATYPE"), header.value("DATACLASS"))
    if technique or keys & {"XYDATA", "XYPOINTS", "DATATABLE"}:
        return technique
    tables = header.data_records()
    return other_technique(tables[0].label) if tables else None
