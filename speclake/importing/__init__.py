"""Importers: bytes of an export in, spectra out."""

from speclake.importing.guard import read_checked
from speclake.importing.interface import Confidence, Guess, Importer, Source
from speclake.importing.pool import GuardedPool, Result
from speclake.importing.registry import (
    Broken,
    Candidate,
    Choice,
    Importers,
    choose,
    installed,
    load,
    rank,
)

__all__ = [
    "Broken",
    "Candidate",
    "Choice",
    "Confidence",
    "GuardedPool",
    "Guess",
    "Importer",
    "Importers",
    "Result",
    "Source",
    "choose",
    "installed",
    "load",
    "rank",
    "read_checked",
]
