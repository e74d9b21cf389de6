"""Importer of delimited text, as a format file of the archive describes it."""

from collections.abc import Iterator

from speclake.errors import MalformedFile
from speclake.importing.delimited import spectra_of
from speclake.importing.formats import Format
from speclake.importing.interface import Confidence, Guess, Source
from speclake.importing.recognising import (
    checked_format,
    is_for,
    meant_format,
    of_several,
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
        if head.format is not None:
            if head.format not in head.formats:
                return Guess(Confidence.NO, f"there is no format {head.format!r}")
            if not is_for(head.formats[head.format], self.name, _TABLE):
                return Guess(Confidence.NO, f"the format {head.format!r} describes no text")
            return Guess(Confidence.CERTAIN, "the settings name its format", head.format)
        names = recognised_by(head, self.name, _TABLE)
        if len(names) == 1:
            return Guess(Confidence.CERTAIN, f"the format {names[0]!r} recognises it", names[0])
        if names:
            return Guess(Confidence.POSSIBLE, of_several(names))
        what = "no format recognises it" if head.formats else "no format describes it"
        return Guess(Confidence.NO, f"{what}; `speclake describe` drafts one")

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
