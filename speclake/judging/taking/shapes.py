"""Numbers of the shape of a band for their requirements."""

from collections.abc import Mapping

from speclake.judging.taking.given import Given, Taker
from speclake.judging.taking.places import place_of
from speclake.quantities import shapes
from speclake.quantities.values import Values
from speclake.specs.requirements import Requirement
from speclake.specs.requirements.shapes import (
    FitRequirement,
    MaskRequirement,
    MedianRequirement,
    RippleRequirement,
    ShareRequirement,
    SlopeRequirement,
    StepMeanRequirement,
)
from speclake.spectrum import SpectrumSet


def _step_mean(spectra: SpectrumSet, asked: StepMeanRequirement, _: Given) -> Values:
    return shapes.step_mean(spectra, place_of(asked), asked.step)


def _median(spectra: SpectrumSet, asked: MedianRequirement, _: Given) -> Values:
    return shapes.median(spectra, place_of(asked))


def _ripple(spectra: SpectrumSet, asked: RippleRequirement, _: Given) -> Values:
    return shapes.ripple(spectra, place_of(asked), asked.definition)


def _slope(spectra: SpectrumSet, asked: SlopeRequirement, _: Given) -> Values:
    return shapes.slope(spectra, place_of(asked), asked.definition)


def _share(spectra: SpectrumSet, asked: ShareRequirement, _: Given) -> Values:
    return shapes.share_above(spectra, place_of(asked), asked.level)


def _fit(spectra: SpectrumSet, asked: FitRequirement, _: Given) -> Values:
    assert asked.at is not None  # the model asks for it
    return shapes.fitted_value(
        spectra,
        asked.at,
        half_width=asked.half_width,
        degree=asked.degree,
        unit=asked.axis_unit,
        medium=asked.medium,
        largest_interval=asked.largest_interval,
    )


def _mask(spectra: SpectrumSet, asked: MaskRequirement, _: Given) -> Values:
    return shapes.mask_margin(spectra, place_of(asked), lower=asked.lower, upper=asked.upper)


TAKERS_OF_SHAPES: Mapping[type[Requirement], Taker] = {
    StepMeanRequirement: _step_mean,
    MedianRequirement: _median,
    RippleRequirement: _ripple,
    SlopeRequirement: _slope,
    ShareRequirement: _share,
    FitRequirement: _fit,
    MaskRequirement: _mask,
}
