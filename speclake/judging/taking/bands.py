"""Numbers of a band or a position in spectra that were smoothed for the requirement.

Where nothing is smoothed, `speclake.judging.banded` takes them with exact arithmetic behind them.
"""

from collections.abc import Mapping

from speclake.judging.taking.given import Given, Taker
from speclake.judging.taking.places import where_of
from speclake.quantities.bands import holes_in, holes_said, reduced
from speclake.quantities.values import Values
from speclake.specs.requirements import BandRequirement, Requirement, ValueRequirement
from speclake.spectrum import SpectrumSet


def _band(spectra: SpectrumSet, asked: BandRequirement | ValueRequirement, _: Given) -> Values:
    window = where_of(asked).on(spectra)
    if window.problem is not None:
        return Values.of_none(len(spectra), window.problem)
    found = reduced(asked.what, spectra.values, window)
    reasons = holes_said(holes_in(spectra.values, window), spectra.axis.unit)
    return Values(found.value, found.at, reasons)


TAKERS_OF_BANDS: Mapping[type[Requirement], Taker] = {
    BandRequirement: _band,
    ValueRequirement: _band,
}
