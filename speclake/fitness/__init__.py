"""Whether a spectrum could have been measured right, and the instrument was fit to measure it."""

from speclake.fitness.circumstances import Circumstances
from speclake.fitness.examining import ENGINE_VERSION, Examined, examine
from speclake.fitness.findings import Figure, Finding

__all__ = ["ENGINE_VERSION", "Circumstances", "Examined", "Figure", "Finding", "examine"]
