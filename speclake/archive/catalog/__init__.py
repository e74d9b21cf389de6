"""The DuckDB catalogue, derived from the chain: a snapshot and a tail, and what may be asked."""

from speclake.archive.catalog.catalog import Catalog
from speclake.archive.catalog.query import NOT_JUDGED, OUTCOMES, Query
from speclake.archive.catalog.session import Resources

__all__ = ["NOT_JUDGED", "OUTCOMES", "Catalog", "Query", "Resources"]
