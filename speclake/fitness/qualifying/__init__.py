"""Qualification runs: which scans belong to one, and what they say of the instrument."""

from speclake.fitness.qualifying.reading import COVERAGE_FACTOR, Reading, Setup
from speclake.fitness.qualifying.recognising import recognises
from speclake.fitness.qualifying.run import qualify

__all__ = ["COVERAGE_FACTOR", "Reading", "Setup", "qualify", "recognises"]
