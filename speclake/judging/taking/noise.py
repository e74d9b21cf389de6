"""Noise and derivatives for their requirements."""

from collections.abc import Mapping
from typing import Literal

from speclake.judging.taking.given import Given, Taker
from speclake.judging.taking.places import place_of
from speclake.quantities.noise import rms_noise
from speclake.quantities.smoothing import extreme_derivative
from speclake.quantities.values import Values
from speclake.specs.requirements import Requirement
from speclake.specs.requirements.noise import DerivativeRequirement, NoiseRequirement
from speclake.spectrum import SpectrumSet


def _noise(spectra: SpectrumSet, asked: NoiseRequirement, _: Given) -> Values:
    return rms_noise(spectra, place_of(asked), asked.degree)


def _derivative(spectra: SpectrumSet, asked: DerivativeRequirement, _: Given) -> Values:
    largest = asked.what == "largest derivative"
    extreme: Literal["minimum", "maximum"] = "maximum" if largest else "minimum"
    return extreme_derivative(spectra, place_of(asked), extreme, asked.window, asked.degree)


TAKERS_OF_NOISE: Mapping[type[Requirement], Taker] = {
    NoiseRequirement: _noise,
    DerivativeRequirement: _derivative,
}
