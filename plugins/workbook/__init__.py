"""Importer of workbooks in XLSX, as a format file of the archive describes them."""

from speclake_plugins.workbook.importer import WorkbookImporter

__all__ = ["WorkbookImporter"]
