"""Which workbooks are read, by which format, and from which of their sheets."""

from collections.abc import Iterator

from speclake_plugins.workbook.choosing import chosen_sheets
from speclake_plugins.workbook.tables import spectra_of_sheet

from speclake.errors import MalformedFile
from speclake.importing.formats import Recognise
from speclake.importing.interface import Confidence, Guess, Source
from speclake.importing.recognising import (
    checked_format,
    guess_of,
    guess_of_named,
    may_recognise,
    meant_format,
    recognised_by,
)
from speclake.importing.sheetformat import SheetFormat
from speclake.importing.workbookfile import Workbook
from speclake.importing.workbookparts import COMPOUND_START, ZIP_START
from speclake.spectrum import Spectrum

_TABLE = "sheets"
"""The table that makes a format one of workbooks."""


class WorkbookImporter:
    """Reader of spectra in the sheets of a workbook; which, and what they mean, a format says."""

    name = "workbook"
    version = "1"

    def sniff(self, head: Source) -> Guess:
        """Certain where the settings name a format, or one fits by the name of the file alone.

        Texts in the sheets are looked for by `read`: the first bytes of a zip file do not show
        them.
        """
        if reason := _no_workbook(head.content):
            return Guess(Confidence.NO, reason)
        if guess := guess_of_named(head, self.name, _TABLE, "workbook"):
            return guess
        names = may_recognise(head, self.name, _TABLE)
        certain = recognised_by(head, self.name, _TABLE, lambda _: False)
        if certain != names:
            reason = f"a workbook; texts in its sheets decide on {' or '.join(map(repr, names))}"
            return Guess(Confidence.LIKELY, reason, names[0] if len(names) == 1 else None)
        return guess_of(names, head, "`speclake describe` shows what is in it")

    def read(self, source: Source) -> Iterator[Spectrum]:
        """Spectra of the file, sheet by sheet and column by column.

        Raises
        ------
        speclake.errors.MalformedFile
            Something does not fit the format, or it is not clear which format is meant.
        """
        book = Workbook(source.content, source.name)

        def has_texts(rules: Recognise) -> bool:
            return any(
                _stand_in_one_sheet(rules, book.first_texts(part, rules.within_lines))
                for part in book.sheets
                if part.is_visible
            )

        name = meant_format(source, self.name, _TABLE, has_texts)
        if name is None:
            found, expected = "no format that recognises it", "one with a table [sheets]"
            raise MalformedFile(source.name, "", found, expected)
        form = checked_format(name, source.formats[name], SheetFormat)
        # the whole file before the first spectrum: a refused file must not leave some behind
        sheets, notes = chosen_sheets(book, form.sheets, source.name)
        if source.format is None and len(may_recognise(source, self.name, _TABLE)) > 1:
            # its first bytes did not tell which, so that only this note does
            notes = (*notes, f"read by the format {name!r}, whose texts stand in a sheet")
        yield from [
            spectrum
            for sheet in sheets
            for spectrum in spectra_of_sheet(sheet, form, notes, source.name)
        ]


def _stand_in_one_sheet(rules: Recognise, lines: list[str]) -> bool:
    return all(any(text in line for line in lines) for text in rules.text)


def _no_workbook(content: bytes) -> str:
    """Why a file is no workbook, by its first bytes; empty where it may be one."""
    if content.startswith(COMPOUND_START):
        return "a workbook that is encrypted or of the binary kind before XLSX; save it as .xlsx"
    if not content.startswith(ZIP_START):
        return "it does not begin like a workbook"
    if b"xl/workbook.bin" in content:
        return "a workbook in binary parts; save it as .xlsx"
    if b"[Content_Types].xml" not in content and b"xl/" not in content:
        return "a zip file that begins with no part of a workbook"
    if b"word/document.xml" in content or b"ppt/presentation.xml" in content:
        return "an office document that is no workbook"
    return ""
