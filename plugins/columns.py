"""Importer of delimited text, as a format file of the archive describes it."""

from collections.abc import Iterator

from speclake.errors import MalformedFile
from speclake.importing.delimited import spectra_of
from speclake.importing.formats import Format
from speclake.importing.interface import Confidence, Guess, Source
from speclake.importing.recognising import (
    checked_format,
    guess_of,
    guess_of_named,
    meant_format,
    recognised_by,
)
from speclake.spectrum import Spectrum

_TABLE = "text"
"""The table that makes a format one of delimited text."""


class ColumnsImporter:
    """Reader of spectra in columns of text; which columns, and what they mean, a format says."""

    name = "columns"
    version = "1"

    def sniff(self, head: Source) -> Guess:
        """Certain where one format recognises the file, or the settings name one."""
        if not head.content:
            return Guess(Confidence.NO, "the file is empty")
        if guess := guess_of_named(head, self.name, _TABLE, "text"):
            return guess
        names = recognised_by(head, self.name, _TABLE)
        return guess_of(names, head, "`speclake describe` drafts one")

    def read(self, source: Source) -> Iterator[Spectrum]:
        """Spectra of the file, block by block and column by column.

        Raises
        ------
        speclake.errors.MalformedFile
            Something does not fit the format, or it is not clear which format is meant.
        """
        name = meant_format(source, self.name, _TABLE)
        if name is None:
            raise MalformedFile(
                source.name,
                "",
                "no format that recognises it",
                "one; `speclake describe` drafts it",
            )
        form = checked_format(name, source.formats[name], Format)
        yield from spectra_of(source, form)
