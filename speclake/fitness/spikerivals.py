"""What else could look like a spike: a pulse beside it, and the narrowest line of the slit."""

import numpy as np
import numpy.typing as npt

from speclake.spectrum import FloatArray

BESIDE = 2
"""Points to either side among which the pulse has to be the largest."""
GROUND = (3, 4, 5)
"""Distances of the points to either side that the ground under a pulse is taken from."""
LARGER = 1.2
"""Times the height of a pulse from which one beside it is the larger one, whatever the noise."""
CENTRES = np.linspace(-1.0, 1.0, 21)
"""Where the top of a line may lie, in points from the pulse."""
GROUND_POWERS = 5
MORE = 3
"""Points to either side of a line that show the ground under it."""

_Indices = npt.NDArray[np.intp]
_Bools = npt.NDArray[np.bool_]


def at_its_place(light: FloatArray, rows: _Indices, points: _Indices) -> _Bools:
    """Whether no point beside stands off the ground more than the one that was found, shape (m,).

    A pulse of two points bends the spectrum most beside itself, in the other direction.

    Parameters
    ----------
    light : shape (n, p).
    rows, points : of the pulses, shape (m,).
    """
    last = light.shape[1] - 1
    inner = np.arange(-BESIDE, BESIDE + 1)
    nodes = np.array([-each for each in GROUND[::-1]] + list(GROUND))
    # a cubic of least squares through the ground, read where the pulse may be
    weights = np.vander(inner.astype(float), 4) @ np.linalg.pinv(np.vander(nodes.astype(float), 4))
    ends = light[rows[:, None], np.clip(points[:, None] + nodes, 0, last)]
    middle = light[rows[:, None], np.clip(points[:, None] + inner, 0, last)]
    off = np.abs(middle - ends @ weights.T)
    found: _Bools = off.max(axis=1, initial=0.0) <= LARGER * off[:, BESIDE]
    return found


def like_a_line(light: FloatArray, point: int, width: int, span: float) -> bool:
    """Whether a line as a triangular slit shows it explains a pulse as well as a pulse does.

    Both stand on a polynomial of the fourth degree; the line is `span` points wide at half height,
    with its top anywhere within a point of the pulse.

    Parameters
    ----------
    light : values of one spectrum, shape (p,).
    width : points of the pulse.
    """
    reach = int(np.ceil(span)) + MORE
    first, stop = max(point - reach, 0), min(point + reach + 1, light.size)
    x = np.arange(first, stop) - float(point)
    y = light[first:stop] - light[point]
    ground = np.vander(x / reach, GROUND_POWERS)
    lines = np.maximum(1.0 - np.abs(x - CENTRES[:, None]) / span, 0.0)
    starts = np.arange(1 - width, 1)[:, None]
    pulses = ((x >= starts) & (x < starts + width)).astype(float)
    return _least_left(ground, lines, y) <= _least_left(ground, pulses, y)


def _least_left(ground: FloatArray, shapes: FloatArray, y: FloatArray) -> float:
    """Least sum of squares that the ground with one of the shapes leaves."""
    basis, _ = np.linalg.qr(ground)
    left = y - basis @ (basis.T @ y)
    bare = shapes - (shapes @ basis) @ basis.T
    norms = np.maximum((bare * bare).sum(axis=1), 1e-12)
    return float(left @ left - ((bare @ left) ** 2 / norms).max())
