"""Where on an axis a number is taken: over a band, or at one position."""

from dataclasses import dataclass

from speclake.quantities.windows import Window, locate
from speclake.spectrum import SpectrumSet
from speclake.units import AxisUnit, Medium


@dataclass(frozen=True, kw_only=True)
class _Where:
    """Parameters as for `speclake.quantities.windows.locate`."""

    unit: AxisUnit = "nm"
    medium: Medium | None = None
    largest_interval: float | None = None

    def _located(self, spectra: SpectrumSet, low: float, high: float | None) -> Window:
        return locate(
            spectra.axis,
            low,
            high,
            unit=self.unit,
            medium=self.medium,
            largest_interval=self.largest_interval,
        )


@dataclass(frozen=True, kw_only=True)
class Place(_Where):
    """A band; parameters as for `speclake.quantities.windows.locate`."""

    low: float
    high: float

    def on(self, spectra: SpectrumSet) -> Window:
        """The band on the axis of a set."""
        return self._located(spectra, self.low, self.high)


@dataclass(frozen=True, kw_only=True)
class Spot(_Where):
    """One position; parameters as for `speclake.quantities.windows.locate`."""

    at: float

    def on(self, spectra: SpectrumSet) -> Window:
        """The position on the axis of a set."""
        return self._located(spectra, self.at, None)
