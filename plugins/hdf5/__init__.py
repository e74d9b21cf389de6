"""HDF5 and NetCDF-4: spectra in datasets that a format names, or that the file itself describes."""

from speclake_plugins.hdf5.importer import Hdf5Importer

__all__ = ["Hdf5Importer"]
