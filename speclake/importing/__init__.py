"""Importers: bytes of an export in, spectra out."""

from speclake.importing.interface import Confidence, Guess, Importer, Source

__all__ = ["Confidence", "Guess", "Importer", "Source"]
