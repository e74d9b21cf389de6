"""What the demo hands over: a scan as it truly was, and the file that carries it."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

Case = Literal[
    "ordinary", "growing", "run sheet",
    "exported again", "name used again", "same bytes under another site", "no lot anywhere",
    "scanned after it was saved",
    "cut short", "wrong decimal sign", "text in the data", "another technique", "empty", "not text",
]  # fmt: skip
"""What is special about a file."""

REFUSED_CASES: tuple[Case, ...] = (
    "cut short", "wrong decimal sign", "text in the data", "another technique", "empty", "not text",
)  # fmt: skip
"""Files that no reader may accept."""


@dataclass(frozen=True, eq=False)
class Scan:
    """One scan with the numbers that its export prints.

    Parameters
    ----------
    wavelength_nm : shape (p,), ascending.
    steps : shape (p,); the value in units of the last printed digit.
    decimals : digits after the decimal sign.
    unit : ``%T``, ``%R`` or ``T``.
    fields : all that is known of the scan, under the archive's names of fields, as text.
    scanned : when it ended, in UTC.
    """

    wavelength_nm: FloatArray
    steps: IntArray
    decimals: int
    unit: Literal["%T", "%R", "T"]
    fields: Mapping[str, str]
    scanned: datetime

    @property
    def values(self) -> FloatArray:
        """Shape (p,): the printed numbers as float64, each the nearest to its decimal text."""
        return self.steps / 10.0**self.decimals

    @property
    def texts(self) -> list[str]:
        """The printed numbers, with a decimal point."""
        return [f"{value:.{self.decimals}f}" for value in self.values]


@dataclass(frozen=True, eq=False)
class Drop:
    """One state of one file in the watched folders.

    Parameters
    ----------
    path : below the folder of all benches, with forward slashes; its first part is the bench.
    content : the bytes.
    modified : the file's time of last change, in UTC.
    scans : what a right reader finds in it, in file order; nothing where it must be refused.
    case : what is special about it.
    replaces : an earlier state of the same path was dropped before.
    """

    path: str
    content: bytes
    modified: datetime
    scans: tuple[Scan, ...] = ()
    case: Case = "ordinary"
    replaces: bool = field(default=False, kw_only=True)

    @property
    def is_refused(self) -> bool:
        """Whether no reader may accept it."""
        return self.case in REFUSED_CASES
