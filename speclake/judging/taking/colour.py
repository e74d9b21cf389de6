"""Numbers of a colour for their requirements."""

from collections.abc import Iterable, Mapping

from speclake.judging.taking.given import Given, Taker
from speclake.judging.taking.weighted import fill_of
from speclake.quantities.colour import colour_number, lab_of
from speclake.quantities.tristimulus import Viewing, is_installed
from speclake.quantities.values import Values
from speclake.specs.requirements import Requirement
from speclake.specs.requirements.colour import ColourRequirement
from speclake.spectrum import SpectrumSet


def _colour(spectra: SpectrumSet, asked: ColourRequirement, _: Given) -> Values:
    assert asked.band is not None  # the model asks for it
    viewing = Viewing(
        illuminant=asked.illuminant,
        observer=asked.observer,
        method=asked.method,
        interval=asked.interval,
        low=asked.band[0],
        high=asked.band[1],
        medium=asked.medium,
        fill=fill_of(asked),
    )
    reference = asked.reference
    if reference is not None and asked.reference_space == "XYZ":
        reference = lab_of(reference, viewing)
    return colour_number(spectra, viewing, asked.number, reference_lab=reference)


def missing_extra(requirements: Iterable[Requirement]) -> str | None:
    """Extra of the package that requirements need and that is not installed, if there is one."""
    asks = any(isinstance(each, ColourRequirement) for each in requirements)
    return "colour" if asks and not is_installed() else None


TAKERS_OF_COLOUR: Mapping[type[Requirement], Taker] = {ColourRequirement: _colour}
