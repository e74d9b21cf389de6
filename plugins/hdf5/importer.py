"""The importer of HDF5 and NetCDF-4 files."""

from collections.abc import Iterator

from speclake_plugins.hdf5.choosing import chosen_datasets
from speclake_plugins.hdf5.heaps import SIGNATURE
from speclake_plugins.hdf5.opened import opened
from speclake_plugins.hdf5.series import Reader
from speclake_plugins.hdf5.settings import Hdf5Settings

from speclake.importing.declared import guess_of_kind, settings_for
from speclake.importing.interface import Confidence, Guess, Source
from speclake.spectrum import Spectrum

_USER_BLOCKS = (0, 512, 1024, 2048, 4096, 8192, 16384, 32768)
"""Where an HDF5 file may begin; what is before is the user's."""


class Hdf5Importer:
    """Reader of spectra in HDF5 and NetCDF-4 files, by the paths of a format or by CF attributes.

    No other file is ever opened, whatever links a file has.
    """

    name = "hdf5"
    version = "1"

    def sniff(self, head: Source) -> Guess:
        """Certain of every file with the signature of HDF5."""
        if head.content.startswith((b"CDF\x01", b"CDF\x02", b"CDF\x05")):
            reason = "a NetCDF file of the classic form; convert it to NetCDF-4"
            return Guess(Confidence.NO, reason)
        if not any(head.content.startswith(SIGNATURE, at) for at in _USER_BLOCKS):
            return Guess(Confidence.NO, "it has not the signature of HDF5")
        return guess_of_kind(head, self.name, "it has the signature of HDF5")

    def read(self, source: Source) -> Iterator[Spectrum]:
        """Spectra of the file, dataset by dataset.

        Raises
        ------
        speclake.errors.MalformedFile
            The file is damaged, leads outside itself, or does not say what is a spectrum.
        """
        says = settings_for(source, self.name, Hdf5Settings) or Hdf5Settings()
        with opened(source) as file:
            reader = Reader(file, says)
            for chosen in chosen_datasets(file, says):
                yield from reader.spectra(chosen)
