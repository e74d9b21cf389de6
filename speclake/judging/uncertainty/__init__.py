"""How well the values of a requirement are known."""

from speclake.judging.uncertainty.known import Uncertainty

__all__ = ["Uncertainty"]
