"""The importer of Parquet and Arrow IPC files."""

from collections.abc import Iterator

from speclake_plugins.arrowtables.exported import is_own, own_spectra
from speclake_plugins.arrowtables.footer import PARQUET_MARK
from speclake_plugins.arrowtables.ipc import CONTINUATION, FILE_MARK
from speclake_plugins.arrowtables.opened import opened
from speclake_plugins.arrowtables.settings import ArrowSettings
from speclake_plugins.arrowtables.tables import Reader

from speclake.importing.declared import guess_of_kind, settings_for
from speclake.importing.interface import Confidence, Guess, Source
from speclake.spectrum import Spectrum

_MARKS = {
    PARQUET_MARK: "it begins with the mark of Parquet",
    FILE_MARK + b"\0\0": "it begins with the mark of an Arrow file",
    CONTINUATION: "it begins like an Arrow stream",
}


class ArrowImporter:
    """Reader of spectra in Parquet and Arrow IPC files, by a format or as speclake exports them."""

    name = "arrow"
    version = "1"

    def sniff(self, head: Source) -> Guess:
        """Certain of every file with one of the marks."""
        for mark, reason in _MARKS.items():
            if head.content.startswith(mark):
                return guess_of_kind(head, self.name, reason)
        return Guess(Confidence.NO, "it has the mark of neither Parquet nor Arrow")

    def read(self, source: Source) -> Iterator[Spectrum]:
        """Spectra of the file, in the order of its table.

        Raises
        ------
        speclake.errors.MalformedFile
            The file is damaged, or does not hold what the format says.
        """
        says = settings_for(source, self.name, ArrowSettings)
        with opened(source) as table:
            if says is not None:
                yield from Reader(table, says).spectra()
            elif is_own(table):
                yield from own_spectra(table)
            else:
                found = f"the columns {', '.join(map(repr, table.schema.names[:30]))}"
                expected = "an export of speclake, or a format with importer = 'arrow'"
                raise table.refusal("", found, expected)
