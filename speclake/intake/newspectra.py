"""Spectra of measurements that a commit brings."""

from collections.abc import Mapping, Sequence

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
    """

    def __init__(
        self,
        measurements: Sequence[Measurement],
        spectra: Sequence[StoredSpectrum],
        axes: Mapping[str, Axis],
    ) -> None:
        self._known = {m.measurement_id: m for m in measurements}
        self._values = {s.measurement_id: s.values for s in spectra}
        self._axes = axes
        self._last: tuple[tuple[str, ...], list[SpectrumSet]] = ((), [])

    def __call__(self, ids: Sequence[str]) -> list[SpectrumSet]:
        """Spectra of measurements, in no order; kept until others are asked for."""
        if tuple(ids) != self._last[0]:
            self._last = tuple(ids), self._decoded(ids)
        return self._last[1]

    def _decoded(self, ids: Sequence[str]) -> list[SpectrumSet]:
        groups: dict[tuple[str, ValueUnit], list[str]] = {}
        for each in ids:
            m = self._known[each]
            groups.setdefault((m.axis_id, m.unit), []).append(each)
        return [
            SpectrumSet(
                self._axes[axis_id],
                np.stack([decode(self._values[name]) for name in names]),
                unit,
                tuple(names),
            )
            for (axis_id, unit), names in groups.items()
        ]
