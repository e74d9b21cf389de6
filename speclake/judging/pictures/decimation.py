"""Fewer points for the picture of a spectrum. Nothing here is ever judged."""

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
PictureArray = npt.NDArray[np.float32]


def in_view(positions: FloatArray, start: float, stop: float) -> slice:
    """Points from the last one before a stretch of the axis to the first one behind it."""
    first = max(int(np.searchsorted(positions, start, side="right")) - 1, 0)
    last = min(int(np.searchsorted(positions, stop, side="left")) + 1, positions.size)
    return slice(first, max(last, first))


def extremes(
    positions: FloatArray, values: FloatArray, columns: int
) -> tuple[PictureArray, PictureArray]:
    """Lowest and highest point of each of some columns, in the order in which they were measured.

    Every point that is kept is a measured one, so a narrow peak keeps its height. Where there are
    no more points than would be kept, all stay.

    Parameters
    ----------
    positions : shape (p,), ascending.
    values : shape (n, p); NaN is passed over unless a whole column is NaN, which stays a gap.
    columns : how many columns the picture has.

    Returns
    -------
    tuple
        Positions and values of the kept points, both of shape (n, kept).
    """
    n, p = values.shape
    if p <= 2 * columns + 2:
        every = np.broadcast_to(positions.astype(np.float32), (n, p))
        return np.ascontiguousarray(every), values.astype(np.float32)
    size = -(-p // columns)
    used = -(-p // size)
    padded = np.full((n, used * size), np.nan)
    padded[:, :p] = values
    cells = padded.reshape(n, used, size)
    missing = np.isnan(cells)
    lowest = np.where(missing, np.inf, cells).argmin(axis=2)
    highest = np.where(missing, -np.inf, cells).argmax(axis=2)
    pair = np.sort(np.stack([lowest, highest], axis=2), axis=2)
    kept = (pair + (np.arange(used) * size)[None, :, None]).reshape(n, 2 * used)
    ends = np.zeros((n, 1), dtype=kept.dtype)
    kept = np.concatenate([ends, np.minimum(kept, p - 1), ends + p - 1], axis=1)
    return (
        positions[kept].astype(np.float32),
        np.take_along_axis(values, kept, axis=1).astype(np.float32),
    )
