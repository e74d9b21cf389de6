"""Numbers of a band or a position in spectra that were smoothed for the requirement.

Where nothing is smoothed, `speclake.judging.banded` takes them with exact arithmetic behind them.
"""

from collections.abc import Mapping

import numpy as np

from speclake.judging.taking.given import Given, Taker
from speclake.quantities.bands import holes_in, reduced
from speclake.quantities.values import Values
from speclake.quantities.windows import locate
from speclake.specs.requirements import BandRequirement, Requirement, ValueRequirement
from speclake.spectrum import SpectrumSet


def _band(spectra: SpectrumSet, asked: BandRequirement | ValueRequirement, _: Given) -> Values:
    low, high = asked.band or (asked.at, None)
    assert low is not None  # the model asks for a band or a position
    window = locate(
        spectra.axis,
        low,
        high,
        unit=asked.axis_unit,
        medium=asked.medium,
        largest_interval=asked.largest_interval,
    )
    if window.problem is not None:
        return Values.of_none(len(spectra), window.problem)
    found, holes = reduced(asked.what, spectra.values, window), holes_in(spectra.values, window)
    reasons = {
        int(row): f"the value at {holes[row]:.10g} {spectra.axis.unit} is missing"
        for row in np.flatnonzero(~np.isnan(holes))
    }
    return Values(found.value, found.at, reasons)


TAKERS_OF_BANDS: Mapping[type[Requirement], Taker] = {
    BandRequirement: _band,
    ValueRequirement: _band,
}
