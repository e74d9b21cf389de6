"""Checks for authors of importers: one call in your own test says whether yours can be trusted."""

from speclake.testing.checking import check_importer
from speclake.testing.damage import cut_places, hostile_variants, inflated_variants

__all__ = ["check_importer", "cut_places", "hostile_variants", "inflated_variants"]
