"""Reasons in words, one a spectrum, kept once for all spectra that share them."""

import numpy as np
import numpy.typing as npt

BoolArray = npt.NDArray[np.bool_]


class Reasons:
    """Reason of each of `n` spectra; empty where there is none.

    `of` holds positions in `texts`.
    """

    def __init__(self, n: int) -> None:
        self.of = np.zeros(n, np.int32)
        self._texts = {"": 0}

    @property
    def texts(self) -> tuple[str, ...]:
        """What the positions stand for."""
        return tuple(self._texts)

    def give(self, rows: BoolArray | int, text: str) -> None:
        """Give some spectra a reason in place of the one that they had."""
        self.of[rows] = self._texts.setdefault(text, len(self._texts))

    def put_before(self, others: "Reasons") -> None:
        """Put the reasons of others before those of the same spectra."""
        if not others.of.any():
            return
        texts, first = self.texts, others.texts
        pairs = np.stack((others.of, self.of), axis=1)[others.of > 0]
        for begin, rest in {(int(a), int(b)) for a, b in pairs}:
            rows = (others.of == begin) & (self.of == rest)
            self.give(rows, f"{first[begin]}; {texts[rest]}" if rest else first[begin])
