"""JCAMP-DX, the IUPAC's open file form for spectra, read whole and strictly."""

from speclake_plugins.jcamp.importer import JcampImporter

__all__ = ["JcampImporter"]
