"""The DuckDB catalogue, derived from the chain: a snapshot and a tail, and what may be asked."""

from speclake.archive.catalog.catalog import Catalog
from speclake.archive.catalog.query import FINDINGS, NOT_JUDGED, OUTCOMES, Query
from speclake.archive.catalog.session import Resources

__all__ = ["FINDINGS", "NOT_JUDGED", "OUTCOMES", "Catalog", "Query", "Resources"]
