"""A store with its DuckDB catalogue: what everything above the archive holds."""

from pathlib import Path

from speclake.archive.catalog import Catalog
from speclake.archive.store import Store, create

Lake = Store[Catalog]


def open_lake(root: Path) -> Lake:
    """The archive in a folder, whole.

    Raises
    ------
    speclake.errors.NotFound
        The folder is no archive.
    speclake.errors.ArchiveDamaged
        A record or a table is not what was committed.
    """
    return Store(root, lambda root, _, disk: Catalog(root, disk=disk))


def create_lake(root: Path) -> Lake:
    """A new, empty archive in a folder."""
    create(root)
    return open_lake(root)
