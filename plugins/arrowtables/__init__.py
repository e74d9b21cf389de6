"""Parquet and Arrow IPC: spectra in rows, in points or in columns of a table, as a format says."""

from speclake_plugins.arrowtables.importer import ArrowImporter

__all__ = ["ArrowImporter"]
