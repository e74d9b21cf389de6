"""How many spectra pass through each place of a picture, for more than lines can show."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

COLUMNS = 800
"""Width of a density picture in cells, about one a pixel."""
MOST_ROWS = 512
"""Height of a density picture in cells; a frame that would need more is made coarser."""


@dataclass(frozen=True)
class DensityPicture:
    """How many spectra pass through each cell, and the outermost values of each column.

    Parameters
    ----------
    counts : shape (rows, columns), lowest row first.
    start, stop : ends of the axis that the columns share evenly.
    low, high : ends of the values that the rows share evenly.
    lowest, highest : shape (columns,); NaN where no spectrum has a value.
    """

    counts: npt.NDArray[np.int64]
    start: float
    stop: float
    low: float
    high: float
    lowest: FloatArray
    highest: FloatArray

    @property
    def columns(self) -> FloatArray:
        """Middle of each column on the axis."""
        edges = np.linspace(self.start, self.stop, self.counts.shape[1] + 1)
        return (edges[:-1] + edges[1:]) / 2


class Density:
    """A picture of any number of spectra, built set by set in constant memory.

    A spectrum counts once in every cell that its connected line passes through, so a steep edge
    leaves no gap. Cells are whole multiples of a step that doubles when the values seen so far
    would need more than `MOST_ROWS` rows.

    Parameters
    ----------
    start, stop : ends of the axis shown.
    columns : width of the picture in cells.
    frame : lowest and highest value shown; None shows all.
    """

    def __init__(
        self,
        start: float,
        stop: float,
        columns: int = COLUMNS,
        frame: tuple[float, float] | None = None,
    ) -> None:
        self._edges = np.linspace(start, stop, columns + 1)
        self._lowest = np.full(columns, np.nan)
        self._highest = np.full(columns, np.nan)
        # rows in which a line enters a column from below, and in which it leaves it above: kept
        # apart, because only so can two rows be joined without counting a line twice
        self._first = np.zeros((0, columns), dtype=np.int64)
        self._last = np.zeros((0, columns), dtype=np.int64)
        self._bottom = 0
        self._step = 0.0
        self._frame = frame
        self.spectra = 0

    def add(self, positions: FloatArray, values: FloatArray) -> None:
        """Count more spectra in: `values` of shape (n, p) at ascending `positions` (p,)."""
        self.spectra += values.shape[0]
        low, high = _column_extremes(positions, values, self._edges)
        self._lowest = np.fmin(self._lowest, np.fmin.reduce(low, axis=0))
        self._highest = np.fmax(self._highest, np.fmax.reduce(high, axis=0))
        if self._frame is not None:
            low, high = self._framed(low, high)
        held = ~np.isnan(low)
        if not held.any():
            return
        self._make_room(float(np.nanmin(low)), float(np.nanmax(high)))
        columns = np.broadcast_to(np.arange(low.shape[1]), low.shape)
        if not held.all():
            low, high, columns = low[held], high[held], columns[held]
        self._count(self._first, low, columns)
        self._count(self._last, high, columns)

    def picture(self) -> DensityPicture | None:
        """The picture so far, None where no spectrum has a value in it."""
        if not self._first.size:
            return None
        below = np.zeros((1, self._last.shape[1]), dtype=np.int64)
        left = np.concatenate([below, np.cumsum(self._last, axis=0)[:-1]])
        return DensityPicture(
            counts=np.cumsum(self._first, axis=0) - left,
            start=float(self._edges[0]),
            stop=float(self._edges[-1]),
            low=self._bottom * self._step,
            high=(self._bottom + self._first.shape[0]) * self._step,
            lowest=self._lowest,
            highest=self._highest,
        )

    def _framed(self, low: FloatArray, high: FloatArray) -> tuple[FloatArray, FloatArray]:
        bottom, top = self._frame or (0.0, 0.0)
        with np.errstate(invalid="ignore"):
            outside = (high < bottom) | (low > top)
        low = np.where(outside, np.nan, low)
        return np.clip(low, bottom, top), np.clip(np.where(outside, np.nan, high), bottom, top)

    def _count(
        self, into: npt.NDArray[np.int64], values: FloatArray, columns: npt.NDArray[np.int64]
    ) -> None:
        rows = np.floor(values / self._step).astype(np.int64) - self._bottom
        cells = (rows * into.shape[1] + columns).ravel()
        into += np.bincount(cells, minlength=into.size).reshape(into.shape)

    def _make_room(self, low: float, high: float) -> None:
        if not self._step:
            span = (high - low) or abs(high) or 1.0
            self._step = span / (MOST_ROWS * 0.6)
            self._bottom = int(np.floor(low / self._step))
        while self._rows_for(low, high)[1] - self._rows_for(low, high)[0] >= MOST_ROWS:
            self._halve()
        bottom, top = self._rows_for(low, high)
        pad = ((self._bottom - bottom, top + 1 - self._bottom - len(self._first)), (0, 0))
        self._first, self._last = np.pad(self._first, pad), np.pad(self._last, pad)
        self._bottom = bottom

    def _rows_for(self, low: float, high: float) -> tuple[int, int]:
        bottom, top = int(np.floor(low / self._step)), int(np.floor(high / self._step))
        if not len(self._first):
            return bottom, top
        return min(bottom, self._bottom), max(top, self._bottom + len(self._first) - 1)

    def _halve(self) -> None:
        pad = ((self._bottom % 2, (self._bottom % 2 + len(self._first)) % 2), (0, 0))
        width = self._first.shape[1]
        self._first = np.pad(self._first, pad).reshape(-1, 2, width).sum(axis=1)
        self._last = np.pad(self._last, pad).reshape(-1, 2, width).sum(axis=1)
        self._bottom //= 2
        self._step *= 2.0


def edges_on(positions: FloatArray, columns: int = COLUMNS) -> tuple[float, float, int]:
    """Start, stop and number of columns, at most so many, whose edges fall on measured points.

    On such columns of an even grid a density takes a third of the time. Where points are left
    over, the last column reaches beyond them.
    """
    start, stop = float(positions[0]), float(positions[-1])
    intervals = positions.size - 1
    size = -(-intervals // columns)
    if size < 1 or intervals <= size:
        return start, stop, columns
    used = -(-intervals // size)
    return start, start + (stop - start) * used * size / intervals, used


def _stride(positions: FloatArray, values: FloatArray, edges: FloatArray) -> int:
    """How many intervals of the grid each column holds where all edges are points, else 0."""
    intervals, columns = positions.size - 1, edges.size - 1
    stride = -(-intervals // columns)
    on_grid = positions[: columns * stride : stride] if stride else positions[:0]
    if on_grid.size != columns or np.isnan(values).any():
        return 0
    tolerance = 1e-6 * (edges[1] - edges[0])
    return stride if np.abs(on_grid - edges[:-1]).max() < tolerance else 0


def _strided_extremes(
    values: FloatArray, columns: int, stride: int
) -> tuple[FloatArray, FloatArray]:
    """Lowest and highest of the points of each column, those on its two edges included."""
    low, high = values[:, ::stride][:, :columns].copy(), values[:, ::stride][:, :columns].copy()
    for k in range(1, stride + 1):
        part = values[:, k::stride][:, :columns]
        here = slice(0, part.shape[1])
        np.minimum(low[:, here], part, out=low[:, here])
        np.maximum(high[:, here], part, out=high[:, here])
    return low, high


def _column_extremes(
    positions: FloatArray, values: FloatArray, edges: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Lowest and highest value of each connected line in each column, NaN where it has none."""
    if stride := _stride(positions, values, edges):
        return _strided_extremes(values, edges.size - 1, stride)
    at_edges = _interpolated(positions, values, edges)
    low = np.fmin(at_edges[:, :-1], at_edges[:, 1:])
    high = np.fmax(at_edges[:, :-1], at_edges[:, 1:])
    starts = np.searchsorted(positions, edges)
    held = np.flatnonzero(np.diff(starts))
    if held.size:
        inside = values[:, : starts[-1]]
        low[:, held], high[:, held] = (
            reduce(edge[:, held], _segments(reduce, inside, starts[held]))
            for reduce, edge in ((np.fmin, low), (np.fmax, high))
        )
    return low, high


def _segments(reduce: np.ufunc, values: FloatArray, starts: npt.NDArray[np.intp]) -> FloatArray:
    """Each stretch from one start to the next reduced to one value."""
    counts = np.diff(starts, append=values.shape[1])
    longest = int(counts.max())
    if longest > 8:
        return np.asarray(reduce.reduceat(values, starts, axis=1))
    # taking the k-th point of every stretch is three times faster than many short reductions;
    # a stretch that is shorter repeats its last point, which changes no extreme
    found = np.take(values, starts, axis=1)
    for k in range(1, longest):
        found = reduce(found, np.take(values, starts + np.minimum(k, counts - 1), axis=1))
    return found


def _interpolated(positions: FloatArray, values: FloatArray, at: FloatArray) -> FloatArray:
    if positions.size < 2:
        return np.full((values.shape[0], at.size), np.nan)
    left = np.clip(np.searchsorted(positions, at, side="right") - 1, 0, positions.size - 2)
    weight = (at - positions[left]) / (positions[left + 1] - positions[left])
    found = np.take(values, left, axis=1) * (1.0 - weight)
    found += np.take(values, left + 1, axis=1) * weight
    found[:, (at < positions[0]) | (at > positions[-1])] = np.nan
    return found
