"""Spectra of measurements that a commit brings, beside those that the archive holds."""

from collections.abc import Callable, Iterable, Mapping, Sequence

import numpy as np

from speclake.archive.encoding import decode
from speclake.archive.rows import StoredSpectrum
from speclake.measurement import Measurement
from speclake.spectrum import Axis, SpectrumSet
from speclake.units import ValueUnit


class NewSpectra:
    """Spectra by measurement, one set for each axis and unit.

    Parameters
    ----------
    measurements, spectra, axes : what the commit brings.
    stored : gives those that are in the archive.
    """

    def __init__(
        self,
        measurements: Sequence[Measurement],
        spectra: Sequence[StoredSpectrum],
        axes: Mapping[str, Axis],
        stored: Callable[[Sequence[str]], Iterable[SpectrumSet]],
    ) -> None:
        self._known = {m.measurement_id: m for m in measurements}
        self._values = {s.measurement_id: s.values for s in spectra}
        self._axes = axes
        self._stored = stored

    def __call__(self, ids: Sequence[str]) -> list[SpectrumSet]:
        """Spectra of measurements, new and held."""
        groups: dict[tuple[str, ValueUnit], list[str]] = {}
        held: list[str] = []
        for each in ids:
            if (m := self._known.get(each)) is None:
                held.append(each)
            else:
                groups.setdefault((m.axis_id, m.unit), []).append(each)
        new = [
            SpectrumSet(
                self._axes[axis_id],
                np.stack([decode(self._values[name]) for name in names]),
                unit,
                tuple(names),
            )
            for (axis_id, unit), names in groups.items()
        ]
        return [*new, *(self._stored(held) if held else ())]
