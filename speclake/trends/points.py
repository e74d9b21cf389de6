"""From many measurements to one point a part or run, as a control chart needs it."""

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from speclake.spectrum import FloatArray

How = Literal["mean", "minimum", "maximum", "site"]


@dataclass(frozen=True, eq=False)
class Points:
    """One point a key.

    Parameters
    ----------
    keys : what each point stands for, in the order in which they first occurred.
    values : shape (k,), NaN where a value is missing.
    counts : shape (k,), how many measurements stand behind each point.
    last : shape (k,), position of the last of these measurements in what was given.
    """

    keys: tuple[Hashable, ...]
    values: FloatArray
    counts: npt.NDArray[np.intp]
    last: npt.NDArray[np.intp]


def one_point_per(
    keys: Sequence[Hashable],
    values: npt.ArrayLike,
    how: How,
    *,
    sites: Sequence[str | None] | None = None,
    site: str | None = None,
) -> Points:
    """One point for each part or run, from all its measurements or from one named site.

    The scatter from site to site within a part is no measure of the scatter from part to part: a
    chart of one site after the other has limits that are far too narrow or far too wide.

    Parameters
    ----------
    keys : the part or run of each measurement.
    values : shape (n,), one value a measurement, in the order of time.
    how : ``mean``, ``minimum`` or ``maximum`` of all measurements of a key; where one of them is
        missing, so is the point: a mean of fewer sites is another quantity. ``site`` takes the
        named site alone, its last measurement if there are several; keys without it have no point.
    sites, site : the site of each measurement, and the one that is meant, with ``site``.

    Raises
    ------
    ValueError
        The lengths differ, or ``site`` lacks its sites.
    """
    numbers = np.asarray(values, dtype=np.float64)
    if numbers.shape != (len(keys),) or (sites is not None and len(sites) != len(keys)):
        raise ValueError("keys, values and sites need one entry for each measurement")
    if (how == "site") != (site is not None and sites is not None):
        raise ValueError('sites and site go with how = "site", and only with it')
    rows = np.arange(len(keys))
    if sites is not None:
        rows = np.flatnonzero([each == site for each in sites])
    codes: dict[Hashable, int] = {}
    group = np.array(
        [codes.setdefault(keys[row], len(codes)) for row in rows.tolist()], dtype=np.intp
    )
    if not codes:
        nothing = np.empty(0, dtype=np.intp)
        return Points((), np.empty(0), nothing, nothing)
    order = np.argsort(group, kind="stable")
    starts = np.searchsorted(group[order], np.arange(len(codes)))
    counts = np.diff(np.append(starts, len(rows)))
    last = rows[order[starts + counts - 1]]
    return Points(tuple(codes), _reduced(numbers, rows[order], starts, last, how), counts, last)


def _reduced(
    numbers: FloatArray,
    ordered: npt.NDArray[np.intp],
    starts: npt.NDArray[np.intp],
    last: npt.NDArray[np.intp],
    how: How,
) -> FloatArray:
    if how == "site":
        return numbers[last]
    sorted_values = numbers[ordered]
    if how == "minimum":
        return np.asarray(np.minimum.reduceat(sorted_values, starts))
    if how == "maximum":
        return np.asarray(np.maximum.reduceat(sorted_values, starts))
    parts = np.split(sorted_values, starts[1:])
    return np.array([part.mean() for part in parts])
