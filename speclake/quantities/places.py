"""Where on an axis a number is taken: over a band, or at one position."""

from dataclasses import dataclass
from functools import lru_cache

from speclake.quantities.windows import Window, locate
from speclake.spectrum import Axis, SpectrumSet
from speclake.units import AxisUnit, Medium


@dataclass(frozen=True, kw_only=True)
class _Where:
    """Parameters as for `speclake.quantities.windows.locate`."""

    unit: AxisUnit = "nm"
    medium: Medium | None = None
    largest_interval: float | None = None


@dataclass(frozen=True, kw_only=True)
class Place(_Where):
    """A band; parameters as for `speclake.quantities.windows.locate`."""

    low: float
    high: float
    over: AxisUnit | None = None

    def on(self, spectra: SpectrumSet) -> Window:
        """The band on the axis of a set."""
        return _located(spectra.axis, self, self.low, self.high, self.over)


@dataclass(frozen=True, kw_only=True)
class Spot(_Where):
    """One position; parameters as for `speclake.quantities.windows.locate`."""

    at: float

    def on(self, spectra: SpectrumSet) -> Window:
        """The position on the axis of a set."""
        return _located(spectra.axis, self, self.at, None, None)


@lru_cache(maxsize=256)
def _located(
    axis: Axis, where: _Where, low: float, high: float | None, over: AxisUnit | None
) -> Window:
    # a set is judged in many blocks, each of which asks for the same places on one axis
    return locate(
        axis,
        low,
        high,
        unit=where.unit,
        medium=where.medium,
        largest_interval=where.largest_interval,
        over=over,
    )
