"""Positions that an axis lists more than once in a row, as at a change of detectors."""

from dataclasses import dataclass
from statistics import mean
from typing import Literal

import numpy as np
import numpy.typing as npt

from speclake.spectrum import FloatArray

Duplicates = Literal["refuse", "mean", "first", "last"]


@dataclass(frozen=True)
class Fold:
    """Which rows become one: each from a start to before the next, of so many rows in all."""

    starts: npt.NDArray[np.intp]
    rows: int
    how: Duplicates

    @property
    def _lengths(self) -> npt.NDArray[np.intp]:
        return np.diff(self.starts, append=self.rows)

    def of(self, column: FloatArray) -> FloatArray:
        """Column with one row for each position; a mean with a missing value is missing."""
        at_last = self.starts + self._lengths - 1
        folded: FloatArray = column[at_last if self.how == "last" else self.starts]
        if self.how == "mean":
            lengths = self._lengths
            for at in np.flatnonzero(lengths > 1):
                start = self.starts[at]
                folded[at] = mean(column[start : start + lengths[at]].tolist())
        return folded

    @property
    def first_row(self) -> int:
        """First row whose position comes again."""
        return int(self.starts[np.flatnonzero(self._lengths > 1)[0]])

    def note(self, where: str, position: str) -> str:
        """Reading note; `where` and `position` are of the first row whose position comes again."""
        times = np.count_nonzero(self._lengths > 1)
        taken = {"mean": "the mean of the values", "first": "the first value", "last": "the last"}
        positions = "1 position comes" if times == 1 else f"{times} positions come"
        return f"{positions} more than once, first {position} at {where}: {taken[self.how]} taken"


def fold_of(positions: FloatArray, how: Duplicates) -> Fold | None:
    """How rows of equal positions become one; None where none repeats, or none may."""
    if how == "refuse" or positions.size < 2:
        return None
    changes = np.diff(positions) != 0
    if changes.all():
        return None
    return Fold(np.flatnonzero(np.concatenate([[True], changes])), positions.size, how)
