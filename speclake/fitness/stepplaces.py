"""Change-overs on the axis of a set, and rows of which the same windows can be fitted."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from speclake.fitness.circumstances import ChangeOver
from speclake.fitness.regions import Rows
from speclake.fitness.stepfits import Model, models
from speclake.fitness.subject import Subject
from speclake.spectrum import FloatArray


@dataclass(frozen=True, eq=False)
class Place:
    """One change-over on the axis of a subject."""

    changeover: ChangeOver
    offsets: FloatArray
    bounds: tuple[float, float]
    interval_nm: float

    def models(self, window_nm: float, intervals: float, missing: bytes | None) -> list[Model]:
        """Windows to try, those that know a step best first; see `stepfits.models`.

        Parameters
        ----------
        intervals : that are left out to either side of the place.
        """
        beside = self.interval_nm * intervals * (1 + 1e-9)
        axis = self.offsets.tobytes()
        return list(models(axis, self.bounds, window_nm, beside, missing))


def places_on(subject: Subject, changeovers: tuple[ChangeOver, ...]) -> Iterator[Place]:
    """The change-overs that lie inside the axis, by rising wavelength."""
    nm = subject.nm
    low, high = min(nm[0], nm[-1]), max(nm[0], nm[-1])
    inside = [each for each in changeovers if low < each.at_nm < high]
    for index, each in enumerate(inside):
        at, rate, interval = _scale_at(subject, each.at_nm)
        before = inside[index - 1].at_nm if index else None
        after = inside[index + 1].at_nm if index + 1 < len(inside) else None
        yield Place(
            changeover=each,
            offsets=(subject.spectra.axis.values - at) * rate,
            bounds=(
                -np.inf if before is None else (subject.place(before) - at) * rate,
                np.inf if after is None else (subject.place(after) - at) * rate,
            ),
            interval_nm=interval,
        )


def _scale_at(subject: Subject, at_nm: float) -> tuple[float, float, float]:
    """Place on the axis, nm per unit of the axis there, and the largest interval there in nm.

    The steps of an axis in another unit are kept, so that a grid that is even there stays so.
    """
    axis = subject.spectra.axis.values
    at = subject.place(at_nm)
    point = int(np.clip(np.searchsorted(axis, at), 1, axis.size - 1))
    rate = 1.0
    if subject.spectra.axis.unit != "nm":
        rise = subject.nm[point] - subject.nm[point - 1]
        rate = float(rise / (axis[point] - axis[point - 1]))
    steps = np.diff(axis[max(point - 2, 0) : point + 2])
    return at, rate, float(steps.max() * abs(rate))


def by_missing(subject: Subject, rows: Rows) -> Iterator[tuple[Rows, bytes | None]]:
    """Rows that lack the same points; None where none lacks any."""
    if subject.missing is None:
        yield rows, None
        return
    gone = subject.missing[rows]
    lacking = gone.any(axis=1)
    if not lacking.all():
        yield rows[~lacking], None
    kinds: dict[bytes, list[int]] = {}
    for row, points in zip(rows[lacking].tolist(), gone[lacking], strict=True):
        kinds.setdefault(points.tobytes(), []).append(row)
    for missing, alike in kinds.items():
        yield np.array(alike, dtype=np.intp), missing
